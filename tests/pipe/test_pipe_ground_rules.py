"""Rules that hold for every module of the room."""

from __future__ import annotations

import ast
import csv
import importlib
import inspect
import pkgutil
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import geotools.pipe
from geotools.pipe.bending import bending_strain, least_radius_m, passing_radius_m, tangent_length_m
from geotools.pipe.catalogue import carrier
from geotools.pipe.external import (
    annulus_volume_m3,
    groundwater_pressure_pa,
    grout_injection_limit_pa,
    ovality_factor,
)
from geotools.pipe.factors import to_si
from geotools.pipe.fusion import gauge_pressure_pa
from geotools.pipe.hydraulics import (
    colebrook_head_loss_m,
    flow_velocity_m_per_s,
    friction_factor,
    hazen_williams_flow_m3_per_s,
    hazen_williams_head_loss_m,
    regression_c,
    velocity_within,
)
from geotools.pipe.pits import (
    insertion_length_m,
    pit_width_m,
    ramp_depth_m,
    straight_approach_m,
)
from geotools.pipe.pressure import check_pressure, surge_pressure_pa, temperature_factor
from geotools.pipe.pulling import (
    allowable_stress_pa,
    head_force_n,
    machine_capacity_n,
    pull_hours,
    pull_increments,
    recovery_wait_hours,
    roller_drag_n,
    stretch_m,
    tails_to_leave,
    thermal_length_change_m,
    wall_area_m2,
)
from geotools.pipe.ranges import ChoiceError, RangeError, check_choice, check_range
from geotools.pipe.testing import filling_hours, water_volume_m3

ROOM = Path(geotools.pipe.__file__).parent
MODULES = sorted(
    info.name.removeprefix("geotools.pipe.")
    for info in pkgutil.walk_packages([str(ROOM)], "geotools.pipe.")
)
PIPE = carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17)
TABLES = sorted((ROOM / "data").glob("*.csv"))


def test_the_room_imports_nothing_of_the_project_but_itself() -> None:
    for path in ROOM.rglob("*.py"):
        module = path.relative_to(ROOM).as_posix()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0
                names = [node.module or ""]
            for name in names:
                root = name.split(".")[0]
                if root == "geotools":
                    assert name.startswith("geotools.pipe"), (module, name)
                else:
                    assert root == "numpy" or root in sys.stdlib_module_names, (module, name)


@pytest.mark.parametrize("module", MODULES)
def test_public_names_are_sorted_and_exist(module: str) -> None:
    loaded = importlib.import_module(f"geotools.pipe.{module}")
    names = list(loaded.__all__)
    upper = [n for n in names if n.isupper()]
    camel = [n for n in names if not n.isupper() and n[0].isupper()]
    lower = [n for n in names if n[0].islower()]
    assert names == sorted(upper) + sorted(camel) + sorted(lower)
    assert all(hasattr(loaded, name) for name in names)


@pytest.mark.parametrize("module", [name for name in MODULES if not name.endswith("_parts")])
def test_what_may_be_left_out_is_given_by_name(module: str) -> None:
    loaded = importlib.import_module(f"geotools.pipe.{module}")
    for name in loaded.__all__:
        if inspect.isfunction(getattr(loaded, name)):
            for given in inspect.signature(getattr(loaded, name)).parameters.values():
                # the year a main was laid is a column like the others, unknown at times
                if given.default is not given.empty and given.name != "installed":
                    assert given.kind is given.KEYWORD_ONLY, (name, given.name)


