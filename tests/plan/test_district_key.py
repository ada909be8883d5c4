"""The key of a district changes with all its plan hangs on."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import geotools
from geotools.brief import load_brief
from geotools.program import program
from geotools.scale.key import _hash, _settings_bytes, _table_bytes

COLUMNS = {
    "float": ("float64", 1.5),
    "whole": ("Int64", 7),
    "truth": ("boolean", True),
    "text": ("string", "cast iron"),
    "text as objects": ("object", "cast iron"),
    "category": ("category", "cast iron"),
}


def key_of(values: list[Any], dtype: str) -> str:
    return _hash(_table_bytes(pd.DataFrame({"column": pd.Series(values, dtype=dtype)})))


@pytest.mark.parametrize(("dtype", "value"), COLUMNS.values(), ids=COLUMNS)
def test_a_value_that_moves_to_another_row_changes_the_key(dtype: str, value: Any) -> None:
    tables = [[value, None], [None, value], [value, value], [None, None], [None], []]
    assert len({key_of(table, dtype) for table in tables}) == len(tables)


def test_the_same_table_read_again_has_the_same_key() -> None:
    for dtype, value in COLUMNS.values():
        assert key_of([value, None], dtype) == key_of([value, None], dtype)


def version_of(package: Path) -> str:
    """Return the part of the key that stands for the program, of a copy of the package."""
    code = (
        "from geotools.program import program; import geotools;print(geotools.__file__, program())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=package, capture_output=True, text=True, check=True
    )
    file, digest = done.stdout.split(maxsplit=1)
    assert Path(file).is_relative_to(package)
    return digest


@pytest.mark.parametrize("changed", ["pulls/force.py", "pipe/data/friction.csv"])
def test_a_module_or_table_of_the_program_that_changes_changes_the_key(
    tmp_path: Path, changed: str
) -> None:
    shutil.copytree(
        Path(geotools.__file__).parent,
        tmp_path / "geotools",
        ignore=shutil.ignore_patterns("__pycache__"),
    )
    before = version_of(tmp_path)
    assert version_of(tmp_path) == before  # compiled modules are no part of it
    with (tmp_path / "geotools" / changed).open("ab") as stream:
        stream.write(b"\n")
    assert version_of(tmp_path) != before


def test_that_the_side_of_traffic_is_said_changes_the_key() -> None:
    """The plan tells where it is not said."""
    said = load_brief(overrides={"street.keep_right": True})
    assert _hash(_settings_bytes(said)) != _hash(_settings_bytes(load_brief()))


def test_a_clone_with_other_line_ends_is_the_same_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    digests = []
    for ends in (b"\n", b"\r\n"):
        root = tmp_path / f"ends{len(ends)}"
        (root / "pipe" / "data").mkdir(parents=True)
        for name in ("__init__.py", "pipe/data/sizes.csv"):
            (root / name).write_bytes(ends.join([b"first", b"second", b""]))
        monkeypatch.setattr(geotools, "__file__", str(root / "__init__.py"))
        program.cache_clear()
        digests.append(program())
    monkeypatch.undo()
    program.cache_clear()
    assert digests[0] == digests[1] != program()
