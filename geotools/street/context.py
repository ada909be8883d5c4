"""The street of a place: the nearest centreline that runs roughly along the main."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geotools.network.ragged import FloatArray, IntArray
from geotools.street.net import StreetNet

__all__ = ["STREET_COLUMNS", "street_context"]

STREET_COLUMNS: dict[str, type] = {
    "street_chain": int,
    "street_at": float,
    "street_offset": float,
    "street_same": bool,
    "street_before": float,
    "street_after": float,
    "street_class": str,
    "street_name": str,
    "street_lanes": float,
    "street_width": float,
    "street_speed": float,
    "street_oneway": float,
}
_NUMBERS = ("lanes", "width", "speed", "oneway")
TIE = 1e-6  # m; streets whose distances differ by no more are equally near


def street_context(
    net: StreetNet, xy: FloatArray, heading: FloatArray, *, reach: float, parallel: float
) -> pd.DataFrame:
    """Find the street of every place.

    Parameters
    ----------
    net : StreetNet
    xy, heading : ndarray, shape (n, 2)
        Places on mains and unit vectors along the main there.
    reach : float
        A centreline farther away is not its street, m.
    parallel : float
        A centreline at a wider angle to the main crosses it and is not its street, rad.

    Returns
    -------
    DataFrame
        Columns of `STREET_COLUMNS`: the chain (-1: no street) and chainage along it (m), offset
        (m, left of the chain positive), whether the chain runs the way the main does, distance
        along the street back and on to the next intersections (m, infinite where none), and what
        the centreline says.
    """
    table = _nearest(net, xy, heading, reach, parallel).reindex(np.arange(len(xy)))
    known = table["chain"].notna().to_numpy()
    chains = table["chain"].fillna(-1).to_numpy(dtype=np.int64)
    at = table["at"].fillna(0.0).to_numpy(dtype=float)
    before, after = _next_crossings(net, np.maximum(chains, 0), at)
    context = pd.DataFrame(
        {
            "chain": chains,
            "at": at,
            "offset": table["offset"].to_numpy(dtype=float),
            "same": np.where(known, table["same"].eq(True).to_numpy(), True),
            "before": np.where(known, before, np.inf),
            "after": np.where(known, after, np.inf),
        }
    )
    whole = context.join(_attributes(net, chains, at, known)).add_prefix("street_")
    return whole[list(STREET_COLUMNS)]


def _nearest(
    net: StreetNet, xy: FloatArray, heading: FloatArray, reach: float, parallel: float
) -> pd.DataFrame:
    """Return chain, chainage, offset and sense of the street of each place that has one."""
    first, chain = net.segments.first, net.segments.chain
    place, segment = net.segments.tree.query(
        shapely.points(xy), predicate="dwithin", distance=reach
    )
    start, end = net.chains.xy[first[segment]], net.chains.xy[first[segment] + 1]
    along = end - start
    size = np.maximum(np.hypot(*along.T), 1e-12)
    unit = along / size[:, None]
    rel = xy[place] - start
    position = np.clip((rel * unit).sum(axis=1), 0.0, size)
    gap = np.hypot(*(rel - unit * position[:, None]).T)
    cosine = (heading[place] * unit).sum(axis=1)
    side = unit[:, 0] * rel[:, 1] - unit[:, 1] * rel[:, 0]
    fits = np.abs(cosine) >= np.cos(parallel)
    rows = pd.DataFrame(
        {
            "place": place,
            "chain": chain[segment],
            "at": net.places.at[first[segment]] + position,
            "offset": np.sign(side) * gap,
            "gap": gap,
            "same": cosine >= 0,
            "x": (start[:, 0] + end[:, 0]) / 2,
            "y": (start[:, 1] + end[:, 1]) / 2,
        }
    )[fits]
    nearest = rows[rows["gap"] <= rows.groupby("place")["gap"].transform("min") + TIE]
    return _first_of(net, nearest)


def _first_of(net: StreetNet, rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row of each place, by what does not hang on how the streets are listed or drawn.

    Of streets equally near the wider one counts, then the one of more lanes, the faster one, the
    first by class and by name; at last the segment whose middle lies farther west, then south.
    """
    tied = rows["place"].duplicated(keep=False).to_numpy()
    chain, at = (rows[name].to_numpy()[tied] for name in ("chain", "at"))
    told = _attributes(net, chain, at, np.ones(len(at), dtype=bool))
    order = {name: -told[name].to_numpy() for name in ("width", "lanes", "speed")}
    order |= {name: told[name].to_numpy() for name in ("class", "name")}
    order |= {name: rows[name].to_numpy()[tied].round(3) for name in ("x", "y")}
    keys = pd.DataFrame(
        {"place": rows["place"].to_numpy()[tied], **order, "chain": chain, "at": at}
    )
    first = keys.sort_values(list(keys.columns)).drop_duplicates("place").index.to_numpy()
    kept = np.concatenate([np.flatnonzero(~tied), np.flatnonzero(tied)[first]])
    table: pd.DataFrame = rows.iloc[np.sort(kept)].set_index("place")
    return table[["chain", "at", "offset", "same"]]


def _next_crossings(
    net: StreetNet, chain: IntArray, at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return distances along the chain back and on to the next intersections."""
    places, crossed = net.crossed, net.crossed.at
    if not len(crossed):
        return np.full(len(at), np.inf), np.full(len(at), np.inf)
    on = places.search(chain, at, "left")
    back = on - 1
    after = np.where(
        on < places.offsets[chain + 1], crossed[np.minimum(on, len(crossed) - 1)] - at, np.inf
    )
    before = np.where(back >= places.offsets[chain], at - crossed[np.maximum(back, 0)], np.inf)
    return before, after


def _attributes(
    net: StreetNet,
    chain: IntArray,
    at: FloatArray,
    known: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> pd.DataFrame:
    line = net.line_at(np.maximum(chain, 0), at) if len(net.chains) else np.zeros_like(chain)
    rows = net.table.iloc[line].reset_index(drop=True)
    # Told by the chain, which may go against the line as drawn.
    turned = np.where(net.reversed_at(np.maximum(chain, 0), at), -1.0, 1.0)
    rows = rows.assign(oneway=rows["oneway"] * turned)
    numbers = {name: np.where(known, rows[name], np.nan) for name in _NUMBERS}
    texts = {name: np.where(known, rows[name], "") for name in ("class", "name")}
    return pd.DataFrame({**texts, **numbers})
