"""Fit, pits and bends: printed and worked values; the bend formula against a geometric search."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.optimize import brentq
from shapely.affinity import translate

from geotools.pipe.bending import (
    bending_strain,
    cold_factor,
    least_radius_m,
    passing_radius_m,
    permanent_radius_m,
)
from geotools.pipe.catalogue import carrier
from geotools.pipe.fit import fit
from geotools.pipe.pits import (
    insertion_length_m,
    pit_width_m,
    steepest_angle_rad,
    straight_approach_m,
)
from geotools.pipe.ranges import RangeError

INCH = 0.0254
FOOT = 0.3048


@pytest.mark.parametrize(
    ("host_mm", "outside_mm", "worked_percent", "share_passes", "gap_passes"),
    [
        # Shares worked by hand. Rules: share of bore, PPI Handbook ch. 11, AWWA M28, ASTM F585,
        # from memory;
        # radial gap of 10 mm: PE100+ Association guide.
        (24.02 * 25.4, 21.60 * 25.4, 10.1, True, True),
        (610, 560, 8.2, False, True),
        (610, 500, 18.0, True, True),
    ],
)
def test_clearance_rules_give_the_worked_verdicts(
    host_mm: float, outside_mm: float, worked_percent: float, share_passes: bool, gap_passes: bool
) -> None:
    share = fit(host_mm / 1e3, outside_mm / 1e3)
    gap = fit(host_mm / 1e3, outside_mm / 1e3, rule="radial_gap")
    assert float(share.share) * 100 == pytest.approx(worked_percent, abs=0.05)
    assert bool(share.passes) is share_passes
    assert bool(gap.passes) is gap_passes


def test_two_inches_are_enough_in_hosts_above_24_inches() -> None:
    """PPI Handbook ch. 11, AWWA M28, ASTM F585, from memory: 2 in in all, whatever the share."""
    wide = fit(30.0 * INCH, 28.0 * INCH, rule="share_or_total")
    assert float(wide.required_m) / INCH == pytest.approx(2.0, abs=1e-9)
    assert bool(wide.passes)
    assert not bool(fit(30.0 * INCH, 28.0 * INCH).passes)  # 6.7 % of the bore
    # below 24 in the share holds on, as it does where it asks for less than 2 in
    narrow = fit(20.0 * INCH, 18.1 * INCH, rule="share_or_total")
    assert float(narrow.required_m) / INCH == pytest.approx(2.0, abs=1e-9)
    assert not bool(narrow.passes)


@pytest.mark.parametrize(
    ("drop", "radius", "form", "worked"),
    [
        # worked by hand from the derived formulas; the attribution to handbooks is from memory.
        # feet: H 12, R 50 x 24 in = 100 ft
        (12.0, 100.0, "lifted", 47.50), (12.0, 100.0, "level", 68.23),
        # metres: H 3, OD 0.6553
        (3.0, 17.69, "lifted", 9.86), (3.0, 17.69, "level", 14.26),
        (3.0, 65.53, "lifted", 19.60), (3.0, 65.53, "level", 27.88),
        (3.0, 163.83, "lifted", 31.21), (3.0, 163.83, "level", 44.24),
        (3.0, 196.60, "lifted", 34.21), (3.0, 196.60, "level", 48.48),
    ],
)  # fmt: skip
def test_insertion_length_is_the_worked_one(
    drop: float, radius: float, form: str, worked: float
) -> None:
    ours = insertion_length_m(drop, radius, form=form)
    assert ours == pytest.approx(worked, abs=0.00501)


def test_the_straight_approach_is_the_handbook_s_and_of_the_size_of_the_arcs() -> None:
    """PPI Handbook ch. 11, from memory: slope 2.5 to 1 (1.5 at least), bench of 12 diameters.

    Worked here: 20 in DIPS, 10 ft down: 2.5 x 10 + 12 x 1.8 = 46.6 ft. The arcs of DR 17 ask for
    42.9 ft (checks of the end-to-end example): the rule of thumb is a little longer.
    """
    ours = straight_approach_m(10 * FOOT, 21.6 * INCH) / FOOT
    assert ours == pytest.approx(46.6, abs=1e-9)
    arcs = insertion_length_m(10 * FOOT, 27 * 21.6 * INCH, form="level") / FOOT
    assert arcs < ours < 1.2 * arcs
    with pytest.raises(RangeError, match="slope"):
        straight_approach_m(3.0, 0.5, slope=1.4)


@pytest.mark.parametrize(("radius", "worked"), [(17.69, 33.9), (163.83, 11.0)])
def test_exit_angle_is_the_worked_one(radius: float, worked: float) -> None:
    ours = np.rad2deg(steepest_angle_rad(3.0, radius, form="lifted"))
    assert ours == pytest.approx(worked, abs=0.05)


def test_two_arcs_are_longer_than_one_by_the_root_of_two_for_shallow_pits() -> None:
    one = insertion_length_m(0.001, 100.0, form="lifted")
    two = insertion_length_m(0.001, 100.0, form="level")
    assert two / one == pytest.approx(np.sqrt(2), rel=1e-5)


@pytest.mark.parametrize(
    ("outside_in", "room_in"), [(8, 12), (18, 12), (20, 18), (48, 18), (54, 24)]
)
def test_pit_width_takes_the_handbook_room(outside_in: float, room_in: float) -> None:
    """Weak memory of handbook tables; confirm."""
    ours = float(pit_width_m(outside_in * INCH)) / INCH
    assert ours == pytest.approx(outside_in + room_in, abs=1e-6)


@pytest.mark.parametrize(
    ("dr", "printed"),
    [
        # PPI Handbook ch. 7 and M55, from memory; DR 11 = 25 in the PPI sheet of July 2015
        (7, 20), (7.3, 20), (9, 20), (11, 25), (13.5, 25), (17, 27), (21, 27), (26, 34),
        (32.5, 42), (41, 52),
    ],
)  # fmt: skip
def test_polyethylene_radius_over_outside_diameter(dr: float, printed: float) -> None:
    assert least_radius_m("PE4710", dr, 0.5) / 0.5 == pytest.approx(printed, abs=1e-9)
    with_fitting = least_radius_m("PE4710", dr, 0.5, fitting_in_bend=True)
    assert with_fitting / 0.5 == pytest.approx(100, abs=1e-9)


def test_radius_of_8_inch_ips_dr_11() -> None:
    # 25 x 8.625 in = 215.6 in = 17.97 ft
    pipe = carrier(system="IPS", nominal="8 in", material="PE4710", dr=11)
    ours = float(least_radius_m(pipe.material, pipe.dr, pipe.outside_m))
    assert ours / INCH == pytest.approx(215.6, abs=0.05)
    assert ours / FOOT == pytest.approx(17.97, abs=0.005)


def test_radius_of_24_inch_pvc() -> None:
    # E OD/(2 Sb), 800 psi: 250 x 25.8/12 = 537.5 ft = 163.8 m. AWWA M23/C605, from memory
    pipe = carrier(system="DIPS", nominal="24 in", material="PVC", dr=18)
    ours = float(least_radius_m(pipe.material, pipe.dr, pipe.outside_m))
    assert ours / FOOT == pytest.approx(537.5, abs=0.05)
    assert ours == pytest.approx(163.8, abs=0.05)
    # Pipe data of a maker of fused PVC, note 8: 250 times the outside diameter, which includes a
    # safety of 2.5 on bending (Uni-Bell Handbook)
    lasting = float(permanent_radius_m(pipe.material, pipe.dr, pipe.outside_m))
    assert lasting / pipe.outside_m == pytest.approx(250, abs=1e-9)


@pytest.mark.parametrize(("ratio", "percent"), [(27, 1.85), (100, 0.5), (250, 0.2)])
def test_fibre_strain(ratio: float, percent: float) -> None:
    assert float(bending_strain(0.5, ratio * 0.5)) * 100 == pytest.approx(percent, abs=0.005)


def test_cold_polyethylene_needs_two_and_a_half_times_the_radius_at_freezing() -> None:
    # "2.5 at 0 C is common", weak memory; PVC: many owners use 300 for 250 outside diameters
    assert cold_factor("PE4710", 0.0) == pytest.approx(2.5)
    assert cold_factor("PVC", 0.0) == pytest.approx(300 / 250)


# --- the bend formula against a search for the widest arc -------------------------------------


def _arc(turn: float, radius: float, offset: float) -> shapely.LineString:
    """Carrier axis: leg, arc, leg; its straight legs lie `offset` outside the host's axes."""
    half = turn / 2
    # host axis: corner at the origin, legs going down left and down right of the bisector (+y out)
    corner_y = offset / np.cos(half)
    centre = np.array([0.0, corner_y - radius / np.cos(half)])
    angles = np.linspace(np.pi / 2 + half, np.pi / 2 - half, 4001)
    arc = centre + radius * np.column_stack([np.cos(angles), np.sin(angles)])
    left = arc[0] - 3 * np.array([np.cos(half), np.sin(half)])
    right = arc[-1] + 3 * np.array([np.cos(half), -np.sin(half)])
    return shapely.LineString(np.vstack([left, arc, right]))


