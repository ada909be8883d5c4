"""Disagreed: what fittings on record say of bends, and the drawing does not bear out."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.columns import Layers, Points
from geotools.network.places import points_along
from geotools.network.ragged import FloatArray, IntArray
from geotools.network.runs import Chains
from geotools.schema import angle_text

__all__ = ["ANGLE_DOUBT", "report_angles", "report_cut", "report_gainsaid", "too_sharp"]

ROUNDING = 1e-6  # rad
ANGLE_DOUBT = np.radians(10.0)  # a fitting record that far from the drawing is worth a look
IN_RADIANS = 0.1  # share of a turn by which a record in radians may be off: judgement, no source


def report_angles(
    bends: pd.DataFrame,
    records: pd.DataFrame,
    chains: Chains,
    table: pd.DataFrame,
    layers: Layers,
    least_angle: float,
) -> None:
    """Report what fittings on record say of bends that the drawing does not bear out."""
    on_record = bends["record"] >= 0
    doubt = on_record & _far_off(bends)
    # Levels of long mains tell a turn better than the few vertices of a corner do.
    short = (bends["rise"] >= least_angle) & (bends["drawn"] - bends["deflection"] >= least_angle)
    doubt |= on_record & (short | (bends["raised"] >= least_angle))
    partly = on_record & (bends["rest"] >= least_angle)
    doubled = bends["doubled"] > 0
    for severity, rule, chosen, text in (
        ("warning", "bend-angle-disagrees", doubt, _disagrees),
        ("info", "bend-partly-on-record", partly, _partly),
        ("warning", "fitting-recorded-twice", doubled, _twice),
    ):
        rows = bends[chosen.to_numpy()]
        run, at = rows["run"].to_numpy(dtype=np.int64), rows["chainage"].to_numpy(dtype=float)
        names = table["run_id"].to_numpy(dtype=object)[run]
        layers.findings.add_points(
            severity,
            rule,
            [
                f"run {name} at {layers.findings.length(c)}: {text(bend)}"
                for name, c, bend in zip(names, at, rows.to_dict("records"), strict=True)
            ],
            layer="fittings",
            features=_names_at(layers.fittings, records, rows["record"].to_numpy(dtype=np.int64)),
            xy=points_along(chains.xy, chains.offsets, run, at),
        )


def report_cut(sharp: pd.DataFrame, records: pd.DataFrame, chains: Chains, layers: Layers) -> None:
    """Report runs cut at bends that are so sharp by the record alone."""
    rows = sharp[(sharp["record"] >= 0) & _far_off(sharp)]
    layers.findings.add_points(
        "warning",
        "bend-angle-disagrees",
        [_disagrees(bend, cut=True) for bend in rows.to_dict("records")],
        layer="fittings",
        features=_names_at(layers.fittings, records, rows["record"].to_numpy(dtype=np.int64)),
        xy=_places(chains, rows),
    )


def too_sharp(bend: dict[Hashable, Any]) -> str:
    """Say how far a main turns where its run is cut, and if it does so by a record alone."""
    turns = f"turns {angle_text(bend['deflection'])} deg"
    if bend["record"] < 0 or not _far_off(bend):
        return f"{turns}, more than network.max_turn"
    return (
        f"{turns} by what is on record of fittings there, more than network.max_turn (the drawing "
        f"turns {angle_text(bend['drawn'])} deg)"
    )


def report_gainsaid(denied: pd.DataFrame, chains: Chains, layers: Layers) -> None:
    """Report fittings that are no bend by their angle, where the drawing shows one.

    ``denied`` as `gainsaid_fittings` returns them.
    """
    rows = denied.drop_duplicates("point").sort_values("point", kind="stable")
    layers.findings.add_points(
        "warning",
        "bend-angle-disagrees",
        [_gainsaid(angle, drawn) for angle, drawn in rows[["angle", "drawn"]].to_numpy().tolist()],
        layer="fittings",
        features=_names_at(layers.fittings, rows, np.arange(len(rows))),
        xy=_places(chains, rows),
    )


def _gainsaid(angle: float, drawn: float) -> str:
    radians = abs(math.degrees(angle) - drawn) <= IN_RADIANS * drawn
    return (
        f"the fitting is on record with {angle_text(angle)} deg, which is no bend "
        f"(bends.least_angle), and the drawing turns {angle_text(drawn)} deg there; the drawing is "
        f"used.{' The angle on record may be in radians.' if radians else ''} Check the fitting on "
        "site, and correct the angle or the drawing."
    )


def _far_off(bends: Any) -> Any:
    """Tell which bends the drawing does not bear out."""
    return np.abs(bends["angle"] - bends["covered"]) > ANGLE_DOUBT


def _places(chains: Chains, rows: pd.DataFrame) -> FloatArray:
    run, at = rows["run"].to_numpy(dtype=np.int64), rows["chainage"].to_numpy(dtype=float)
    return points_along(chains.xy, chains.offsets, run, at)


def _disagrees(bend: dict[Hashable, Any], *, cut: bool = False) -> str:
    drawn, inner = angle_text(bend["covered"]), ""
    ends = ", and a run ends there" if cut else ""
    turned = np.pi - bend["angle"]  # if the record is the angle between the two pipes
    if bend["angle"] > np.pi / 2 and abs(turned - bend["covered"]) <= ANGLE_DOUBT:
        inner = (
            f" It may be the inner angle, between the two pipes: then the main turns 180 deg less "
            f"it, {angle_text(turned)} deg, which is what should be on record."
        )
    if bend["records"] > 1:
        return (
            f"fittings are on record with {angle_text(bend['angle'])} deg together, the drawing "
            f"turns {drawn} deg there; {_taken(bend, 'the records are used')}{ends}.{inner} Check "
            "the fittings on site."
        )
    return (
        f"the fitting is on record with {angle_text(bend['angle'])} deg, the drawing turns "
        f"{drawn} deg; {_taken(bend, 'the record is used')}{ends}.{inner} Check the fitting on "
        "site."
    )


def _taken(bend: dict[Hashable, Any], record: str) -> str:
    """Return what is used of a bend: the records, or what levels are sure of in their place."""
    if bend["raised"] <= 0:
        return record
    sure = f"levels are sure of {angle_text(bend['held'])} deg in the vertical"
    said = bend["held"] - bend["raised"]  # on record where levels are surer
    if bend["angle"] - said > ROUNDING:
        sure += f", more than the {angle_text(said)} deg on record there"
    return f"{sure}, which are used"


def _partly(bend: dict[Hashable, Any]) -> str:
    steep = bend["rest_grade"] > 0
    where = "in the drawing and the levels alone" if steep else "in the drawing alone"
    plain = min(bend["angle"] + bend["raised"] + bend["rest"], np.pi)
    added = "are added"
    if abs(plain - bend["deflection"]) > ROUNDING:
        added += " as in space"  # what turns in plan and what in the vertical, at right angles
    surer = ""
    if bend["raised"] > 0:
        surer = f", levels are sure of {angle_text(bend['raised'])} deg more there"
    return (
        f"fittings on record make {angle_text(bend['angle'])} deg of this bend{surer}; "
        f"{angle_text(bend['rest'])} deg more are {where} and {added}, "
        f"{angle_text(bend['deflection'])} deg in all. Put the fittings there on record, or "
        "correct the angle."
    )


def _twice(bend: dict[Hashable, Any]) -> str:
    return (
        "fittings on record lie at one point, where the drawing does not turn as far as all of "
        f"them; the sharpest is used and {bend['doubled']} left out. Delete what is double, or "
        "move it to where it lies."
    )


def _names_at(
    fittings: Points | None, records: pd.DataFrame, rows: IntArray
) -> npt.NDArray[np.object_]:
    """Return the names of the fittings of these rows of the records."""
    if fittings is None:
        return np.full(len(rows), "", dtype=object)
    point = records["point"].to_numpy(dtype=np.int64)[rows]
    return np.asarray(fittings.table["feature"].to_numpy(dtype=object)[point], dtype=object)
