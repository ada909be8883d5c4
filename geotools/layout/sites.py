"""What a designer should know of the sites of a plan: findings on closures and pits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Brief
from geotools.deliver.wording import working_days
from geotools.estimate.quantities import Prices, shared_saving
from geotools.intake.findings import Findings
from geotools.layout.shared import Shared
from geotools.lists import listed
from geotools.pipe.excavation import DEEPEST_M, ENGINEER_DEPTH_M, needs_engineer
from geotools.pipe.names import folded
from geotools.schema import angle_text, length_text, quantity_text
from geotools.siting.ground_checks import hard_places
from geotools.street.closures import Closures
from geotools.street.met import BUFFER, UNNAMED
from geotools.street.net import StreetNet

__all__ = [
    "ENGINEERED",
    "TOUCH_M2",
    "engineered",
    "report_aslant",
    "report_closures",
    "report_cut_closures",
    "report_deep",
    "report_joining",
    "report_met",
    "report_shared",
    "report_shut",
    "shared_pits",
    "shared_text",
]

_OF_RUNS = {1: "of one run", 2: "of two runs"}
_TOO_FEW = (
    "are not drawn on {}, along which traffic comes and has {}: warn and slow it there, agree a "
    "lower speed, or move the pit."
)
_JOINS = (
    "{} as well, which joins within taper and buffer; these are drawn along the straightest way "
    "into them: advance works are needed there too."
)
_OPPOSED = (
    "{} as well, from the other end of the work space, in which the way of the traffic changes; "
    "nothing is drawn for it: it needs a buffer, a barrier and a way out there too."
)
TOUCH_M2 = 0.01  # m2 of ground shared that count as lying on it
LACKING = 1.0  # m of taper and buffer that are not worth a word

ENGINEERED = (
    "a registered professional engineer designs the support (29 CFR 1926 Subpart P; other "
    "countries differ)"
)


def report_aslant(pits: pd.DataFrame, ground: Shared) -> None:
    """Report pits that take lanes of a street their main crosses, told by their ground."""
    aslant = np.isfinite(pits["street_begin"].to_numpy(dtype=float))
    rows = pits[aslant & (pits["lanes_taken"].to_numpy() > 0)]
    parallel = angle_text(ground.brief.street.parallel)
    names = rows["pit_id"].to_numpy(dtype=object)
    ground.layers.findings.add_points(
        "info",
        "pit-aslant-in-street",
        [
            f"pit {pit_id} stands on {street or 'a street without a name'}, which its main crosses "
            f"or turns out of at more than street.parallel ({parallel} deg): {count} of its lanes "
            f"{'is' if count == 1 else 'are'} closed and priced, as many as its ground lies across."
            for pit_id, street, count in zip(
                names,
                rows["street_name"].astype(object),
                rows["lanes_taken"].astype(int),
                strict=True,
            )
        ],
        layer="pits",
        features=names,
        xy=rows[["x", "y"]].to_numpy(dtype=float),
    )


def report_cut_closures(closed: Closures, net: StreetNet | None, findings: Findings) -> None:
    """Report closures whose taper and buffer find no room: their street begins, or is a ring.

    Or the street traffic comes along has no lane for them besides those it is to keep.
    """
    closures = closed.table
    rows = closures[closures["lacking"] > LACKING]
    names = rows["closure_id"].to_numpy(dtype=object)
    ended = {} if net is None else _ended(closed, net)
    findings.add_many(
        "warning",
        "closure-cut-short",
        [
            f"closure {name}: {findings.length(lacking, 0)} of its {findings.length(whole, 0)} of "
            f"taper and buffer "
            + (
                _TOO_FEW.format(ended[row], _beside(left))
                if row in ended
                else f"find no room on {street or 'the street'} before the work: plan them in the "
                "streets traffic comes from, or agree a lower speed, or move the pit."
            )
            for row, name, lacking, whole, street, left in zip(
                rows.index,
                names,
                rows["lacking"],
                rows["taper"] + rows["buffer"],
                rows["street"],
                rows["lanes_left"],
                strict=True,
            )
        ],
        layer="closures",
        features=names,
        geometry=shapely.point_on_surface(rows["geometry"].to_numpy(dtype=object)),
    )


def _ended(closed: Closures, net: StreetNet) -> dict[int, str]:
    """Return by row of the closures the street each ends before, as too few lanes were left."""
    names = net.column("name")[closed.ended["line"].to_numpy(dtype=np.int64)]
    rows = closed.ended["closure"].astype(int).tolist()
    return {row: name or UNNAMED for row, name in zip(rows, names, strict=True)}


def _beside(left: int) -> str:
    """Return what lanes traffic keeps beside the work, in words."""
    if left:
        return f"no more lanes than the {left} that {'stays' if left == 1 else 'stay'} open"
    return "no lane besides, of either direction, to be led over to"


def report_joining(closed: Closures, net: StreetNet, findings: Findings) -> None:
    """Report streets besides that traffic comes along into a lane closed, before its taper.

    Or from the other end of its work space, where the street flows otherwise.
    """
    for told, text in ((closed.joining, _JOINS), (closed.opposed, _OPPOSED)):
        rows = closed.table.iloc[told["closure"].to_numpy(dtype=np.int64)]
        names = rows["closure_id"].to_numpy(dtype=object)
        joins = net.column("name")[told["line"].to_numpy(dtype=np.int64)]
        findings.add_points(
            "warning",
            "closure-joined",
            [
                f"closure {name}: traffic comes into the lanes closed on {own or UNNAMED} along "
                + text.format(other or UNNAMED)
                for name, own, other in zip(names, rows["street"], joins, strict=True)
            ],
            layer="closures",
            features=names,
            xy=told[["x", "y"]].to_numpy(dtype=float),
        )


def report_shut(closed: Closures, findings: Findings) -> None:
    """Report stretches of street that no lane is left of: traffic has no way through."""
    shut = closed.shut
    rows = closed.table.iloc[shut["first"].to_numpy(dtype=np.int64)]
    findings.add_many(
        "warning",
        "street-shut",
        [
            f"{'closures' if len(names) > 1 else 'closure'} {' and '.join(names)}: no lane is left "
            f"of {street or UNNAMED} over {findings.length(length, 0)} {between}, "
            f"{working_days(first, last)}, closed for {days:.1f} of them. There is no way through: "
            "plan a diversion for all traffic, and a way to the doors, or move the work."
            for names, between, street, length, days, first, last in zip(
                shut["closures"],
                shut["between"],
                *(
                    rows[name]
                    for name in ("street", "work_length", "days", "first_day", "last_day")
                ),
                strict=True,
            )
        ],
        layer="closures",
        features=rows["closure_id"].to_numpy(dtype=object),
        geometry=shapely.point_on_surface(rows["geometry"].to_numpy(dtype=object)),
    )


def report_met(closed: Closures, ground: Shared, net: StreetNet) -> None:
    """Report closures that lie at intersections: a warning each where one may not be blocked.

    Of the others one finding a pit or pull, and none of a buffer alone.
    """
    met, banned = closed.met, set(map(folded, ground.brief.street.no_block))
    if not len(met):
        return
    closure, line = (met[name].to_numpy(dtype=np.int64) for name in ("closure", "line"))
    names = [name or UNNAMED for name in net.column("name")[line]]
    blocked = np.array([folded(kind) in banned for kind in net.column("class")[line]])
    rows = closed.table.iloc[closure]
    told = met.assign(
        name=rows["closure_id"].to_numpy(dtype=object),
        site=rows["pull_id"].where(rows["pull_id"] != "", rows["pit_id"]).to_numpy(dtype=object),
        said=[f"{name} ({part})" for name, part in zip(names, met["part"], strict=True)],
        kept=np.where(blocked, np.array(names, dtype=object), ""),
    )
    warned = np.isin(closure, closure[blocked])
    none_left = {name for names in closed.shut["closures"] for name in names}
    findings = ground.layers.findings
    _report_met("warning", told[warned].assign(site=told["name"][warned]), none_left, findings)
    work = (told["part"] != BUFFER).to_numpy()
    _report_met("info", told[work & ~warned], none_left, findings)


def _report_met(severity: str, told: pd.DataFrame, none_left: set[str], findings: Findings) -> None:
    """Report streets met, a finding a site; at closures ``none_left`` all traffic is diverted."""
    site, first = pd.factorize(told["site"])
    told = told.assign(group=site).sort_values("group", kind="stable")
    places = told.drop_duplicates(["group", "line", "x", "y"])
    site = told["group"].to_numpy(dtype=np.int64)
    names, said, kept = (_each_once(site, told[c], len(first)) for c in ("name", "said", "kept"))
    findings.add_many(
        severity,
        "closure-at-intersection",
        [
            f"{_lie(own)} at intersections with {listed(streets)}"
            f"{f'; {listed(no)} may not be blocked (street.no_block)' if no else ''}: set up "
            f"advance works in these streets too{_way(none_left.issuperset(own))}, or move the "
            "work."
            for own, streets, no in zip(names, said, kept, strict=True)
        ],
        layer="closures",
        features=np.array([own[0] for own in names], dtype=object),
        geometry=shapely.multipoints(
            shapely.points(places[["x", "y"]].to_numpy(dtype=float)),
            indices=places["group"].to_numpy(dtype=np.int64),
        ),
    )


def _lie(closures: list[str]) -> str:
    """Begin a sentence on closures."""
    if len(closures) == 1:
        return f"closure {closures[0]} lies"
    return f"closures {' and '.join(closures)} lie"


def _way(shut: bool) -> str:
    """Return what to keep at an intersection: where a street is shut all are led elsewhere."""
    return "" if shut else " and keep a way for what turns or crosses there"


def _each_once(group: npt.NDArray[np.int64], words: pd.Series, count: int) -> list[list[str]]:
    """Return by group the words that are not empty, each once, in their order."""
    out: list[dict[str, None]] = [{} for _ in range(count)]
    for k, word in zip(group.tolist(), words, strict=True):
        if word:
            out[k][word] = None
    return [list(found) for found in out]


def report_closures(closures: pd.DataFrame, ground: Shared) -> None:
    """Report closures that reach over a hard place, such as the railway at a level crossing."""
    shapes: npt.NDArray[np.object_] = closures["geometry"].to_numpy(dtype=object)
    avoid, places = ground.layers.avoid, hard_places(ground.layers.avoid)
    if not len(shapes) or avoid is None or not len(places.shapes):
        return
    shape, piece = shapely.STRtree(places.shapes).query(shapes, predicate="intersects")
    met = shapely.intersection(shapes[shape], places.shapes[piece])
    some = shapely.area(met) > TOUCH_M2
    shape, place, met = shape[some], places.of[piece[some]], met[some]
    # of a place in many pieces the first one met stands for it
    _, first = np.unique(np.stack([shape, place]), axis=1, return_index=True)
    first.sort()
    shape, place, met = shape[first], place[first], met[first]
    reasons = avoid.table["reason"].fillna("").to_numpy(dtype=object)
    names = closures["closure_id"].to_numpy(dtype=object)
    ground.layers.findings.add_points(
        "warning",
        "closure-over-place",
        [
            f"closure {names[a]} reaches over a place to avoid ({reasons[b] or 'unnamed'}): "
            "traffic may queue there; agree it with whoever runs it, or move the pit."
            for a, b in zip(shape, place, strict=True)
        ],
        layer="closures",
        features=names[shape],
        xy=shapely.get_coordinates(shapely.point_on_surface(met)),
    )


def shared_pits(pits: pd.DataFrame, prices: Prices) -> pd.DataFrame:
    """Return the pairs of pits that share ground: one hole may serve both.

    Of different runs, or of one run that comes back to where it was, as a ring does.
    ``pit_id`` and ``other``, ``run_id`` (of the first), ``runs`` (how many), ``overlap`` (m2),
    ``saving`` and ``geometry`` (what they share); ``counted`` leaves out pairs whose pits others
    have made one already, the dearest pairs first, so that those counted may be added up.
    """
    ground: npt.NDArray[np.object_] = pits["ground"].to_numpy(dtype=object)
    first, second = shapely.STRtree(ground).query(ground, predicate="intersects")
    run = pits["run"].to_numpy(dtype=np.int64)
    keep = first < second
    order = np.lexsort([second[keep], first[keep]])
    first, second = first[keep][order], second[keep][order]
    met = shapely.intersection(ground[first], ground[second])
    overlap = np.asarray(shapely.area(met), dtype=np.float64)
    wide = overlap > TOUCH_M2
    first, second, met, overlap = first[wide], second[wide], met[wide], overlap[wide]
    saving = shared_saving(pits.iloc[first], pits.iloc[second], overlap, prices)
    names = pits["pit_id"].to_numpy(dtype=object)
    return pd.DataFrame(
        {
            "pit_id": names[first],
            "other": names[second],
            "run_id": pits["run_id"].to_numpy(dtype=object)[first],
            "runs": np.where(run[first] == run[second], 1, 2),
            "overlap": overlap,
            "saving": saving,
            "geometry": met,
            "counted": _joining(first, second, saving),
        }
    )


def _joining(
    first: npt.NDArray[np.int64], second: npt.NDArray[np.int64], saving: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Return the pairs that join what no dearer pair has joined before."""
    of = {int(pit): int(pit) for pit in np.concatenate([first, second])}

    def hole(pit: int) -> int:
        while of[pit] != pit:
            of[pit] = of[of[pit]]
            pit = of[pit]
        return pit

    counted = np.zeros(len(first), dtype=bool)
    for row in np.lexsort([second, first, -saving]).tolist():
        one, two = hole(int(first[row])), hole(int(second[row]))
        counted[row] = one != two
        of[two] = one
    return counted


