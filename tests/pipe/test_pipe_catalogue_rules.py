"""Looking pipes up in the catalogue."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import (
    CarrierColumns,
    as_columns,
    carrier,
    closest_names,
    contenders,
    custom_carrier,
    iso_wall_m,
)
from geotools.pipe.external import collapse_pressure_pa
from geotools.pipe.factors import PSI
from geotools.pipe.materials import (
    apparent_modulus_pa,
    material_property,
    modulus_temperature_factor,
    per_material,
    tension_temperature_factor,
)
from geotools.pipe.pressure import pressure_class_pa
from geotools.pipe.pulling import allowable_stress_pa
from geotools.pipe.ranges import ChoiceError, RangeError
from geotools.pipe.testing import hydrotest_limit_pa


@pytest.mark.parametrize("spelling", ["20 in", "20", "20in", " 20  in ", "20.0 in"])
def test_a_nominal_size_may_be_spelt_in_several_ways(spelling: str) -> None:
    assert carrier(system="DIPS", nominal=spelling, material="PVC", dr=25).nominal == "20 in"


def test_a_metric_size_may_carry_its_prefix() -> None:
    assert carrier(system="METRIC", nominal="dn 560", material="PE100", dr=17).nominal == "560 mm"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"system": "XYZ"}, "DIPS, IPS, METRIC"),
        ({"material": "STEEL"}, "PE4710"),
        ({"nominal": "21 in"}, "20 in"),
        ({"nominal": "560 mm"}, "20 in"),
        ({"dr": 12.0}, "13.5"),
        ({"system": "METRIC", "nominal": "560 mm"}, "PE100"),
        ({"nominal": "54 in", "dr": 7.3}, "from 4 to 24"),
    ],
)
def test_a_pipe_that_is_not_made_is_refused_with_what_there_is(
    change: dict[str, object], said: str
) -> None:
    wanted = {"system": "DIPS", "nominal": "20 in", "material": "PE4710", "dr": 17.0} | change
    with pytest.raises(ChoiceError, match=said):
        carrier(**wanted)  # type: ignore[arg-type]


def test_every_contender_can_be_taken_by_its_own_description() -> None:
    for pipe in contenders():
        again = carrier(
            system=pipe.system, nominal=pipe.nominal, material=pipe.material, dr=pipe.dr
        )
        assert again == pipe


def test_contenders_can_be_narrowed() -> None:
    few = contenders(systems=["DIPS"], materials=["PVC"], drs=[18, 25])
    assert few
    assert {pipe.system for pipe in few} == {"DIPS"}
    assert {pipe.dr for pipe in few} == {18, 25}


def test_pvc_u_below_the_sizes_of_its_design_coefficient_is_refused() -> None:
    least = custom_carrier("least", material="PVC-U", outside_m=0.110, wall_min_m=0.004)
    assert least.material == "PVC-U"
    with pytest.raises(RangeError, match=r"outside_m .*0\.11 to 3 m"):
        custom_carrier("small", material="PVC-U", outside_m=0.090, wall_min_m=0.004)


def test_the_two_kinds_of_pvc_are_told_apart_by_rule_and_not_by_resin() -> None:
    """Class, surge, bend and pull differ with the standard; collapse and weight do not."""
    both = np.array(["PVC", "PVC-U"])
    us, metric = pressure_class_pa(both, 26)
    assert us == pytest.approx(160 * PSI)  # 2 x 2000/25, a whole 5 psi
    assert metric == pytest.approx(1.0e6)
    bends = least_radius_m(both, 26, 0.5)
    assert bends == pytest.approx([250 * 0.5, 300 * 0.5])
    pulls = allowable_stress_pa(both)
    assert pulls == pytest.approx([2800 * PSI, 18e6])  # 7000 psi and 45 MPa over 2.5
    tested = hydrotest_limit_pa(both, 26)
    assert tested == pytest.approx([1.6 * us, 1.5 * metric])
    assert len(set(collapse_pressure_pa(both, 26))) == 1
    assert len(set(per_material(both, "density"))) == 1


def test_a_users_own_pipe_joins_the_contenders() -> None:
    own = custom_carrier("shop special", material="PE100", outside_m=0.5, wall_min_m=0.025)
    assert own.dr == pytest.approx(20.0)
    assert contenders(systems=["IPS"], materials=["PE4710"], extra=[own])[-1] is own


def test_two_pipes_of_one_name_are_refused() -> None:
    own = custom_carrier("twin", material="PE100", outside_m=0.5, wall_min_m=0.025)
    with pytest.raises(ChoiceError, match="twin"):
        contenders(extra=[own, own])


def test_a_custom_wall_out_of_proportion_is_refused() -> None:
    with pytest.raises(RangeError, match="wall_min_m"):
        custom_carrier("thick", material="PVC", outside_m=0.5, wall_min_m=0.2)


def test_a_pipe_of_ones_own_is_no_hose() -> None:
    assert custom_carrier("small", material="PE100", outside_m=0.02, wall_min_m=0.002)
    with pytest.raises(RangeError, match=r"outside_m .*0\.02 to 3 m"):
        custom_carrier("hose", material="PE100", outside_m=0.019, wall_min_m=0.002)


def test_the_name_meant_is_the_one_that_goes_on_from_what_was_written() -> None:
    names = ["20 mm", "30 in DIPS DR 17 PE4710", "20 in DIPS DR 17 PE4710"]
    assert closest_names("20  IN", names) == [names[2]]  # though "20 mm" is more alike
    assert closest_names("30 in DISP DR 17 PE4710", names) == [names[1]]
    assert closest_names("", names)[0] in names


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("300 mm SDR 17 PE100", ["280 mm SDR 17 PE100", "315 mm SDR 17 PE100"]),
        ("21 in  DIPS dr 17 PE4710", ["20 in DIPS DR 17 PE4710", "24 in DIPS DR 17 PE4710"]),
        ("22.5in IPS DR 17 PE3608", ["22 in IPS DR 17 PE3608", "24 in IPS DR 17 PE3608"]),
        ("50 mm SDR 17 PE100", ["90 mm SDR 17 PE100"]),
        ("9000 mm SDR 41 PVC-U", ["1000 mm SDR 41 PVC-U"]),
        ("315mm SDR 17 PE100", ["315 mm SDR 17 PE100"]),
    ],
)
def test_of_a_size_that_is_not_made_the_next_in_size_are_meant_and_nothing_else_differs(
    written: str, meant: list[str]
) -> None:
    assert closest_names(written, [pipe.name for pipe in contenders()]) == meant


def test_columns_hold_what_the_pipes_hold() -> None:
    pipes = contenders(systems=["METRIC"])
    columns = as_columns(pipes)
    assert isinstance(columns, CarrierColumns)
    assert len(columns) == len(pipes)
    for place in (0, len(pipes) // 2, len(pipes) - 1):
        assert columns.name[place] == pipes[place].name
        assert columns.bore_m[place] == pipes[place].bore_m


def test_no_pipes_make_empty_columns() -> None:
    assert len(as_columns([])) == 0


def test_a_series_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ChoiceError, match=r"13\.6"):
        iso_wall_m(0.2, 12.0)


def test_material_columns_give_the_value_of_each() -> None:
    words = np.array([["PVC", "PE100"], ["PE4710", "PVC"]])
    ours = per_material(words, "density")
    assert ours.shape == (2, 2)
    assert ours[0, 0] == material_property("PVC", "density")
    assert ours[1, 0] == material_property("PE4710", "density")


def test_an_unknown_property_is_refused() -> None:
    with pytest.raises(ChoiceError, match="tensile_yield"):
        material_property("PE4710", "colour")


def test_a_property_of_another_material_is_refused_with_those_there_are() -> None:
    with pytest.raises(ChoiceError, match=r"'pull_yield_share' .*tensile_strength"):
        material_property("PVC", "pull_yield_share")


def test_modulus_falls_with_time_and_strength_with_warmth() -> None:
    hours = np.logspace(-1, 5.9, 60)
    for material in ("PE4710", "PE3608", "PE100", "PVC"):
        assert np.all(np.diff(apparent_modulus_pa(material, hours)) <= 0)
        warm = tension_temperature_factor(material, np.linspace(-20, 60, 81))
        assert np.all(np.diff(warm) <= 0)
        assert warm[0] == 1.0
        assert np.all(np.diff(modulus_temperature_factor(material, np.linspace(-20, 60, 81))) <= 0)
        for beyond in (-20.1, 60.1):
            with pytest.raises(RangeError, match="temperature_c"):
                modulus_temperature_factor(material, beyond)
