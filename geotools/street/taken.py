"""What strings as they lie take of their streets: stretch by stretch, lanes and edges."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray, firsts
from geotools.street.alike import Alike
from geotools.street.lanes import Carriageway, Passage, approaches, lanes_between
from geotools.street.net import NUMBERS, StreetNet

__all__ = ["least_half", "string_stretches", "unbroken"]

LITTLE = 1.0  # m; streets whose widths differ by no more are as wide, where a closure goes on
TOUCH = 1e-6  # m


def string_stretches(
    pulls: pd.DataFrame, strings: pd.DataFrame, alike: Alike, passage: Passage
) -> pd.DataFrame:
    """Return the stretches of street that the strings of every pull take lanes of.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``street_chain``, ``street_name``, ``lay_at`` (m along the chain),
        ``lay_forward``, ``outside`` (m); other columns are left as they are.
    strings : DataFrame
        ``pull_id``, ``off`` (m left of the centreline), ``end_at`` (m along the chain, not a
        number off the streets).
    alike : Alike
    passage : Passage

    Returns
    -------
    DataFrame
        A row for every pull and street that is not as the one before, in the order strings come
        to them: the pull's, with the columns of that street, ``edge_low`` and ``edge_high`` (m
        left of the chain), ``work_low`` and ``work_high`` (m along it), ``lanes_taken``.
    """
    place = pd.Series(np.arange(len(pulls)), index=pulls["pull_id"])
    strings = strings[np.isfinite(strings["end_at"].to_numpy(dtype=float))]
    pull = place.loc[strings["pull_id"]].to_numpy(dtype=np.int64)
    own = {c: pulls[c].to_numpy()[pull] for c in ("street_chain", "lay_at", "outside")}
    chain, begin = own["street_chain"].astype(np.int64), own["lay_at"].astype(float)
    end = strings["end_at"].to_numpy(dtype=float)
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    row, street = alike.within(chain, low, high)
    first, last = _ends(row)
    low = np.where(first, low[row], alike.places.at[street])
    high = np.where(last, high[row], alike.end[street])
    off = strings["off"].to_numpy(dtype=float)[row]
    half = own["outside"].astype(float)[row] / 2
    extremes = pd.DataFrame(
        {
            "pull": pull[row],
            "street": street,
            "edge_low": off - half,
            "edge_high": off + half,
            "work_low": low,
            "work_high": high,
        }
    ).groupby(["pull", "street"], as_index=False, sort=True)
    how = {"edge_low": "min", "edge_high": "max", "work_low": "min", "work_high": "max"}
    return _with_lanes(pulls, extremes.agg(how), alike, passage)


def _with_lanes(
    pulls: pd.DataFrame, parts: pd.DataFrame, alike: Alike, passage: Passage
) -> pd.DataFrame:
    """Return the rows that take lanes, with their pull's columns and those of their street."""
    street = parts["street"].to_numpy(dtype=np.int64)
    rows = pulls.iloc[parts["pull"].to_numpy(dtype=np.int64)].reset_index(drop=True)
    says = {f"street_{name}": alike.number(name, street) for name in NUMBERS}
    forward = rows["lay_forward"].to_numpy(dtype=bool)
    begin = rows["lay_at"].to_numpy(dtype=float)
    work = [parts[c].to_numpy(dtype=float) for c in ("work_low", "work_high")]
    near = np.where(forward, *work)
    at_pit = np.abs(near - begin) == 0.0
    name = np.where(
        at_pit, rows["street_name"].to_numpy(dtype=object), _name(rows, alike.net, work)
    )
    edges = [parts[c].to_numpy(dtype=float) for c in ("edge_low", "edge_high")]
    taken = lanes_between(edges[0], edges[1], Carriageway.of(pd.DataFrame(says)), passage)
    table = rows.assign(
        **says,
        street_name=name,
        street_class=alike.text("class", street),
        edge_low=edges[0],
        edge_high=edges[1],
        work_low=work[0],
        work_high=work[1],
        lanes_taken=taken,
    )
    order = np.lexsort([np.where(forward, near, -near), parts["pull"].to_numpy(dtype=np.int64)])
    return table.iloc[order[taken[order] > 0]].reset_index(drop=True)


def _name(rows: pd.DataFrame, net: StreetNet, work: list[FloatArray]) -> npt.NDArray[np.object_]:
    """Return the names of the streets in the middle of stretches."""
    chain = rows["street_chain"].to_numpy(dtype=np.int64)
    line = net.line_at(chain, (work[0] + work[1]) / 2)
    return np.asarray(net.column("name")[line], dtype=object)