def _ranges(module: str) -> Iterator[tuple[str, str, str, tuple[float, float, bool]]]:
    """Yield function, argument, what its docstring says of it, and the range that is held."""
    loaded = importlib.import_module(f"geotools.pipe.{module}")
    tree = ast.parse(Path(str(loaded.__file__)).read_text(encoding="utf-8"))
    for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
        text = ast.get_docstring(function) or ""
        for call in (node for node in ast.walk(function) if isinstance(node, ast.Call)):
            if getattr(call.func, "id", "") != "check_range":
                continue
            name = str(getattr(call.args[0], "value", ""))  # a constant, not a variable
            entry = re.search(
                rf"^[\w, ]*\b{name}\b[\w, ]* : .*\n((?:    .*\n?)+)", text, re.MULTILINE
            )
            written = map(ast.unparse, call.args[2:4])
            numbers = [str(getattr(loaded, part, part)) for part in written]
            if name and entry and all(re.fullmatch(r"[-\d.e]+", number) for number in numbers):
                low, high = map(float, numbers)
                above = any(word.arg == "above_low" for word in call.keywords)
                yield function.name, name, " ".join(entry[1].split()), (low, high, above)


def test_a_range_a_docstring_promises_is_the_one_that_is_held() -> None:
    number = r"-?\d[\d.]*(?:,\d{3})*(?:e-?\d+)?"
    promise = re.compile(rf"(?:^|[;.] )(above )?({number}) to ({number})(?=[.;,]| \(|$)")
    seen = 0
    for module in MODULES:
        for function, name, text, held in _ranges(module):
            found = promise.search(text)
            if found:
                low, high = (float(said.rstrip(".").replace(",", "")) for said in found.group(2, 3))
                promised = low, high, bool(found[1])
                assert promised == held, (module, function, name)
                seen += 1
    assert seen >= 42


@pytest.mark.parametrize(
    "of",
    [
        lambda x: pull_hours(x),
        lambda x: pull_hours(10.0, joints_during=x),
        lambda x: pull_hours(10.0, joints_during=1, hours_per_joint=x),
        lambda x: pull_increments(x, 0.0, 0.0, weight=1.0, friction=0.3).load_n,
        lambda x: pull_increments(10.0, 0.0, x, weight=1.0, friction=0.3).growth,
        lambda x: pull_increments(10.0, 0.0, 0.0, weight=1.0, friction=x).load_n,
        lambda x: head_force_n([10.0], 0.0, 0.0, weight=1.0, friction=0.3, tail_force=x),
        lambda x: roller_drag_n(x, 10.0),
        lambda x: recovery_wait_hours(x),
        lambda x: thermal_length_change_m("PVC", x, 10.0),
        lambda x: tails_to_leave(x, 0.0).head_m,
        lambda x: insertion_length_m(x, 20.0),
        lambda x: straight_approach_m(x, 0.5),
        lambda x: passing_radius_m(0.3, 0.1, axis_radius_m=x),
        lambda x: tangent_length_m(x, 0.3),
        lambda x: tangent_length_m(10.0, x),
        lambda x: surge_pressure_pa("PVC", 18.0, x),
        lambda x: check_pressure("PVC", 18.0, x).utilisation,
        lambda x: check_pressure("PVC", 18.0, 1e5, recurring_surge_pa=x).utilisation,
        lambda x: check_pressure("PVC", 18.0, 1e5, occasional_surge_pa=x).utilisation,
        lambda x: ovality_factor(x),
        lambda x: groundwater_pressure_pa(x),
        lambda x: grout_injection_limit_pa("PVC", 18.0, port_above_low_point_m=x),
        lambda x: grout_injection_limit_pa("PVC", 18.0, cap_pa=x),
        lambda x: annulus_volume_m3(0.6, x, 10.0),
        lambda x: annulus_volume_m3(0.6, 0.5, x),
        lambda x: hazen_williams_head_loss_m(x, 0.3, 150.0, 10.0),
        lambda x: hazen_williams_flow_m3_per_s(x, 0.3, 150.0),
        lambda x: flow_velocity_m_per_s(x, 0.3),
        lambda x: velocity_within(x),
        lambda x: velocity_within(1.0, highest=x),
        lambda x: friction_factor(1e5, x),
        lambda x: colebrook_head_loss_m(0.1, 0.3, x, 10.0),
        lambda x: colebrook_head_loss_m(0.1, 0.3, 1e-4, x),
        lambda x: regression_c(0.3, x),
        lambda x: regression_c(0.3, 50.0, growth_m_per_year=x),
        lambda x: stretch_m(PIPE, x, 1e4),
        lambda x: stretch_m(PIPE, 10.0, x),
        lambda x: hazen_williams_head_loss_m(0.1, 0.3, 150.0, x),
        lambda x: water_volume_m3(0.3, x),
        filling_hours,
        lambda x: ramp_depth_m(x, 3.0, 20.0),
        lambda x: temperature_factor(["PE4710", "PE100", "PVC", "PVC-U"], x),
    ],
)
def test_nothing_is_taken_and_less_than_nothing_is_refused(of: Callable[[float], Any]) -> None:
    assert np.all(np.isfinite(of(0.0)))
    with pytest.raises(RangeError, match=r"= -0\.5 "):
        of(-0.5)


