"""Bends: where a run turns, told from the wiggles of the drawing.

The axis is thinned within the survey accuracy (Douglas and Peucker 1973) and turning angles are
taken with atan2. A fitting on record with an angle stands for what the drawing turns there. A
chain of even, gentle turns the same way is a curve with a radius, however finely it is drawn; of
the other turns those closer than a few host diameters are gathered into one bend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.curves import EXACT, as_curves
from geotools.network.gathered import gathered
from geotools.network.places import Places
from geotools.network.ragged import FloatArray
from geotools.network.recorded import gainsaid, match_fittings
from geotools.network.redrawn import CurveRules, redraw, taken_to
from geotools.network.thinned import ALIKE, Thinned, inner_vertices, turns_of

__all__ = ["LEFT", "RIGHT", "BendRules", "find_bends", "gainsaid_fittings"]

LEFT, RIGHT = "left", "right"


@dataclass(frozen=True)
class BendRules:
    """How the drawing is read; angles rad, lengths m; the settings of the brief's ``bends``."""

    accuracy: float
    gather: float
    least_angle: float
    curve_angle: float
    fitting_radius: float


def find_bends(
    thinned: Thinned,
    diameter: FloatArray,
    fittings: pd.DataFrame,
    rises: pd.DataFrame,
    rules: BendRules,
    *,
    fine: Thinned | None = None,
) -> pd.DataFrame:
    """Find the bends of all runs.

    Parameters
    ----------
    thinned : Thinned
    diameter : ndarray, shape (runs,)
        Host diameter, m.
    fittings : DataFrame
        Bend fittings with an angle on record: ``run``, ``chainage`` (m), ``angle`` (rad).
    rises : DataFrame
        Breaks of grade where mains with inverts join: ``run``, ``chainage`` (m), ``rise`` (rad,
        the angle turned in the vertical) and, where it is less, ``sure`` (rad, what it is at the
        least, whatever the levels are off by).
    rules : BendRules
    fine : Thinned, optional
        The axes thinned `FINER`, from which arcs get back what they are read by.

    Returns
    -------
    DataFrame
        One row a bend in order along the runs: ``run``, ``chainage`` (m), ``first`` and ``last``
        (where turning begins and ends, m), ``deflection`` (rad), ``drawn`` (rad, as the drawing
        has it), ``turn`` (rad, of it in plan, to the left above 0), ``sense`` (`LEFT`, `RIGHT` or
        neither), ``kind``, ``angle_source``, ``axis_radius`` (m), ``record`` (the first row of
        ``fittings`` that says so, -1 where none does), ``angle`` (rad, on record), ``covered``
        (rad, of what is drawn there what the record stands for), ``raised`` (rad, by which levels
        are surer of more than the record), ``held`` (rad, what levels are sure of where that is
        more than the record), ``records`` (turns that have one), ``rest`` (rad, turned besides by
        the drawing and the levels alone), ``rest_grade`` (rad, of it in the vertical), ``rise``
        (rad, drawn in the vertical) and ``doubled`` (records that were counted once with others
        at their point).
    """
    curves = _curves(diameter, rules)
    turns = _with_rises(_turns(thinned, fine, curves), rises)
    turns = match_fittings(turns, fittings, reach=_reach(curves), slight=rules.least_angle)
    curve = curves.of(turns)
    fitted = gathered(turns, curve >= 0, curves.near)
    radius = rules.fitting_radius * diameter[fitted["run"].to_numpy(dtype=np.int64)]
    found = [
        fitted.assign(axis_radius=radius, kind="fitting"),
        as_curves(turns, curve),
    ]
    bends = pd.concat([table for table in found if len(table)] or found[:1], ignore_index=True)
    bends = bends[bends["deflection"] >= rules.least_angle - EXACT]
    source = np.where(bends["record"] >= 0, "fitting record", "drawing")
    bends = bends.assign(angle_source=source, sense=_senses(bends))
    bends = bends.sort_values(["run", "chainage"], kind="stable")
    return bends.reset_index(drop=True)


def _senses(bends: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Return the side each bend turns to along its run; none where it mostly turns up or down.

    Nor where the drawing turns to both sides there, or not at all.
    """
    turn, drawn = (bends[name].to_numpy(dtype=float) for name in ("turn", "drawn"))
    sideways = np.abs(turn) > drawn * np.sin(np.pi / 4)
    return np.where(sideways, np.where(turn > 0, LEFT, RIGHT), "").astype(object)


def gainsaid_fittings(
    thinned: Thinned,
    diameter: FloatArray,
    fittings: pd.DataFrame,
    rises: pd.DataFrame,
    rules: BendRules,
    *,
    fine: Thinned | None = None,
    doubt: float,
) -> pd.DataFrame:
    """Find fittings on record below the least angle where the drawing shows a bend.

    They would take the bend away. Parameters as of `find_bends`, ``doubt`` and what is returned
    as of `gainsaid`.
    """
    if not (fittings["angle"] < rules.least_angle - EXACT).any():
        return fittings.iloc[:0].assign(drawn=0.0)
    curves = _curves(diameter, rules)
    turns = _with_rises(_turns(thinned, fine, curves), rises)
    reach, least = _reach(curves), rules.least_angle - EXACT
    return gainsaid(turns, fittings, reach=reach, slight=least, doubt=doubt)


def _curves(diameter: FloatArray, rules: BendRules) -> CurveRules:
    near = rules.gather * diameter + EXACT  # what is just so far apart is near wherever it lies
    return CurveRules(near, diameter, rules.accuracy, rules.curve_angle, rules.least_angle)


def _reach(curves: CurveRules) -> FloatArray:
    """Return how far from a vertex a fitting may lie that is of it, m."""
    return np.asarray(curves.near + 2 * curves.accuracy, dtype=np.float64)


def _turns(thinned: Thinned, fine: Thinned | None, rules: CurveRules) -> pd.DataFrame:
    """Return the turns of the axes, arcs redrawn where a finer drawing is given."""
    drawn, redrawn = thinned, np.zeros(len(thinned.xy), dtype=bool)
    if fine is not None:
        drawn, redrawn = redraw(thinned, fine, rules)
    accuracy = taken_to(redrawn[inner_vertices(drawn)], rules.accuracy)
    return turns_of(drawn).assign(accuracy=accuracy)


def _with_rises(turns: pd.DataFrame, rises: pd.DataFrame) -> pd.DataFrame:
    """Add the turns in the vertical to those in plan, and where each begins and ends."""
    rises = rises.assign(sure=rises["sure"] if "sure" in rises else rises["rise"])
    added, apart = np.zeros((len(turns), 2)), np.ones(len(rises), dtype=bool)
    if len(turns) and len(rises):
        runs = int(max(turns["run"].max(), rises["run"].max())) + 1
        places = Places.of(turns["run"].to_numpy(), turns["chainage"].to_numpy(), runs)
        row, gap = places.nearest(
            rises["run"].to_numpy(dtype=np.int64), rises["chainage"].to_numpy(dtype=float)
        )
        apart = gap > ALIKE
        levels = rises[["rise", "sure"]].to_numpy(dtype=float)
        np.add.at(added, row[~apart], levels[~apart])
    turns = turns.assign(rise=added[:, 0], sure=added[:, 1])
    if apart.any():
        alone = rises.loc[apart, ["run", "chainage", "rise", "sure"]].assign(
            turn=0.0, before=0.0, after=0.0, accuracy=0.0
        )
        turns = pd.concat([turns, alone], ignore_index=True) if len(turns) else alone
        turns = turns.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)
    at = turns["chainage"]
    return turns.assign(first=at, last=at, size=turns["turn"].abs())
