"""Streets that a stretch of street meets: at the intersections on it, and at the next ones."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.places import on_measures
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.arms import NODE, Nodes

__all__ = ["BUFFER", "END", "MET", "UNNAMED", "names_at", "next_streets", "streets_met"]

MET = ["closure", "line", "part", "x", "y"]
BUFFER = "buffer"
PARTS = ["work space", BUFFER, "taper", "downstream taper"]
OVER = 0.05  # m of an intersection that a closure may lie over without a word

UNNAMED = "a street without a name"
END = "its end"


def names_at(nodes: Nodes, visit: IntArray) -> list[list[str]]:
    """Return for each visit to an intersection the names of the other streets there, in order.

    One of the street's own name is told where there is no other.
    """
    row, arm = nodes.others(visit)
    names = nodes.net.column("name")
    met: list[set[str]] = [set() for _ in visit]
    for k, name in zip(row.tolist(), names[nodes.arms.line[arm]], strict=True):
        met[k].add(name or UNNAMED)
    own = names[nodes.net.line_at(nodes.chain[visit], nodes.visits.at[visit])]
    return [sorted(found - {name} or found) for found, name in zip(met, own, strict=True)]


def next_streets(nodes: Nodes, chain: IntArray, low: FloatArray, high: FloatArray) -> list[str]:
    """Return in words between which streets stretches of chains lie, or ends of their own."""
    places = nodes.visits
    before = places.search(chain, low, "left") - 1
    behind = places.search(chain, high, "right")
    found = [
        _named(nodes, np.where(there, row, -1))
        for row, there in (
            (before, before >= places.offsets[chain]),
            (behind, behind < places.offsets[chain + 1]),
        )
    ]
    return [_between(*ends) for ends in zip(*found, strict=True)]


def _between(one: str, other: str) -> str:
    """Return in words that something lies between two streets, the same from either side."""
    if one == other == END:
        return "from end to end"
    first, second = sorted([one, other], key=lambda name: (name == END, name))
    return f"between {first} and {second}"


def _named(nodes: Nodes, visit: IntArray) -> list[str]:
    """Return the streets at visits in words, `END` where there is none (-1)."""
    names = iter(names_at(nodes, visit[visit >= 0]))
    return ["/".join(next(names)) if row >= 0 else END for row in visit.tolist()]


def streets_met(nodes: Nodes, ways: pd.DataFrame, closures: pd.DataFrame) -> pd.DataFrame:
    """Return the other streets at whose intersections closures lie.

    An intersection reaches along the street as far as the other is wide there. Where all that
    meet bear the name of the street closed it is none: a street that becomes two carriageways.

    Parameters
    ----------
    nodes : Nodes
    ways : DataFrame
        Stretches of street that closures lie along, in the order of their traffic: ``closure``
        (row), ``chain``, ``begin`` and ``end`` (m along it), ``start`` (m from the begin of the
        work to that of the stretch), ``whole`` (it is all of the closure).
    closures : DataFrame
        ``street``, its name; ``work_length``, ``buffer``, ``taper``, ``lacking``, m.

    Returns
    -------
    DataFrame
        ``closure``, ``line`` (row of the other street), ``part`` (what of the closure lies there),
        ``x``, ``y`` (where they meet).
    """
    width = nodes.net.column("width")
    begin, end, start = (ways[name].to_numpy(dtype=float) for name in ("begin", "end", "start"))
    chain, closure = (ways[name].to_numpy(dtype=np.int64) for name in ("chain", "closure"))
    whole = ways["whole"].to_numpy(dtype=bool)
    far = np.where(whole, width.max(initial=0.0) / 2, 0.0)
    row, visit = nodes.between(chain, np.minimum(begin, end) - far, np.maximum(begin, end) + far)
    pair, arm = nodes.others(visit)
    row, visit, line = row[pair], visit[pair], nodes.arms.line[arm]
    at = np.where(end >= begin, 1.0, -1.0)[row] * (nodes.visits.at[visit] - begin[row])
    half = width[line] / 2
    over = ~whole[row] | ((at + half > OVER) & (at - half < np.abs(end - begin)[row] - OVER))
    over &= ~_of_way(nodes, ways, closure[row], arm)
    row, visit, line, at, half = (column[over] for column in (row, visit, line, at, half))
    xy = on_measures(
        nodes.net.chains.xy, nodes.net.places, nodes.chain[visit], nodes.visits.at[visit]
    )
    table = pd.DataFrame(
        {
            "closure": closure[row],
            "line": line,
            "part": _parts(start[row] + at, half, closures.iloc[closure[row]]),
            "x": xy[:, 0],
            "y": xy[:, 1],
            "at": start[row] + at,
            "node": nodes.node[visit],
        }
    )
    return _others(table, nodes.net.column("name"), closures)


def _of_way(nodes: Nodes, ways: pd.DataFrame, closure: IntArray, arm: IntArray) -> BoolArray:
    """Return which arms met by closures are of stretches of street they lie along themselves.

    Where a street goes round and ends in itself the rest of its chain is another street. A ring
    is taken whole.
    """
    ends = ways[["begin", "end"]].to_numpy(dtype=float)
    ring = np.isfinite(nodes.net.lap[ways["chain"].to_numpy(dtype=np.int64)])
    own = pd.DataFrame(
        {
            "closure": ways["closure"],
            "chain": ways["chain"],
            "low": np.where(ring, -np.inf, ends.min(axis=1) - NODE),
            "high": np.where(ring, np.inf, ends.max(axis=1) + NODE),
        }
    )
    met = pd.DataFrame({"closure": closure, "chain": nodes.arms.chain[arm]}).reset_index()
    both = met.merge(own, on=["closure", "chain"])
    row = both["index"].to_numpy(dtype=np.int64)
    at = nodes.arms.at[arm[row]]
    out = np.zeros(len(arm), dtype=np.bool_)
    out[row[(at >= both["low"].to_numpy()) & (at <= both["high"].to_numpy())]] = True
    return out


def _parts(at: FloatArray, half: FloatArray, closures: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Return which part of a closure lies at an intersection so far past the begin of its work.

    Of buffer and taper the taper, where there is one.
    """
    work, buffer, taper, lacking = (
        closures[name].to_numpy(dtype=float)
        for name in ("work_length", "buffer", "taper", "lacking")
    )
    merges = (at - half < -buffer - OVER) & (taper - lacking > OVER)
    part = np.select([at - half >= work, at + half > 0, merges], [3, 0, 2], default=1)
    return np.asarray(np.array(PARTS, dtype=object)[part], dtype=object)


def _others(
    table: pd.DataFrame, names: npt.NDArray[np.object_], closures: pd.DataFrame
) -> pd.DataFrame:
    """Return the streets met once at each intersection, as traffic comes to them, but for forks."""
    own = closures["street"].to_numpy(dtype=object)[table["closure"].to_numpy(dtype=np.int64)]
    name = names[table["line"].to_numpy(dtype=np.int64)]
    table = table.assign(name=name)[(name != own) | (own == "")]
    table = table.sort_values(["closure", "at", "name", "line"], kind="stable")
    table = table.drop_duplicates(["closure", "node", "name"])
    return table[MET].reset_index(drop=True)