@pytest.mark.parametrize("nothing", [0.0, -0.5])
@pytest.mark.parametrize(
    "of",
    [
        lambda x: bending_strain(x, 10.0),
        lambda x: bending_strain(0.5, x),
        lambda x: gauge_pressure_pa(0.5, 0.03, x),
        lambda x: wall_area_m2(x, 0.03),
        lambda x: wall_area_m2(0.5, x),
        lambda x: machine_capacity_n(x),
        lambda x: machine_capacity_n(1e5, usable=x),
        lambda x: allowable_stress_pa("PVC", stress_cap_pa=x),
        lambda x: pull_hours(10.0, rate_m_per_s=x),
        lambda x: insertion_length_m(1.0, x),
        lambda x: straight_approach_m(1.0, x),
        lambda x: pit_width_m(x),
        lambda x: least_radius_m("PVC", 18.0, x),
        lambda x: annulus_volume_m3(x, 0.5, 10.0),
    ],
)
def test_a_size_of_nothing_is_refused(of: Callable[[float], Any], nothing: float) -> None:
    with pytest.raises(RangeError, match="is outside its valid range: above 0 "):
        of(nothing)


@pytest.mark.parametrize("table", TABLES, ids=lambda path: path.stem)
def test_every_row_of_a_table_says_where_it_comes_from(table: Path) -> None:
    with table.open(encoding="utf-8", newline="") as handle:
        lines = list(csv.DictReader(handle))
    assert lines
    for line in lines:
        assert line["source"].strip(), line
        assert None not in line, line
        assert all(value is not None and value != "" for value in line.values()), line


def test_a_refused_number_is_named_with_its_value_and_valid_range() -> None:
    with pytest.raises(RangeError, match=r"depth_m = 12 m is outside .*from 0 to 6 m") as caught:
        check_range("depth_m", 12.0, 0.0, 6.0, "m")
    assert isinstance(caught.value, ValueError)
    assert caught.value.name == "depth_m"


def test_a_refused_column_says_how_many_and_which_first() -> None:
    with pytest.raises(RangeError, match=r"x = 9 m .*2 of 4 values, the first at index 1"):
        check_range("x", [1.0, 9.0, 2.0, -3.0], 0.0, 5.0, "m")


def test_not_a_number_is_refused() -> None:
    with pytest.raises(RangeError, match="x = nan"):
        check_range("x", np.nan, -np.inf, np.inf, "m")


def test_an_open_lower_end_refuses_the_end_itself() -> None:
    with pytest.raises(RangeError, match="above 0"):
        check_range("x", 0.0, 0.0, 1.0, "m", above_low=True)
    assert check_range("x", 0.0, 0.0, 1.0, "m") == 0.0


def test_a_refused_word_lists_the_accepted_ones() -> None:
    with pytest.raises(ChoiceError, match="form = 'bent' is outside its valid range: one of a, b"):
        check_choice("form", "bent", ["a", "b"])


def test_an_unknown_unit_in_a_table_is_an_error() -> None:
    with pytest.raises(ValueError, match="furlong"):
        to_si(1.0, "furlong")
