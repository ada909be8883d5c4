"""Fuzzing: files changed at random; every outcome is a result or an error that says what is wrong.

``python tests/trust/fuzz.py brief --cases 5000`` runs one target (``brief``, ``records``,
``layers``, ``plan``, ``tools``) on so many examples of Hypothesis and prints the count of each
outcome; ``--atheris`` lets libFuzzer choose the bytes instead, led by the branches of the code
they reach (needs the package atheris). What is raised but is no error of `errors.py` ends the
campaign with the example that did it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import sqlite3
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

import hypothesis
from hypothesis import HealthCheck, Phase, given
from hypothesis import strategies as st

from geotools.brief import Brief, load_brief
from geotools.errors import SlipmainError

ROOT = Path(__file__).resolve().parents[2]
TOKENS = (
    b"", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"nan", b"inf", b"-1", b"1e999", b"9" * 5000,
    b"[" * 3000, b'"', b"'", b'"""', b"\n", b"=", b"#", b",", b";", b"\t", b"[inputs]", b"{}",
    b"[]", b"true", b"none", b"2026-02-30", b"0x", b"1_000", b"' OR 1=1 --", b"\xe6\xb0\xb4",
    "½".encode(), "٣".encode(), b"m", b" ft", b"mm", b"-0.0", b"/dev/zero", b"1,5", b"\r",
    b"\\u0000", b"[pulls]", b".", b"max_length = 5", b"origins.x = 1", b"\xed\xa0\x80",
)  # fmt: skip


@st.composite
def edits(draw: Any) -> list[tuple[float, int, bytes]]:
    """Draw changes of a file: a place as a share of its length, bytes taken out, bytes put in."""
    return draw(
        st.lists(
            st.tuples(
                st.floats(0.0, 1.0, exclude_max=True),
                st.sampled_from((0, 0, 1, 1, 2, 5, 20, 200)),
                st.one_of(st.sampled_from(TOKENS), st.binary(max_size=4)),
            ),
            min_size=1,
            max_size=5,
        )
    )


def edited(data: bytes, changes: list[tuple[float, int, bytes]], *, same_length: bool) -> bytes:
    """Return a file with changes; with ``same_length`` bytes are put over those there."""
    for share, out, put in changes:
        at = int(share * len(data))
        data = data[:at] + put + data[at + (len(put) if same_length else out) :]
    return data


# --- what is fuzzed ---------------------------------------------------------------------------


@dataclass
class Target:
    """Something that reads: a sound file, its suffix, and what reads it."""

    sound: Callable[[], bytes]
    suffix: str
    read: Callable[[Path], object]
    binary: bool = False
    outcomes: Counter[str] = field(default_factory=Counter)

    def check(self, data: bytes) -> None:
        """Read a file of these bytes; anything but a result or an error of ours is raised."""
        path = scratch() / f"fuzz{self.suffix}"
        path.write_bytes(data)
        try:
            self.read(path)
        except SlipmainError as error:
            if not str(error).strip():
                raise AssertionError("an error without a text") from error
            self.outcomes["refused"] += 1
        else:
            self.outcomes["read"] += 1


@cache
def scratch() -> Path:
    home = tempfile.TemporaryDirectory(prefix="fuzz")
    _KEPT.append(home)
    return Path(home.name)


_KEPT: list[Any] = []  # folders live as long as the process


def cli(*words: str | Path) -> tuple[int, str]:
    """Run a command in this process; return its exit code and what it said."""
    from geotools.cli import main

    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            main([str(word) for word in words])
        except SystemExit as left:
            return int(left.code or 0), said.getvalue()
    raise AssertionError("the command did not leave")


@cache
def small_plan() -> Path:
    """Plan three mains once."""
    from killed import small_network

    folder = scratch()
    path = folder / "whole.gpkg"
    code, said = cli("plan", *small_network(folder), "-o", path, "--set", "output.styles=false")
    if code != 0:
        raise RuntimeError(said)
    return path


@cache
def schedule() -> tuple[Any, Any]:
    """Return the joints of the small plan, and its pulls."""
    from geotools.deliver.joints.schedule import joint_schedule
    from geotools.deliver.read_plan import read_plan

    plan = read_plan(small_plan())
    return joint_schedule(plan).joints, plan.table("pulls")


