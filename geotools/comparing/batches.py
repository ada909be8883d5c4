"""A batch read as one plan: the plans of its districts, row after row."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from geotools.deliver.read_plan import PlanFile, read_plan
from geotools.errors import LayerError
from geotools.intake.digest import sha256
from geotools.intake.findings import Findings
from geotools.scale.summary import SUMMARY
from geotools.schema import OUTPUTS

__all__ = ["BatchFile", "read_batch", "tell_lost"]

_OF_WHOLE = ("settings", "inputs")  # the summary has them, the same for every district
_NEEDED = ("district_results", *_OF_WHOLE)
_AGAIN = "go on with it: `slipmain batch ... --resume`"


@dataclass(frozen=True, kw_only=True)
class BatchFile(PlanFile):
    """The plans of a batch, read as `PlanFile` reads one.

    Attributes
    ----------
    plans : tuple of PlanFile
        Those of its districts; the path is that of their folder.
    summary : PlanFile
        What the batch says of itself.
    """

    plans: tuple[PlanFile, ...]
    summary: PlanFile

    def table(self, name: str, fields: Iterable[str] | None = None) -> Any:
        """Read one layer of all districts; see `PlanFile.table`."""
        if name in (*_OF_WHOLE, "district_results"):
            return self.summary.table(name, fields)
        wanted = None if fields is None else tuple(fields)
        parts = [plan.table(name, wanted) for plan in self.plans]
        full = [part for part in parts if len(part)] or parts[:1]
        return pd.concat(full, ignore_index=True)

    def without_plan(self) -> pd.DataFrame:
        """Return the districts that failed: ``district``, and ``text`` on them."""
        results = self.table("district_results", ("district", "status", "runs_failed", "error"))
        lost = pd.DataFrame(results[~results["status"].isin(["done", "empty"])])
        lost["text"] = [
            f"district {name} has no plan{f' ({why})' if why else ''}: "
            f"{'its runs are' if pd.isna(runs) else f'runs it was to plan: {runs},'} not planned"
            for name, why, runs in zip(
                lost["district"], lost["error"], lost["runs_failed"], strict=True
            )
        ]
        return lost[["district", "text"]]

    def files(self) -> list[Path]:
        """Return the files that are read: the summary and the plans of the districts."""
        return [self.summary.path, *(plan.path for plan in self.plans)]

    def sha256(self) -> str:
        """Return a hash of the hashes of all files, in order of their names."""
        told = "".join(sha256(path) for path in sorted(self.files()))
        return hashlib.sha256(told.encode("ascii")).hexdigest()


def read_batch(folder: Path) -> BatchFile:
    """Open the folder that the tool ``batch`` wrote.

    Raises
    ------
    LayerError
        If it is no such folder, no district of it has a plan, or a plan is not there.
    """
    folder = folder if folder.name else folder.resolve()
    if not (folder / SUMMARY).is_file():
        raise LayerError(
            str(folder),
            f"is a folder without {SUMMARY}: give a plan, or the folder a batch wrote",
        )
    summary = read_plan(folder / SUMMARY, needs=_NEEDED)
    plans = _plans_of(folder, summary)
    held = [name for name in OUTPUTS if all(name in plan.layers for plan in plans)]
    layers = tuple(dict.fromkeys([*held, *_OF_WHOLE]))
    return BatchFile(
        path=folder,
        layers=layers,
        units=summary.units,
        crs=plans[0].crs,
        settings=summary.settings,
        plans=plans,
        summary=summary,
    )


def _plans_of(folder: Path, summary: PlanFile) -> tuple[PlanFile, ...]:
    """Open the plan of every district that is done."""
    done = summary.table("district_results", ("district", "status", "file"))
    done = done[done["status"] == "done"]
    # What the summary names is a file beside it, whatever it says.
    files = {row.district: folder / Path(row.file).name for row in done.itertuples()}
    if not files:
        raise LayerError(str(folder), f"no district of this batch has a plan; {_AGAIN}")
    nameless = [name for name, file in files.items() if file == folder]
    if nameless:
        faults = [f"district {name}: {SUMMARY} names no plan; {_AGAIN}" for name in nameless]
        raise LayerError(str(folder), faults)
    lost = [
        f"district {n}: its plan {f.name} is not there" for n, f in files.items() if not f.is_file()
    ]
    if lost:
        raise LayerError(str(folder), [f"{text}; {_AGAIN}" for text in lost])
    told: set[tuple[str, str]] = set()  # of plans by one version it is told once what they lack
    return tuple([replace(read_plan(file), told=told) for file in files.values()])


def tell_lost(name: str, file: PlanFile, findings: Findings) -> None:
    """Add which districts of a batch failed: of their runs there is nothing to compare."""
    if not isinstance(file, BatchFile):
        return
    lost = file.without_plan()
    findings.add_many(
        "warning",
        "district-not-compared",
        [f"{name}: {row.text}, and take no part; {_AGAIN}" for row in lost.itertuples()],
        layer="inputs",
        features=lost["district"].to_numpy(dtype=object),
    )