LEAST_TOLD = 0.1  # m2; a smaller area would be rounded to nothing


def shared_text(area: float, system: str) -> str:
    """Return an area of ground in words, which is never none at all."""
    if area < LEAST_TOLD:
        return f"less than {quantity_text(LEAST_TOLD, 'area', system)}"
    return quantity_text(area, "area", system)


def report_shared(shared: pd.DataFrame, currency: str, findings: Findings) -> None:
    """Report the pairs of `shared_pits`."""
    if not len(shared):
        return
    findings.add_many(
        "info",
        "pits-shared",
        [
            f"pits {row['pit_id']} and {row['other']} {_OF_RUNS[row['runs']]} share "
            f"{shared_text(row['overlap'], findings.system)} of ground: each is counted "
            f"and priced as its own; as one pit they would save about {row['saving']:,.0f} "
            f"{currency} (a set-up, and the shared ground dug and made good once)."
            for row in shared.to_dict("records")
        ],
        layer="pits",
        features=shared["pit_id"].to_numpy(dtype=object),
        geometry=shared["geometry"].to_numpy(dtype=object),
    )


def engineered(depth: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Tell of holes so deep, m, whether an engineer is to design them; of none not known."""
    return needs_engineer(np.clip(np.nan_to_num(depth), 0.0, DEEPEST_M))


def report_deep(pits: pd.DataFrame, brief: Brief, findings: Findings) -> None:
    """Report pits so deep that their sides or support are an engineer's to design."""
    deep = pits[engineered(pits["deepest"].to_numpy(dtype=float))]
    limit = length_text(ENGINEER_DEPTH_M, brief.output.units)
    findings.add_points(
        "warning",
        "engineered-excavation",
        f"deeper than {limit}: {ENGINEERED}",
        layer="pits",
        features=deep["pit_id"].to_numpy(dtype=object),
        xy=deep[["x", "y"]].to_numpy(dtype=float),
    )
