"""What a designer should know of the digs between the pits: places to avoid, depth; findings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Brief
from geotools.deliver.wording import in_words
from geotools.intake.findings import Findings
from geotools.layout.shared import Shared
from geotools.pipe.excavation import ENGINEER_DEPTH_M, needs_engineer

__all__ = [
    "report_deep_digs",
    "report_digs_in_places",
]

_TEXTS = {
    True: (
        "dig-in-hard-place",
        "warning",
        "a place to avoid, or its buffer",
        "it must be dug where it is, and nobody was asked: agree the dig with whoever keeps the "
        "place, have what is connected there moved out of it, or do not line that stretch",
    ),
    False: (
        "dig-in-soft-place",
        "info",
        "a place better left free, or its buffer",
        "it must be dug where it is, at the price of any other: agree it beforehand",
    ),
}


def _dug(digs: pd.DataFrame) -> pd.DataFrame:
    """Return the digs that no pit spares."""
    return digs[~digs["spared"].to_numpy(dtype=bool)]


def _named(digs: pd.DataFrame) -> list[str]:
    """Return digs in words: which, of what, on which pull."""
    return [
        f"dig {dig} ({in_words(kind)}, pull {pull})"
        for dig, kind, pull in zip(digs["dig_id"], digs["kind"], digs["pull_id"], strict=True)
    ]


def report_digs_in_places(digs: pd.DataFrame, pits: pd.DataFrame, ground: Shared) -> None:
    """Report digs whose hole reaches into places to avoid: a warning of hard ones, else an info.

    Pits keep off such places by themselves; digs lie where what is connected does. A hole is as
    wide as the pits of its run, ``width``, for the host is cut away all round in it as well.
    """
    avoid, areas, dug = ground.avoid, ground.layers.avoid, _dug(digs)
    if avoid is None or areas is None or not len(dug):
        return
    xy = dug[["x", "y"]].to_numpy(dtype=float)
    half = dug["run"].map(pits.groupby("run")["width"].first()).to_numpy(dtype=float) / 2
    dig, piece = avoid.tree.query(shapely.points(xy), predicate="dwithin", distance=half)
    met = pd.DataFrame({"dig": dig, "place": avoid.of[piece]}).drop_duplicates()
    met = met.sort_values(["dig", "place"])
    place = met["place"].to_numpy(dtype=np.int64)
    features = areas.table["feature"].astype(str).to_numpy(dtype=object)[place]
    met = met.assign(
        hard=avoid.hard[place],
        said=[f"{feature} ({reason or 'unnamed'})"
              for feature, reason in zip(features, avoid.reason[place], strict=True)],
    )  # fmt: skip
    for hard, rows in met.groupby("hard", sort=False):
        _report_in(dug, rows.groupby("dig")["said"].agg(" and ".join), bool(hard), ground)


def _report_in(dug: pd.DataFrame, places: pd.Series, hard: bool, ground: Shared) -> None:
    """Report digs, by their rows, in hard places or in soft ones."""
    rule, severity, kind, what = _TEXTS[hard]
    rows = dug.iloc[places.index.to_numpy(dtype=np.int64)]
    ground.layers.findings.add_points(
        severity,
        rule,
        [
            f"{name}, dug as wide as a pit, reaches into {kind}: {said}; {what}."
            for name, said in zip(_named(rows), places, strict=True)
        ],
        layer="local_digs",
        features=rows["dig_id"].to_numpy(dtype=object),
        xy=rows[["x", "y"]].to_numpy(dtype=float),
    )


def report_deep_digs(digs: pd.DataFrame, brief: Brief, findings: Findings) -> None:
    """Report digs where no pit may be so deep, and those whose support an engineer designs."""
    dug = _dug(digs)
    depth = np.nan_to_num(dug["depth"].to_numpy(dtype=float))
    deep = dug[depth > brief.pits.max_depth]
    most = findings.length(brief.pits.max_depth)
    _tell(
        deep,
        "deep-dig",
        [
            f"{name}: the invert of the host lies {findings.length(down, 2)} deep there, more than "
            f"a pit may reach (pits.max_depth, {most}); the dig is priced as one of any other "
            "depth: price it and its support by themselves, have what is connected there moved, "
            "or do not line that stretch."
            for name, down in zip(_named(deep), deep["depth"], strict=True)
        ],
        findings,
    )
    bottom = np.clip(np.nan_to_num(dug["dig_depth"].to_numpy(dtype=float)), 0.0, 50.0)
    limit = findings.length(ENGINEER_DEPTH_M)
    _tell(
        dug[needs_engineer(bottom)],
        "engineered-excavation",
        f"a dig deeper than {limit}: a registered professional engineer designs its support "
        "(29 CFR 1926 Subpart P; other countries differ)",
        findings,
    )


def _tell(rows: pd.DataFrame, rule: str, texts: list[str] | str, findings: Findings) -> None:
    xy: npt.NDArray[np.float64] = rows[["x", "y"]].to_numpy(dtype=float)
    names = rows["dig_id"].to_numpy(dtype=object)
    findings.add_points("warning", rule, texts, layer="local_digs", features=names, xy=xy)