def records() -> bytes:
    """Return records of the joints of the small plan."""
    told = {
        "made": "2026-03-02 08:00", "operator": "A. Quill", "machine": "M-7",
        "piston_area_in2": "15.32", "outside_left_in": "9.8", "outside_right_in": "9.8",
        "dr_left": "17", "dr_right": "17", "material_left": "PE 4710", "material_right": "PE4710",
        "ambient_f": "60", "heater_1_f": "425", "heater_2_f": "430", "drag_psi": "30",
        "bead_in": "0.4", "soak_min": "5.8", "removal_s": "12", "fusion_pressure_psi": "427",
        "fusion_time_s": "10", "cool_pressure_psi": "427", "cool_time_min": "14",
        "visual": "pass", "remarks": "",
    }  # fmt: skip
    names = list(schedule()[0]["joint_id"])[:6]
    rows = [",".join(["joint_id", *told]), *(",".join([n, *told.values()]) for n in names)]
    return ("\n".join(rows) + "\n").encode()


def read_the_records(path: Path) -> None:
    """Read records and hold them against the plan, as `joints check` does."""
    from geotools.deliver.joints.asbuilt import check_records
    from geotools.deliver.joints.records import ReadAs, read_records

    joints, pulls = schedule()
    told = check_records(joints, pulls, read_records(path, "records", ReadAs({})))
    if len(told.joints) < len(joints):
        raise AssertionError("joints of the plan are lost")


def network() -> bytes:
    small_plan()
    return (scratch() / "net.gpkg").read_bytes()


def read_the_layers(path: Path) -> None:
    from geotools.intake.read import read_layers

    brief = Brief.model_validate({"inputs": {"mains": {"source": str(path)}}})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_layers(brief)


def read_the_plan(path: Path) -> None:
    """Open a plan and read all it holds."""
    from geotools.brief import settings
    from geotools.deliver.read_plan import read_plan

    plan = read_plan(path)
    for name in plan.layers:
        with contextlib.suppress(SlipmainError):
            plan.table(name)
    for setting in list(settings())[::9]:
        with contextlib.suppress(SlipmainError):
            plan.setting(setting.key)


TARGETS = {
    "brief": Target(lambda: (ROOT / "sample_gis/brief.toml").read_bytes(), ".toml", load_brief),
    "records": Target(records, ".csv", read_the_records),
    "layers": Target(network, ".gpkg", read_the_layers, binary=True),
    "plan": Target(lambda: small_plan().read_bytes(), ".gpkg", read_the_plan, binary=True),
}


# --- plans that are readable and wrong --------------------------------------------------------

VALUES = (
    None, "", "twelve", "nan", "inf", -1, 0, 1e300, -1e300, "'; DROP TABLE runs; --",
    b"\x00\xff", "\x1b[31m", "<script>", 2**62, "=1+1", "𝔘" * 300,
)  # fmt: skip
TOOLS: dict[str, tuple[str, ...]] = {
    "verify": ("verify", "{plan}"),
    "report": ("report", "{plan}", "-o", "{out}.html", "--overwrite"),
    "drawing": ("drawing", "{plan}", "-o", "{out}.dxf", "--overwrite"),
    "sheets": ("sheets", "{plan}", "-o", "{out}.pdf", "--overwrite"),
    "joints": ("joints", "schedule", "{plan}", "-o", "{out}.csv", "--overwrite"),
}
TABLES = (
    "runs", "stations", "bends", "candidates", "pits", "pit_footprints", "pulls", "forces",
    "sections", "strings", "closures", "local_digs", "quantities", "schedule", "alternatives",
    "shutdowns", "context", "findings", "settings", "inputs",
)  # fmt: skip
DAMAGE = st.tuples(
    st.sampled_from(("value", "value", "value", "column", "rows", "geometry", "table", "twice")),
    st.sampled_from(TABLES),
    st.integers(0, 60),
    st.integers(0, 10_000),
    st.sampled_from(VALUES),
)


def drop_triggers(file: sqlite3.Connection) -> None:
    """Take the triggers out of a GeoPackage: they call functions that only GDAL has."""
    for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        file.execute(f'DROP TRIGGER "{name}"')