def _ends(row: IntArray) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return which entries are the first and the last of their row."""
    change = row[1:] != row[:-1]
    return np.append(np.ones(min(len(row), 1), dtype=bool), change), np.append(
        change, np.ones(min(len(row), 1), dtype=bool)
    )


def unbroken(spaces: pd.DataFrame, net: StreetNet, passage: Passage) -> pd.DataFrame:
    """Return the stretches of `string_stretches`, one for those that close a lane on and on.

    Tapers and buffer belong at the outer ends of a lane that is closed unbroken. So stretches one
    behind the other become one where the same lanes are closed, and left, of streets that differ
    in nothing but a little in width; it is as wide as the widest of them, and the strings keep to
    the lanes they are told to take there. Its name is that of the street at the pit, or in its
    middle.

    Parameters
    ----------
    spaces : DataFrame
    net : StreetNet
    passage : Passage
    """
    group = _joined(spaces, passage)
    whole = _as_one(spaces, group, net)
    starts = np.flatnonzero(firsts(group)) if len(group) else group
    other = (_closing(whole, passage) != _closing(spaces, passage)[starts]).any(axis=1)
    apart = other[group]
    kept: pd.DataFrame = pd.concat([whole[~other], spaces[apart]])
    order = np.argsort(np.concatenate([starts[~other], np.flatnonzero(apart)]))
    return kept.iloc[order].reset_index(drop=True)


def _joined(spaces: pd.DataFrame, passage: Passage) -> IntArray:
    """Return a number for every stretch, that of the one before where it goes on as that does."""
    if not len(spaces):
        return np.zeros(0, dtype=np.int64)
    same = np.ones(len(spaces) - 1, dtype=bool)
    alike = ["pull_id", "street_chain", "street_class", *(f"street_{n}" for n in NUMBERS)]
    for column in (spaces[name].to_numpy() for name in alike if name != "street_width"):
        same &= column[1:] == column[:-1]
    same &= (np.diff(_closing(spaces, passage), axis=0) == 0).all(axis=1)
    low, high = (spaces[name].to_numpy(dtype=float) for name in ("work_low", "work_high"))
    forward = spaces["lay_forward"].to_numpy(dtype=bool)
    near, far = np.where(forward, [low, high], [high, low])
    same &= np.abs(near[1:] - far[:-1]) <= TOUCH
    width, begins = spaces["street_width"].to_numpy(dtype=float), np.append(True, ~same)
    least = most = width[0]
    for row in np.flatnonzero(~begins).tolist():
        if begins[row - 1]:
            least = most = width[row - 1]
        least, most = min(least, width[row]), max(most, width[row])
        begins[row] = most - least > LITTLE
    return np.asarray(np.cumsum(begins) - 1, dtype=np.int64)


def _as_one(spaces: pd.DataFrame, group: IntArray, net: StreetNet) -> pd.DataFrame:
    """Return one stretch for those of each group."""
    rows = spaces.reset_index(drop=True).groupby(group, sort=True)
    how = {"edge_low": "min", "edge_high": "max", "work_low": "min", "work_high": "max"}
    out = rows.head(1).reset_index(drop=True)
    out = out.assign(**{c: rows[c].agg(w) for c, w in {**how, "street_width": "max"}.items()})
    work = [out[c].to_numpy(dtype=float) for c in ("work_low", "work_high")]
    near = np.where(out["lay_forward"].to_numpy(dtype=bool), *work)
    own = (near == out["lay_at"].to_numpy(dtype=float)) | (rows.size().to_numpy() == 1)
    names = np.where(own, out["street_name"].to_numpy(dtype=object), _name(out, net, work))
    named: pd.DataFrame = out.assign(street_name=names)
    return named


def _closing(spaces: pd.DataFrame, passage: Passage) -> IntArray:
    """Return for each stretch which lanes of either half are closed, how many, and how many left.

    Columns: lanes closed, lanes left, and whether those by the middle are closed.
    """
    halves = approaches(
        spaces["edge_low"].to_numpy(dtype=float),
        spaces["edge_high"].to_numpy(dtype=float),
        Carriageway.of(spaces),
        passage,
    )
    columns = [(h.closed, h.left, (h.closed > 0) & h.from_middle) for h in halves]
    return np.stack([c for half in columns for c in half], axis=1).astype(np.int64)


def least_half(
    alike: Alike, chain: IntArray, begin: FloatArray, end: FloatArray, verge: float
) -> FloatArray:
    """Return half the width of carriageway and verge where a part of a chain is narrowest, m."""
    if not len(chain):
        return np.zeros(0)
    row, street = alike.within(chain, np.minimum(begin, end), np.maximum(begin, end))
    half = alike.number("width", street) / 2 + verge
    return np.minimum.reduceat(half, np.flatnonzero(_ends(row)[0]))