def _inner_distance(line: shapely.LineString, wall: shapely.Geometry) -> float:
    return float(shapely.distance(line, wall))


def _legs(half: float, corner: tuple[float, float]) -> shapely.LineString:
    x, y = corner
    reach = 60.0
    return shapely.LineString(
        [
            (x - reach * np.cos(half), y - reach * np.sin(half)),
            (x, y),
            (x + reach * np.cos(half), y - reach * np.sin(half)),
        ]
    )


def _below(line: shapely.LineString) -> shapely.Polygon:
    """The solid on the inner side of the bend, bounded by the inner wall."""
    x, y = shapely.get_coordinates(line)[[0, -1], 0], -200.0
    return shapely.Polygon([*line.coords, (x[1], y), (x[0], y)])


def _widest(turn: float, clearance: float, gap_of: object) -> float:
    """Largest radius whose arc, hugging the outer wall on both legs, still clears the inner."""
    assert callable(gap_of)
    return float(brentq(lambda r: gap_of(_arc(turn, r, clearance / 2)), 0.05, 400.0, xtol=1e-9))


@pytest.mark.parametrize("degrees", [11.25, 22.5, 45.0, 60.0, 90.0])
@pytest.mark.parametrize(("bore", "outside"), [(0.610, 0.549), (0.310, 0.200)])
def test_mitre_formula_is_the_widest_arc_on_the_safe_side(
    degrees: float, bore: float, outside: float
) -> None:
    """The search moves a real pipe of `outside` through two real walls with sharp corners.

    The true widest radius is the formula's plus half the outside diameter (the round carrier
    rolls round the sharp inner corner): a gap known in closed form, and left out on purpose.
    """
    turn, clearance = np.deg2rad(degrees), bore - outside
    half = turn / 2
    solid = _below(_legs(half, (0.0, -bore / 2 / np.cos(half))))
    searched = _widest(turn, clearance, lambda line: _inner_distance(line, solid) - outside / 2)
    formula = float(passing_radius_m(turn, clearance))
    assert formula <= searched
    assert searched == pytest.approx(formula + outside / 2, rel=2e-4)


