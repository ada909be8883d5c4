"""A whole lining worked by hand: 24 in pit-cast host, 20 in carriers of PE and PVC."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import Carrier, carrier
from geotools.pipe.external import annulus_volume_m3
from geotools.pipe.fit import fit
from geotools.pipe.fusion import joint_count
from geotools.pipe.host import pit_cast_bore_m
from geotools.pipe.hydraulics import CARRIER_C, capacity_ratio
from geotools.pipe.pits import insertion_length_m
from geotools.pipe.pressure import pressure_class_pa
from geotools.pipe.pulling import allowable_tension_n, head_force_n, weight_n_per_m
from geotools.pipe.testing import pvc_allowance_m3_per_s, water_volume_m3

INCH = 0.0254
FOOT = 0.3048
LBF = 4.4482216152605
PSI = LBF / INCH**2
GALLON = 231 * INCH**3
YARD3 = (3 * FOOT) ** 3

HOST_M = pit_cast_bore_m(24 * 0.0254, "B")
LENGTH_M = 1000 * FOOT
DROP_M = 10 * FOOT


@dataclass(frozen=True)
class Worked:
    """Values worked by hand; US units."""

    material: str
    dr: float
    wall: float
    bore: float
    rated: float
    weight: float
    allowable: float
    drag: tuple[float, float]
    utilisation: float
    radius_ft: float
    pits_ft: tuple[float, float]
    ratios: tuple[float, float]
    water_gal: float


CASES = [
    Worked("PE4710", 17, 1.2706, 18.906, 125, 35.54, 107_927, (10_661, 17_769), 0.165, 48.6,
           (29.5, 42.9), (1.142, 0.799), 14_584),
    Worked("PVC", 25, 0.864, 19.820, 165, 35.13, 157_597, (10_538, 17_563), 0.111, 450,
           (94.3, 133.8), (1.293, 0.905), 16_028),
]  # fmt: skip


def _pipe(case: Worked) -> Carrier:
    return carrier(system="DIPS", nominal="20 in", material=case.material, dr=case.dr)


def _pull(pipe: Carrier, friction: float) -> float:
    force = head_force_n([LENGTH_M], 0.0, 0.0, weight=weight_n_per_m(pipe), friction=friction)
    return float(force[-1]) / LBF


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.material)
class TestWorkedLining:
    def test_sizes(self, case: Worked) -> None:
        pipe = _pipe(case)
        assert pytest.approx(24.02, abs=0.005) == HOST_M / INCH
        assert pipe.outside_m / INCH == pytest.approx(21.60, abs=0.005)
        assert pipe.wall_min_m / INCH == pytest.approx(case.wall, abs=5e-4)
        assert pipe.bore_m / INCH == pytest.approx(case.bore, abs=5e-4)
        found = fit(HOST_M, pipe.outside_m)
        assert float(found.clearance_m) / INCH == pytest.approx(2.42, abs=0.005)
        assert float(found.share) * 100 == pytest.approx(10.1, abs=0.05)
        assert bool(found.passes)

    def test_strength_and_pull(self, case: Worked) -> None:
        pipe = _pipe(case)
        assert float(pressure_class_pa(pipe.material, pipe.dr)) / PSI == pytest.approx(case.rated)
        # weight and drag: worked with water of 62.4 lb/ft3, ours from kg/m3: 0.05 %
        assert float(weight_n_per_m(pipe)) / LBF * FOOT == pytest.approx(case.weight, rel=6e-4)
        for friction, printed in zip((0.3, 0.5), case.drag, strict=True):
            assert _pull(pipe, friction) == pytest.approx(printed, rel=6e-4)
        allowable = float(allowable_tension_n(pipe)) / LBF
        assert allowable == pytest.approx(case.allowable, abs=0.75)
        assert _pull(pipe, 0.5) / allowable == pytest.approx(case.utilisation, abs=5.1e-4)

    def test_pits(self, case: Worked) -> None:
        pipe = _pipe(case)
        radius = float(least_radius_m(pipe.material, pipe.dr, pipe.outside_m))
        assert radius / FOOT == pytest.approx(case.radius_ft, abs=0.05)
        one = float(insertion_length_m(DROP_M, radius, form="lifted")) / FOOT
        two = float(insertion_length_m(DROP_M, radius, form="level")) / FOOT
        assert (one, two) == pytest.approx(case.pits_ft, abs=0.051)

    def test_flow_and_water(self, case: Worked) -> None:
        pipe = _pipe(case)
        ours = capacity_ratio(np.array([70, 100]), HOST_M, CARRIER_C, pipe.bore_m)
        assert ours == pytest.approx(case.ratios, abs=5.1e-4)
        gallons = float(water_volume_m3(pipe.bore_m, LENGTH_M)) / GALLON
        # 16,028 was worked with the bore rounded to 19.820 and the constant 0.0408
        assert gallons == pytest.approx(case.water_gal, abs=1.0)
        annulus = float(annulus_volume_m3(HOST_M, pipe.outside_m, LENGTH_M)) / YARD3
        assert annulus == pytest.approx(22.3, abs=0.05)

    def test_joints(self, case: Worked) -> None:
        assert joint_count(LENGTH_M, 40 * FOOT) == 24


def test_allowance_of_the_pvc_test() -> None:
    flow = float(pvc_allowance_m3_per_s(LENGTH_M, 20 * INCH, 150 * PSI))
    assert flow / GALLON * 3600 == pytest.approx(1.655, abs=5e-4)


@pytest.mark.parametrize(
    ("nominal", "share", "e_mm", "bore_mm", "ratio"),
    [("560 mm", 8.2, 33.2, 493.6, 1.228), ("500 mm", 18.0, 29.7, 440.6, 0.911)],
)
def test_metric_case(nominal: str, share: float, e_mm: float, bore_mm: float, ratio: float) -> None:
    """PE100 SDR 17 in a host of 610 mm, C 70; worked on the minimum wall.

    Ours takes the average wall for bore and weight (x 1.06). The worked ratio is met with the
    minimum wall, and ours with the average is 2.1 % lower: (489.616/493.6)^2.63 = 0.979.
    """
    pipe = carrier(system="METRIC", nominal=nominal, material="PE100", dr=17)
    assert float(fit(0.610, pipe.outside_m).share) * 100 == pytest.approx(share, abs=0.05)
    assert pipe.wall_min_m * 1e3 == pytest.approx(e_mm, abs=1e-9)
    thin_bore = pipe.outside_m - 2 * pipe.wall_min_m
    assert thin_bore * 1e3 == pytest.approx(bore_mm, abs=0.05)
    assert float(capacity_ratio(70, 0.610, 150, thin_bore)) == pytest.approx(ratio, abs=5.1e-4)
    ours = float(capacity_ratio(70, 0.610, 150, pipe.bore_m))
    assert ours / ratio == pytest.approx((pipe.bore_m / thin_bore) ** 2.63, rel=1e-3)
    assert ours == pytest.approx(0.979 * ratio, rel=2e-3)


def test_metric_weight() -> None:
    # worked: 54,946 mm2, 52.6 kg/m on the minimum wall; ours on the average wall 5.6 % heavier,
    # the safe side for the pull
    pipe = carrier(system="METRIC", nominal="560 mm", material="PE100", dr=17)
    thin = np.pi * (0.560 - 0.0332) * 0.0332 * pipe.density
    assert thin == pytest.approx(52.6, abs=0.05)
    ours = float(weight_n_per_m(pipe)) / 9.80665
    assert ours / thin == pytest.approx(1.06 * (0.560 - 1.06 * 0.0332) / (0.560 - 0.0332), rel=1e-9)
