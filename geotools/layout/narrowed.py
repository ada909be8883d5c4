"""Lanes left open beside pits, where they are narrower than drawn or dug into: findings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.layout.shared import Shared
from geotools.network.ragged import BoolArray, FloatArray
from geotools.schema import length_text
from geotools.street.lanes import Carriageway, Passage
from geotools.street.narrowed import LaneBeside, lanes_beside
from geotools.street.net import StreetNet

__all__ = ["report_narrowed"]

Words = npt.NDArray[np.object_]


def report_narrowed(
    pits: pd.DataFrame, along: FloatArray, across: FloatArray, ground: Shared
) -> BoolArray:
    """Report pits past which lanes stay open that are narrower than drawn, or that they dig up.

    Returns which are told to dig up open lanes.

    Parameters
    ----------
    pits : DataFrame
        Those in streets.
    along, across : ndarray, shape (k, 2)
        From where to where their ground lies along the chain and left of it, m.
    ground : Shared
    """
    if ground.scene is None:
        return np.zeros(len(pits), dtype=bool)
    net, rules = ground.scene.net, ground.brief.street
    length = net.lengths[pits["street_chain"].to_numpy(dtype=np.int64)]
    on = (along[:, 1] > 0.0) & (along[:, 0] < length)  # past its end a street has no lanes
    way, passage = Carriageway.of(pits), Passage.of(rules)
    sides = lanes_beside(across[:, 0], across[:, 1], way, passage)
    ways, system = _ways(pits, net, keep_right=rules.keep_right), ground.brief.output.units
    _tell(
        pits,
        [on & one.narrowed for one in sides],
        [_left(one, way, system) for one, way in zip(sides, ways, strict=True)],
        ("info", "lanes-narrowed", "leaves"),
        f", as street.least_lane_share ({passage.share:g}) allows: hold that against the traffic "
        "there.",
        ground,
    )
    dug = [on & one.dug_into for one in sides]
    _tell(
        pits,
        dug,
        [_dug(one, way, system) for one, way in zip(sides, ways, strict=True)],
        ("warning", "pit-in-open-lane", "reaches"),
        ": shift the lanes past it, or close one, which is not priced.",
        ground,
    )
    return np.asarray(dug[0] | dug[1], dtype=np.bool_)


def _ways(pits: pd.DataFrame, net: StreetNet, *, keep_right: bool) -> tuple[Words, Words]:
    """Say how traffic goes right and left of the chain by each pit, to its street as drawn."""
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    turned = net.reversed_at(chain, pits["street_at"].to_numpy(dtype=float))
    oneway = pits["street_oneway"].to_numpy(dtype=float)
    right, left = (
        np.where(np.where(oneway != 0, oneway > 0, keeps) != turned, "along", "against")
        for keeps in (keep_right, not keep_right)
    )
    return right.astype(object), left.astype(object)


def _left(one: LaneBeside, way: Words, system: str) -> list[str]:
    """Say how wide pits leave the lanes of one direction."""
    return [
        f"{_lanes(int(left))} for traffic {goes} the street as drawn "
        f"{length_text(float(wide), system, 2)} wide, not {length_text(float(drawn), system, 2)}"
        for left, goes, wide, drawn in zip(one.left, way, one.wide, one.drawn, strict=True)
    ]


def _dug(one: LaneBeside, way: Words, system: str) -> list[str]:
    """Say how far pits reach into the lanes of one direction."""
    return [
        f"{length_text(float(dug), system, 2)} into {_lanes(int(left))} for traffic {goes} the "
        "street as drawn, none of which is closed"
        for dug, left, goes in zip(one.dug, one.left, way, strict=True)
    ]


def _lanes(count: int) -> str:
    return f"{count} {'lane' if count == 1 else 'lanes'}"


def _tell(
    pits: pd.DataFrame,
    where: list[BoolArray],
    texts: list[list[str]],
    told: tuple[str, str, str],
    advice: str,
    ground: Shared,
) -> None:
    """Add a finding on every pit of which either side is told; on both sides in order of words."""
    severity, rule, does = told
    rows = np.flatnonzero(where[0] | where[1])
    names = pits["pit_id"].to_numpy(dtype=object)[rows]
    streets = pits["street_name"].astype(object).to_numpy()[rows]
    said = [
        " and ".join(sorted(text[k] for text, on in zip(texts, where, strict=True) if on[k]))
        for k in rows.tolist()
    ]
    ground.layers.findings.add_points(
        severity,
        rule,
        [
            f"pit {name} on {street or 'a street without a name'} {does} {one}{advice}"
            for name, street, one in zip(names, streets, said, strict=True)
        ],
        layer="pits",
        features=names,
        xy=pits[["x", "y"]].to_numpy(dtype=float)[rows],
    )