@pytest.mark.parametrize("degrees", [11.25, 22.5, 45.0, 90.0])
@pytest.mark.parametrize("axis_over_bore", [1.0, 1.5, 3.0, 10.0])
def test_radiused_bend_formula_is_the_widest_arc(degrees: float, axis_over_bore: float) -> None:
    """The inner wall is an arc of radius Rh - D/2, drawn as a polygon; the gap is its chords."""
    bore, outside = 0.610, 0.549
    turn, clearance = np.deg2rad(degrees), bore - outside
    half, axis = turn / 2, axis_over_bore * bore
    centre_y = -axis / np.cos(half)
    angles = np.linspace(np.pi / 2 + half, np.pi / 2 - half, 4001)
    inner = axis - bore / 2
    wall = np.column_stack([inner * np.cos(angles), centre_y + inner * np.sin(angles)])
    ahead = 60.0 * np.array([np.cos(half), -np.sin(half)])
    back = 60.0 * np.array([-np.cos(half), -np.sin(half)])
    line = shapely.LineString(np.vstack([wall[0] + back, wall, wall[-1] + ahead]))
    solid = _below(line)
    searched = _widest(turn, clearance, lambda arc: _inner_distance(arc, solid) - outside / 2)
    formula = float(passing_radius_m(turn, clearance, axis_radius_m=axis))
    assert searched == pytest.approx(formula, rel=2e-4)


@pytest.mark.parametrize("degrees", [22.5, 45.0, 90.0])
def test_no_other_arc_beats_the_one_that_hugs_the_outer_wall(degrees: float) -> None:
    """Brute force over offsets of the legs and shifts off the bisector: none is wider."""
    bore, outside = 0.610, 0.549
    turn, clearance = np.deg2rad(degrees), bore - outside
    half = turn / 2
    solid = _below(_legs(half, (0.0, -bore / 2 / np.cos(half))))
    outer = _legs(half, (0.0, bore / 2 / np.cos(half)))
    widest = float(passing_radius_m(turn, clearance)) + outside / 2
    wider = 1.02 * widest
    for offset in np.linspace(-clearance / 2, clearance / 2, 9):
        for shift in np.linspace(-clearance, clearance, 9):
            line = translate(_arc(turn, wider, float(offset)), xoff=float(shift))
            inside = min(_inner_distance(line, solid), _inner_distance(line, outer))
            assert inside < outside / 2 - 1e-6
