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
from geotools.layout.sites import ENGINEERED, engineered
from geotools.lists import listed
from geotools.network.ragged import FloatArray
from geotools.pipe.excavation import ENGINEER_DEPTH_M
from geotools.siting.works import lean_of_sides
from geotools.street.net import StreetNet
from geotools.street.others import Own, others_near

__all__ = [
    "report_deep_digs",
    "report_digs_in_carriageways",
    "report_digs_in_places",
    "times_of_digs",
]

NAMED = 3  # digs a finding names
_TEXTS = {
    True: (
        "dig-in-hard-place",
        "warning",
        "a place to avoid, or its buffer",
        "must be dug where it is, and nobody was asked: agree it with whoever keeps the place, "
        "have what is connected there moved out of it, or do not line that stretch",
    ),
    False: (
        "dig-in-soft-place",
        "info",
        "a place better left free, or its buffer",
        "must be dug where it is, at the price of any other: agree it beforehand",
    ),
}


def _dug(digs: pd.DataFrame) -> pd.DataFrame:
    """Return the digs that no pit spares."""
    return digs[~digs["spared"].to_numpy(dtype=bool)]


def _who(digs: pd.DataFrame, findings: Findings) -> str:
    """Begin a sentence on digs of a run, in order: how many, where along it, the first by name."""
    at = [findings.length(float(edge)) for edge in digs["chainage"].iloc[[0, -1]]]
    names = [
        f"{dig} ({in_words(kind)}, pull {pull})"
        for dig, kind, pull in zip(digs["dig_id"], digs["kind"], digs["pull_id"], strict=True)
    ]
    run, count = digs["run_id"].iloc[0], len(digs)
    several = count > 1
    where = f"from {at[0]} to {at[1]}" if several else f"at {at[0]}"
    return (
        f"run {run}: {count} dig{'s' * several} between the pits, {where} along it, "
        f"{listed(names, most=NAMED)}"
    )


def _each(digs: pd.DataFrame) -> str:
    return "each" if len(digs) > 1 else "it"


def report_digs_in_places(digs: pd.DataFrame, pits: pd.DataFrame, ground: Shared) -> None:
    """Report, by run and place, digs whose hole reaches into places to avoid.

    A warning of hard ones, else an info. Pits keep off such places by themselves; digs lie where
    what is connected does. A hole is as wide as a pit of its run would be there.
    """
    avoid, areas, dug = ground.avoid, ground.layers.avoid, _dug(digs)
    if avoid is None or areas is None or not len(dug):
        return
    xy = dug[["x", "y"]].to_numpy(dtype=float)
    half = _half_wide(dug, pits, ground.brief)
    dig, piece = avoid.tree.query(shapely.points(xy), predicate="dwithin", distance=half)
    met = pd.DataFrame({"dig": dig, "place": avoid.of[piece]}).drop_duplicates()
    met = met.assign(run=dug["run"].to_numpy()[met["dig"]]).sort_values(["run", "place", "dig"])
    features = areas.table["feature"].astype(str).to_numpy(dtype=object)
    for hard in (True, False):
        rows = met[avoid.hard[met["place"].to_numpy(dtype=np.int64)] == hard]
        groups = {
            key: dug.iloc[own["dig"].to_numpy(dtype=np.int64)]
            for key, own in rows.groupby(["run", "place"])
        }
        said = [f"{features[k]} ({avoid.reason[k] or 'unnamed'})" for _, k in groups]
        _report_in(list(groups.values()), said, hard, ground.layers.findings)


def _half_wide(dug: pd.DataFrame, pits: pd.DataFrame, brief: Brief) -> FloatArray:
    """Return how far every hole reaches from its middle at the ground, m.

    Its bottom is as wide as the pits of its run, ``width``, for the host is cut away all round in
    it as well; from there its sides lean out as theirs do.
    """
    bottom = dug["run"].map(pits.groupby("run")["width"].first()).to_numpy(dtype=float)
    depth, dig_depth = (dug[name].to_numpy(dtype=float) for name in ("depth", "dig_depth"))
    lean = lean_of_sides(depth, support=brief.pits.support, soil=brief.pits.soil)
    return np.asarray(bottom / 2 + lean * np.nan_to_num(dig_depth), dtype=np.float64)


def _report_in(
    groups: list[pd.DataFrame], places: list[str], hard: bool, findings: Findings
) -> None:
    """Report digs, those of a run in a hard place or a soft one together."""
    rule, severity, kind, what = _TEXTS[hard]
    texts = [
        f"{_who(rows, findings)}, dug as wide as a pit would be there, "
        f"{'reach' if len(rows) > 1 else 'reaches'} into {kind}: {place}; {_each(rows)} {what}."
        for rows, place in zip(groups, places, strict=True)
    ]
    _tell(groups, severity, rule, texts, findings)


def report_deep_digs(digs: pd.DataFrame, brief: Brief, findings: Findings) -> None:
    """Report by run digs where no pit may be so deep, and those an engineer designs support of."""
    dug = _dug(digs)
    depth = np.nan_to_num(dug["depth"].to_numpy(dtype=float))
    deep = _by_run(dug[depth > brief.pits.max_depth])
    most = findings.length(brief.pits.max_depth)
    texts = [
        f"{_who(rows, findings)}: the invert of the host lies {'up to ' * (len(rows) > 1)}"
        f"{findings.length(float(rows['depth'].max()), 2)} deep there, more than a pit may reach "
        f"(pits.max_depth, {most}); {_each(rows)} is priced as a dig of any other depth: price it "
        "and its support by themselves, have what is connected there moved, or do not line that "
        "stretch."
        for rows in deep
    ]
    _tell(deep, "warning", "deep-dig", texts, findings)
    designed = _by_run(dug[engineered(dug["dig_depth"].to_numpy(dtype=float))])
    limit = findings.length(ENGINEER_DEPTH_M)
    texts = [f"{_who(rows, findings)}, deeper than {limit}: {ENGINEERED}" for rows in designed]
    _tell(designed, "warning", "engineered-excavation", texts, findings)


def _by_run(digs: pd.DataFrame) -> list[pd.DataFrame]:
    return [rows for _, rows in digs.groupby("run")]


def _tell(
    groups: list[pd.DataFrame], severity: str, rule: str, texts: list[str], findings: Findings
) -> None:
    """Leave a finding on the run of every group of digs, where they lie."""
    findings.add_many(
        severity,
        rule,
        texts,
        layer="runs",
        features=[str(rows["run_id"].iloc[0]) for rows in groups],
        geometry=[shapely.multipoints(rows[["x", "y"]].to_numpy(dtype=float)) for rows in groups],
    )


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
    reach = float(half.max(initial=0.0))
    near = others_near(net, spots, Own.none(len(spots)), reach=reach)
    on = np.zeros(len(spots), dtype=np.bool_)
    on[near.ground[near.gap < half[near.line]]] = True
    return on
