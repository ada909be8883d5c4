"""The strings of every pull, laid out along the street behind its insertion pit."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.ragged import FloatArray, IntArray
from geotools.street.abreast import string_places
from geotools.street.net import StreetNet
from geotools.street.offsets import offset_end
from geotools.street.strips import strip

__all__ = ["lay_strings", "string_pieces"]

NONE: npt.NDArray[np.object_] = np.zeros(0, dtype=object)
EDGE = 1e-6  # m
COLUMNS = [
    "string_id",
    "pull_id",
    "run_id",
    "number",
    "length",
    "street",
    "joints",
    "beyond",
    "off",
    "end_at",
    "geometry",
]


def string_pieces(pieces: int, strings: int) -> IntArray:
    """Share the pipes of a pull out evenly over its strings."""
    base, rest = divmod(pieces, strings)
    return np.array([base + (k < rest) for k in range(strings)], dtype=np.int64)


def _lengths(shares: IntArray, length: float, piece: float) -> FloatArray:
    """Return string lengths, m: whole pipes, the last cut to the length of the pull."""
    whole = shares * piece
    return np.append(whole[:-1], length - whole[:-1].sum())


def lay_strings(
    pulls: pd.DataFrame,
    net: StreetNet | None,
    obstacles: npt.NDArray[np.object_],
    soft: npt.NDArray[np.object_] = NONE,
    *,
    gap: float,
    piece: float,
    over_middle: bool = True,
) -> pd.DataFrame:
    """Lay out the strings of all pulls.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``run_id``, ``length`` (m), ``joints``, ``strings``, ``outside`` (m), and of
        the insertion pit: ``street_chain``, ``street_offset``, ``street_name``, ``lay_at`` (m
        along the chain, top of the ramp), ``lay_forward``, ``lay_width`` (m, half the width of
        carriageway and verge), ``top_x``, ``top_y``, ``lay_dx``, ``lay_dy``.
    net : StreetNet, optional
    obstacles : ndarray of polygons
        Hard places to avoid: a string is led past them where the street is wide enough.
    soft : ndarray of polygons, optional
        Places better left free: a string is led past them too, if that meets no hard place.
    gap : float
        Room between strings laid side by side, m.
    piece : float
        Length of a pipe before fusing, m.
    over_middle : bool
        Whether strings may lie over the middle of the street and beyond it.

    Returns
    -------
    DataFrame
        Contract columns of ``strings`` and ``geometry``; ``beyond``, whether the string lies
        over the middle of the street or beyond its verge: ``""``, ``middle`` or ``verge``; and
        ``off``, how far left of the centreline it lies, and ``end_at``, where it ends along the
        chain, m.
    """
    rows = []
    trees = shapely.STRtree(obstacles), shapely.STRtree(soft)
    for pull in pulls.to_dict("records"):
        shares = string_pieces(int(pull["joints"]) + 1, int(pull["strings"]))
        lengths = _lengths(shares, float(pull["length"]), piece)
        places = _sides(pull, len(shares), gap, over_middle=over_middle)
        for number, (length, pieces) in enumerate(zip(lengths, shares, strict=True)):
            taken, lane = _clear(pull, net, float(length), places, trees)
            off, places = places[taken], np.delete(places, taken)
            rows.append(
                {
                    "string_id": f"{pull['pull_id']}-S{number + 1}",
                    "pull_id": pull["pull_id"],
                    "run_id": pull["run_id"],
                    "number": number + 1,
                    "length": float(length),
                    "street": pull["street_name"],
                    "joints": int(pieces) - 1,
                    "beyond": _beyond(pull, float(off)),
                    "off": float(off),
                    "end_at": _end(pull, net, float(length), float(off)),
                    "geometry": shapely.MultiPolygon([lane]),
                }
            )
    return pd.DataFrame(rows, columns=COLUMNS)


def _clear(
    pull: dict[Any, Any],
    net: StreetNet | None,
    length: float,
    places: FloatArray,
    trees: tuple[shapely.STRtree, shapely.STRtree],
) -> tuple[int, shapely.Polygon]:
    """Return the first place where a string meets nothing, else no hard place, else the first."""
    spare: tuple[int, shapely.Polygon] | None = None
    for k, off in enumerate(places):
        lane = _lane(pull, net, length, float(off))
        hard, soft = (len(tree.query(lane, "intersects")) for tree in trees)
        if not hard and not soft:
            return k, lane
        if not hard and spare is None:
            spare = k, lane
    return spare if spare is not None else (0, _lane(pull, net, length, float(places[0])))


def _beyond(pull: dict[Any, Any], off: float) -> str:
    """Say whether a string lies beyond the verge, or over the middle away from its pit's side."""
    half, own = float(pull["lay_width"]), float(pull["street_offset"])
    if int(pull["street_chain"]) < 0 or not np.isfinite(half):
        return ""
    edge = float(pull["outside"]) / 2
    if abs(off) + edge > half + EDGE and abs(off) > abs(own):
        return "verge"
    side = -1.0 if own < 0 else 1.0
    return "middle" if side * off + edge < 0 else ""


def _sides(pull: dict[Any, Any], count: int, gap: float, *, over_middle: bool) -> FloatArray:
    """Return how far off the centreline strings may lie, the best first; at least so many.

    A plan has no more strings than there are places (`string_places`); more would lie on beyond.
    """
    on = int(pull["street_chain"]) >= 0
    half, outside = float(pull["lay_width"]), float(pull["outside"])
    known, step = on and np.isfinite(half), outside + gap
    most = int(2 * half / step) + 2 if known else count
    own = float(pull["street_offset"]) if on else 0.0
    (row,) = string_places(
        [own], [half if known else np.inf], [outside], gap=gap, count=most, over_middle=over_middle
    )
    places = row[np.isfinite(row)]
    side = -1.0 if own < 0 else 1.0
    last = (side * places).min(initial=abs(own))
    more = last - step * (1 + np.arange(max(count - len(places), 0)))
    return np.concatenate([places, side * more])


def _end(pull: dict[Any, Any], net: StreetNet | None, length: float, off: float) -> float:
    """Return the chainage along its street a string ends at, m; not-a-number off the streets."""
    chain = int(pull["street_chain"])
    if net is None or chain < 0:
        return float("nan")
    forward = bool(pull["lay_forward"])
    return offset_end(net, chain, float(pull["lay_at"]), off, length, forward=forward)


def _lane(
    pull: dict[Any, Any], net: StreetNet | None, length: float, off: float
) -> shapely.Polygon:
    half = float(pull["outside"]) / 2
    chain = int(pull["street_chain"])
    if net is not None and chain >= 0:
        start, end = float(pull["lay_at"]), _end(pull, net, length, off)
        corners = np.array(
            [[start, off - half], [end, off - half], [end, off + half], [start, off + half]]
        )
        shape = strip(net, chain, corners)
        return shape if shape.geom_type == "Polygon" else shapely.convex_hull(shape)
    top = np.array([pull["top_x"], pull["top_y"]], dtype=float)
    heading = np.array([pull["lay_dx"], pull["lay_dy"]], dtype=float)
    across = np.array([-heading[1], heading[0]])
    near, far = top + across * off, top + across * off + heading * length
    return shapely.Polygon(
        [near - across * half, far - across * half, far + across * half, near + across * half]
    )
