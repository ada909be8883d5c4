"""Strings on the carriageway of streets they do not lie along: findings."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import in_threads
from geotools.layout.shared import Shared
from geotools.lists import listed
from geotools.network.places import on_measures
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, spread_out
from geotools.schema import quantity_text
from geotools.street.lanes import TOUCH
from geotools.street.net import StreetNet
from geotools.street.others import Own, roads_near

__all__ = ["report_on_other_streets"]

LEAST_M2 = 0.01  # of carriageway that count as lain on
ACROSS = 2.0  # widths of a street; a string that takes more of it lies along it. Common practice
FORKED = (
    4.0  # widths of ground in common where two carriageways part at 10 degrees. Common practice
)
NAMED = 6  # streets told of one string
_NO_LANE = "none of whose lanes is closed or priced for it"
_PLATE = "plate or bridge {}, or name the class in street.no_block, where strings stop"
_MOVE = (
    "move or forbid its pit (pit_edits), lead it round by hand, or plan and price the traffic of "
    "the street too"
)


class _Met(NamedTuple):
    """Strings on other streets: rows sorted by string, a street each; what `_met` finds."""

    string: IntArray
    name: npt.NDArray[np.object_]
    kind: npt.NDArray[np.object_]
    area: npt.NDArray[np.float64]
    across: BoolArray
    shape: npt.NDArray[np.object_]


def report_on_other_streets(strings: pd.DataFrame, laid: pd.DataFrame, ground: Shared) -> None:
    """Report, a finding a string, the streets on whose carriageway it lies and is not laid along.

    A string closes lanes of the street it lies along alone: the mouths of side streets, a lane of
    an avenue beside a service road and the other carriageway of a street it takes besides.

    Parameters
    ----------
    strings : DataFrame
        ``string_id``, ``pull_id``, ``street``, ``geometry``.
    laid : DataFrame
        ``pull_id``, ``street_chain``, ``outside`` (m), ``first_day``, ``last_day``.
    ground : Shared
    """
    if ground.scene is None or not len(strings):
        return
    pull = laid.iloc[pd.Index(laid["pull_id"]).get_indexer(strings["pull_id"])]
    shapes = strings["geometry"].to_numpy(dtype=object)
    named = strings["street"].to_numpy(dtype=object)
    met = _met(ground.scene.net, shapes, named, pull, strings["length"].to_numpy(dtype=float))
    first, count = np.unique(met.string, return_index=True, return_counts=True)[1:]
    for along in (True, False):
        told = [
            slice(low, low + many)
            for low, many in zip(first.tolist(), count.tolist(), strict=True)
            if along != met.across[low : low + many].all()
        ]
        rows = met.string[[one.start for one in told]]
        days = pull[["first_day", "last_day"]].to_numpy(dtype=float)[rows]
        ground.layers.findings.add_many(
            "warning" if along else "info",
            "string-on-other-street",
            [
                f"string {name} lies {_own(street, chain)} on {_streets(met, one, ground)}, "
                f"{_NO_LANE}, from day {begin:.1f} to day {end:.1f} of its run: "
                f"{_advice(met.across[one])}."
                for one, name, street, chain, (begin, end) in zip(
                    told,
                    strings["string_id"].iloc[rows],
                    strings["street"].iloc[rows],
                    pull["street_chain"].iloc[rows],
                    days,
                    strict=True,
                )
            ],
            layer="strings",
            features=strings["string_id"].to_numpy(dtype=object)[rows],
            geometry=[_united(met.shape[one]) for one in told],
        )


def _met(
    net: StreetNet,
    shapes: npt.NDArray[np.object_],
    named: npt.NDArray[np.object_],
    pull: pd.DataFrame,
    length: FloatArray,
) -> _Met:
    """Find the streets that strings of pulls lie on and not along, of each the largest part first.

    ``named`` are the streets they lie along, ``length`` how far, m. Of one that goes across it is
    told whether it meets that one; of several places on one street each is across. Where a street
    becomes two of its name they have their ground in common.
    """
    own = pull["street_chain"].to_numpy(dtype=np.int64)
    begin = pull["lay_at"].to_numpy(dtype=float)
    end = begin + np.where(pull["lay_forward"].to_numpy(dtype=bool), length, -length)
    along = Own(own, np.minimum(begin, end), np.maximum(begin, end))
    rows = _lain_on(net, shapes, along)
    string, chain = (rows[name].to_numpy(dtype=np.int64) for name in ("string", "chain"))
    shape, name = (rows[column].to_numpy(dtype=object) for column in ("shape", "name"))
    width = rows["width"].to_numpy(dtype=float)
    once = width * pull["outside"].to_numpy(dtype=float)[string]
    nodes = _common_nodes(net, own[string], chain)
    forks = np.where((name == named[string]) & (name != ""), nodes, shapely.MultiPoint())
    shape, largest = _but_forks(shape, forks, width, FORKED * once)
    area = shapely.area(shape)
    across = (largest <= ACROSS * once) & ~shapely.is_empty(nodes)
    order = np.lexsort([np.arange(len(rows)), -area.round(3), across, string])
    order = order[area[order] > LEAST_M2]
    kind = rows["kind"].to_numpy(dtype=object)
    return _Met(*(column[order] for column in (string, name, kind, area, across, shape)))


def _lain_on(net: StreetNet, shapes: npt.NDArray[np.object_], own: Own) -> pd.DataFrame:
    """Return the streets besides their own that strings lie on, with their width, and where."""
    roads = roads_near(net, shapes, own, touch=TOUCH)
    both = in_threads(shapely.intersection, shapes[roads.ground], roads.shape)
    kept = shapely.area(both) > LEAST_M2
    rows = pd.DataFrame(
        {
            "string": roads.ground[kept],
            "name": net.column("name")[roads.line[kept]],
            "kind": net.column("class")[roads.line[kept]],
            "chain": roads.chain[kept],
            "width": net.column("width")[roads.line[kept]],
            "shape": both[kept],
        }
    )
    by = ["string", "name", "kind", "chain"]
    rows = rows.sort_values(by, ignore_index=True)
    first = np.flatnonzero(firsts(*(rows[name].to_numpy() for name in by)))
    once, shape = rows.iloc[first], rows["shape"].to_numpy(dtype=object)
    parts = np.split(shape, first[1:])
    return once.assign(
        width=np.maximum.reduceat(rows["width"].to_numpy(dtype=float), first),
        shape=np.fromiter((_united(each) for each in parts), dtype=object, count=len(once)),
    )


def _united(parts: npt.NDArray[np.object_]) -> Any:
    """Return shapes as one; most of what is asked for is of one part."""
    return parts[0] if len(parts) == 1 else shapely.union_all(parts)


def _but_forks(
    shape: npt.NDArray[np.object_],
    forks: npt.NDArray[np.object_],
    width: FloatArray,
    most: FloatArray,
) -> tuple[npt.NDArray[np.object_], FloatArray]:
    """Return places on streets but for parts at forks no larger than most, and the largest area.

    Parts at a fork come nearer to it than the street is wide.
    """
    part, row = shapely.get_parts(shape, return_index=True)
    area = shapely.area(part)
    fork = (shapely.distance(part, forks[row]) <= width[row]) & (area <= most[row])
    largest = np.zeros(len(shape))
    np.maximum.at(largest, row[~fork], area[~fork])
    left = shape.copy()
    for k in np.unique(row[fork]).tolist():
        own = slice(*np.searchsorted(row, [k, k + 1]))
        left[k] = shapely.union_all(part[own][~fork[own]])
    return left, largest


def _common_nodes(net: StreetNet, own: IntArray, other: IntArray) -> npt.NDArray[np.object_]:
    """Return for pairs of chains the intersections they meet at, as one geometry each.

    A chain meets itself where it comes by an intersection twice.
    """
    crossed = net.connections[net.connections["run"].isin(np.concatenate([own, other]))]
    run, node = (crossed[name].to_numpy(dtype=np.int64) for name in ("run", "node"))
    xy = on_measures(net.chains.xy, net.places, run, crossed["chainage"].to_numpy(dtype=float))
    order = np.lexsort([node, run])
    run, node, xy = run[order], node[order], xy[order]
    begin, end = (np.searchsorted(run, own, side) for side in ("left", "right"))
    pair, step = spread_out(end - begin)
    met = begin[pair] + step
    key = pd.MultiIndex.from_arrays([run, node])
    both = pd.MultiIndex.from_arrays([other[pair], node[met]]).isin(key)
    both &= (own != other)[pair] | key.duplicated(keep=False)[met]
    nodes = np.full(len(own), shapely.MultiPoint(), dtype=object)
    shapely.multipoints(xy[met[both]], indices=pair[both], out=nodes)
    return nodes


def _own(street: str, chain: int) -> str:
    if chain < 0:
        return "straight back from its pit"
    return f"along {street or 'a street without a name'} and"


def _streets(met: _Met, one: slice, ground: Shared) -> str:
    """Return the streets a string lies on in words."""
    system = ground.layers.findings.system
    each = [
        f"{name or 'a street without a name'} ({kind}; {quantity_text(area, 'area', system)})"
        for name, kind, area in zip(met.name[one], met.kind[one], met.area[one], strict=True)
    ]
    return f"the carriageway of {listed(each, most=NAMED)}"


def _advice(across: BoolArray) -> str:
    """Say what to do of a string that lies on such streets: across each, or along."""
    plate = _PLATE.format("the crossing" if across.sum() == 1 else "the crossings")
    if across.all():
        return plate
    return f"{_MOVE}; {plate}" if across.any() else _MOVE
