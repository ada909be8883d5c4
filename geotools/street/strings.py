"""The strings of every pull, laid out along the street behind its insertion pit."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.ragged import FloatArray, IntArray
from geotools.street.net import StreetNet
from geotools.street.strips import strip

__all__ = ["lay_strings", "string_pieces"]


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
    *,
    gap: float,
    piece: float,
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
    gap : float
        Room between strings laid side by side, m.
    piece : float
        Length of a pipe before fusing, m.

    Returns
    -------
    DataFrame
        Contract columns of ``strings`` and ``geometry``.
    """
    rows = []
    tree = shapely.STRtree(obstacles)
    for pull in pulls.to_dict("records"):
        shares = string_pieces(int(pull["joints"]) + 1, int(pull["strings"]))
        lengths = _lengths(shares, float(pull["length"]), piece)
        places = _sides(pull, len(shares), gap)
        for number, (length, pieces) in enumerate(zip(lengths, shares, strict=True)):
            lanes = [_lane(pull, net, float(length), off) for off in places]
            clear = [k for k, lane in enumerate(lanes) if not len(tree.query(lane, "intersects"))]
            taken = clear[0] if clear else 0
            places = np.delete(places, taken)
            rows.append(
                {
                    "string_id": f"{pull['pull_id']}-S{number + 1}",
                    "pull_id": pull["pull_id"],
                    "run_id": pull["run_id"],
                    "number": number + 1,
                    "length": float(length),
                    "street": pull["street_name"],
                    "joints": int(pieces) - 1,
                    "geometry": shapely.MultiPolygon([lanes[taken]]),
                }
            )
    columns = ["string_id", "pull_id", "run_id", "number", "length", "street", "joints", "geometry"]
    return pd.DataFrame(rows, columns=columns)


def _sides(pull: dict[Any, Any], count: int, gap: float) -> FloatArray:
    """Return how far off the centreline strings may lie, the best first: in line with the pit.

    The others lie beside it, towards the verge while there is room, then towards the middle and
    over to the other side.
    """
    own = float(pull["street_offset"]) if int(pull["street_chain"]) >= 0 else 0.0
    step = float(pull["outside"]) + gap
    side = -1.0 if own < 0 else 1.0
    half = float(pull["lay_width"])
    known = np.isfinite(half)
    out = max(int((half - abs(own)) / step), 0) if known else count
    back = max(int((half + abs(own)) / step), count - out - 1) if known else count
    order = [own + side * step * k for k in range(out + 1)]
    return np.array([*order, *(own - side * step * (k + 1) for k in range(back))])


def _lane(
    pull: dict[Any, Any], net: StreetNet | None, length: float, off: float
) -> shapely.Polygon:
    half = float(pull["outside"]) / 2
    chain = int(pull["street_chain"])
    if net is not None and chain >= 0:
        start = float(pull["lay_at"])
        end = start + length if pull["lay_forward"] else start - length
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
