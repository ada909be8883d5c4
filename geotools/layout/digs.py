"""What a designer should know of the digs between the pits: where, how deep, how long open."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Brief
from geotools.deliver.wording import in_words
from geotools.estimate.schedule import OPENING, REMAKING, SAME
from geotools.intake.findings import Findings
from geotools.layout.shared import Shared
from geotools.network.ragged import FloatArray
from geotools.pipe.excavation import ENGINEER_DEPTH_M, needs_engineer
from geotools.siting.works import lean_of_sides
from geotools.street.net import StreetNet
from geotools.street.others import others_near

__all__ = [
    "report_deep_digs",
    "report_digs_in_carriageways",
    "report_digs_in_places",
    "times_of_digs",
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
    wide as a pit of its run would be there.
    """
    avoid, areas, dug = ground.avoid, ground.layers.avoid, _dug(digs)
    if avoid is None or areas is None or not len(dug):
        return
    xy = dug[["x", "y"]].to_numpy(dtype=float)
    half = _half_wide(dug, pits, ground.brief)
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


def _half_wide(dug: pd.DataFrame, pits: pd.DataFrame, brief: Brief) -> FloatArray:
    """Return how far every hole reaches from its middle at the ground, m.

    Its bottom is as wide as the pits of its run, ``width``, for the host is cut away all round in
    it as well; from there its sides lean out as theirs do.
    """
    bottom = dug["run"].map(pits.groupby("run")["width"].first()).to_numpy(dtype=float)
    depth, dig_depth = (dug[name].to_numpy(dtype=float) for name in ("depth", "dig_depth"))
    lean = lean_of_sides(depth, support=brief.pits.support, soil=brief.pits.soil)
    return np.asarray(bottom / 2 + lean * np.nan_to_num(dig_depth), dtype=np.float64)


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


def times_of_digs(schedule: pd.DataFrame) -> pd.DataFrame:
    """Return by pull when its digs are opened and remade, working days of its run.

    ``opened``, ``opening`` (days), ``remade`` (the first begun), ``done`` (the last remade).
    """
    tasks = schedule.astype({"task": object, "ref": object}).set_index("ref")
    opened = tasks.loc[tasks["task"] == OPENING, ["start_day", "days"]]
    opened = opened.rename(columns={"start_day": "opened", "days": "opening"})
    remade = tasks.loc[tasks["task"] == REMAKING, ["start_day", "days"]]
    remade = remade.rename(columns={"start_day": "remade", "days": "done"})
    return opened.join(remade.assign(done=remade.sum(axis=1)))


def report_digs_in_carriageways(digs: pd.DataFrame, schedule: pd.DataFrame, ground: Shared) -> None:
    """Report, a finding a run, digs in carriageways and how long the programme leaves them.

    One after the other they are opened before the pull, and in the same order remade once all is
    tested and grouted; nobody works at them between.
    """
    dug = _dug(digs).merge(times_of_digs(schedule), left_on="pull_id", right_index=True)
    if ground.scene is None or not len(dug):
        return
    each = dug["opening"] / dug.groupby("pull_id")["pull_id"].transform("size")
    dug = dug.assign(on=_on_carriageway(dug, ground.scene.net))
    dug = dug.assign(between=np.maximum(dug["remade"] - dug["opened"] - each, 0.0))
    dug = dug.assign(last=dug["opened"] + dug["opening"])
    met = dug[dug["on"] & (dug["between"] > SAME)]
    runs = met.groupby("run_id", sort=False, observed=True).agg(
        count=("on", "size"), opened=("opened", "min"), last=("last", "max"),
        remade=("remade", "min"), done=("done", "max"), most=("between", "max"),
        between=("between", "sum"),
    )  # fmt: skip
    of_run = dug.groupby("run_id", observed=True).size()
    number = pd.Series(np.arange(len(runs)), runs.index)
    ground.layers.findings.add_many(
        "info",
        "digs-in-carriageway",
        [
            f"run {run}: {row.count} of its {of_run[run]} digs between the pits lie in "
            f"carriageways; by the programme they are opened from working day {row.opened:.1f} to "
            f"{row.last:.1f} and remade from day {row.remade:.1f} to {row.done:.1f}. Between, each "
            "is backfilled or plated over for traffic to pass: for up to "
            f"{row.most:.1f} days, {row.between:.1f} dig-days in all. rates.connection and "
            "rates.valve are to hold the lane while they are worked at; nobody priced what is "
            "taken if they stay open: have them backfilled or plated, or count it in."
            for run, row in zip(runs.index, runs.itertuples(index=False), strict=True)
        ],
        layer="runs",
        features=runs.index.to_numpy(dtype=object),
        geometry=shapely.multipoints(
            shapely.points(met[["x", "y"]].to_numpy(dtype=float)),
            indices=number[met["run_id"]].to_numpy(dtype=np.int64),
        ),
    )


def _on_carriageway(digs: pd.DataFrame, net: StreetNet) -> npt.NDArray[np.bool_]:
    """Return which digs lie on the carriageway of a street."""
    spots: npt.NDArray[np.object_] = shapely.points(digs[["x", "y"]].to_numpy(dtype=float))
    half = net.column("width") / 2
    none = np.full(len(spots), -1, dtype=np.int64)
    near = others_near(net, spots, none, reach=float(half.max(initial=0.0)))
    on = np.zeros(len(spots), dtype=np.bool_)
    on[near.ground[near.gap < half[near.line]]] = True
    return on