def damage(path: Path, kind: str, table: str, column: int, row: int, value: object) -> str:
    """Spoil a plan by SQL and say how."""
    with contextlib.closing(sqlite3.connect(path)) as file:
        drop_triggers(file)
        columns = [c[1] for c in file.execute(f"PRAGMA table_info({table})")][1:]
        name = columns[column % len(columns)]
        ids = [i for (i,) in file.execute(f"SELECT rowid FROM {table}")]  # noqa: S608
        fid = ids[row % len(ids)] if ids else -1
        some = "" if row % 3 else f" WHERE rowid = {fid}"
        statement, values = {
            "value": (f'UPDATE {table} SET "{name}" = ?{some}', (value,)),  # noqa: S608
            "column": (f'ALTER TABLE {table} DROP COLUMN "{name}"', ()),
            "rows": (f"DELETE FROM {table}{some}", ()),  # noqa: S608
            "geometry": (f'UPDATE {table} SET "{columns[0]}" = NULL{some}', ()),  # noqa: S608
            "table": (f"DELETE FROM gpkg_contents WHERE table_name = '{table}'", ()),  # noqa: S608
            "twice": (
                f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(columns)} "  # noqa: S608
                f"FROM {table}{some}", (),
            ),
        }[kind]  # fmt: skip
        with contextlib.suppress(sqlite3.Error):  # a column that may not go, a value too large
            file.execute(statement, values)
        file.commit()
    return f"{statement} {values!r:.60}"


def check_tools(damages: list[tuple[str, str, int, int, object]], tools: list[str]) -> Counter[str]:
    """Run tools on a spoiled plan; raise if one of them breaks."""
    path = scratch() / "spoiled.gpkg"
    path.write_bytes(small_plan().read_bytes())
    done = [damage(path, *item) for item in damages]
    came: Counter[str] = Counter()
    for name in tools:
        words = [w.format(plan=path, out=scratch() / "out") for w in TOOLS[name]]
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            code, said = cli(*words)
        if code not in (0, 1, 2) or "Traceback" in said:
            raise AssertionError(f"{name}: exit code {code} after {done}: {said[-400:]}")
        came[f"{name} {code}"] += 1
    return came


# --- campaigns --------------------------------------------------------------------------------


def campaign(name: str, cases: int, seed: int, came: Counter[str]) -> None:
    """Run so many examples of one target and count the outcomes as they come."""
    options = hypothesis.settings(
        max_examples=cases, deadline=None, database=None, derandomize=False,
        suppress_health_check=list(HealthCheck), phases=[Phase.generate],
    )  # fmt: skip
    if name == "tools":

        @hypothesis.seed(seed)
        @options
        @given(st.lists(DAMAGE, min_size=1, max_size=3), st.sampled_from(sorted(TOOLS)))
        def spoil(damages: Any, tool: str) -> None:
            came.update(check_tools(damages, [tool]))

        spoil()
        return
    target = TARGETS[name]
    sound = target.sound()
    target.check(sound)
    target.outcomes = came

    @hypothesis.seed(seed)
    @options
    @given(edits())
    def change(changes: Any) -> None:
        target.check(edited(sound, changes, same_length=target.binary))

    change()


def led_by_coverage(name: str, cases: int, seed: int) -> None:
    """Let libFuzzer choose the bytes; it ends the process itself."""
    import atheris

    target = TARGETS[name]
    sound = target.sound()
    corpus = scratch() / "corpus"
    corpus.mkdir()
    (corpus / "sound").write_bytes(sound)
    modules = ("geotools.brief", "geotools.units", "geotools.deliver", "geotools.intake")
    for module in [m for m in sys.modules.values() if m.__name__.startswith(modules)]:
        for part in vars(module).values():
            if callable(part) and getattr(part, "__module__", None) == module.__name__:
                with contextlib.suppress(TypeError, AttributeError):
                    atheris.instrument_func(part)
    atheris.Setup(
        [sys.argv[0], f"-runs={cases}", f"-seed={seed}", "-timeout=60",
         f"-max_len={max(20_000, len(sound))}",
         "-print_final_stats=1", f"-artifact_prefix={os.getcwd()}/", str(corpus)],  # noqa: PTH109
        target.check,
    )  # fmt: skip
    atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=(*TARGETS, "tools"))
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--atheris", action="store_true")
    given_ = parser.parse_args()
    if given_.atheris:
        led_by_coverage(given_.target, given_.cases, given_.seed)
    came: Counter[str] = Counter()
    try:
        campaign(given_.target, given_.cases, given_.seed, came)
    finally:  # also of a campaign that is broken off: `timeout -s INT 600 python ...`
        print(json.dumps({"target": given_.target, "cases": given_.cases, **came}), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
