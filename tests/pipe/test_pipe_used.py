"""What is checked against the outside is what plans and hand calculations use."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import geotools
from geotools.brief import load_brief
from geotools.pipe.hydraulics import velocity_within
from geotools.pipe.pulling import friction_band, pull_hours, roller_drag_n
from geotools.pipe.testing import hydrotest_pressure_pa

PACKAGE = Path(geotools.__file__).parent


def _read(tree: ast.AST) -> set[str]:
    """Return the names read anywhere in a module."""
    names = {
        n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load)
    }
    return names | {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}


def test_no_formula_serves_its_tests_alone() -> None:
    """A check of a formula that nothing calls protects nobody: its rule is kept elsewhere."""
    trees = {path: ast.parse(path.read_text("utf-8")) for path in PACKAGE.rglob("*.py")}
    read = set().union(*(_read(tree) for tree in trees.values()))
    formulas = {
        node.name
        for path, tree in trees.items()
        if path.is_relative_to(PACKAGE / "pipe")
        for node in tree.body  # type: ignore[attr-defined]
        if isinstance(node, ast.FunctionDef)
    }
    assert len(formulas) > 100
    assert sorted(formulas - read) == []


def test_every_column_of_a_table_is_read() -> None:
    code = "".join(path.read_text("utf-8") for path in (PACKAGE / "pipe").rglob("*.py"))
    columns = {
        f"{path.stem}: {name}": name
        for path in (PACKAGE / "pipe" / "data").glob("*.csv")
        for name in path.read_text("utf-8").splitlines()[0].split(",")
        if name != "source"  # it is for who reads the table
    }
    # Those of the water that is made up are told apart by their hours.
    read = {label for label, name in columns.items() if f'"{name}"' in code}
    assert sorted(columns.keys() - read) == [f"pe_make_up: gal_per_100_ft_{h}_h" for h in (1, 2, 3)]


def test_what_the_brief_leaves_out_formulas_take_as_it_does() -> None:
    brief = load_brief()
    pulls, service = brief.pulls, brief.service
    assert pull_hours(300.0) == pytest.approx(300.0 / pulls.rate / 3600, rel=1e-12)
    wait = pull_hours(0.0, joints_during=2)
    assert wait == pytest.approx(2 * pulls.string_joint_hours / 3600)
    assert roller_drag_n(500.0, 10.0) == pytest.approx(5000.0 * pulls.roller_friction)
    assert friction_band("rollers").central == pulls.roller_friction
    assert hydrotest_pressure_pa(1e6) == pytest.approx(1e6 * service.test_factor)
    most = service.max_velocity
    assert velocity_within([most, most * 1.001]).tolist() == [True, False]


def test_the_strength_of_warm_pvc_is_written_in_one_place() -> None:
    """The table of C900, 80 F to 140 F, from memory: for its pressure class and for its tension."""
    warm = {0.88, 0.75, 0.62, 0.4, 0.3, 0.22}
    written = [
        path.name
        for path in (PACKAGE / "pipe").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Tuple)
        and warm <= {one.value for one in node.elts if isinstance(one, ast.Constant)}
    ]
    assert written == ["materials.py"]


def test_factors_of_units_are_written_in_one_place() -> None:
    """Seconds of an hour, a day and a year, foot and inch, psi and g: `pipe/factors.py` alone."""
    factors = {3600.0, 86400.0, 31557600.0, 0.3048, 0.0254, 9.80665}
    written = {
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float)
        if float(node.value) in factors and path.name != "factors.py"
    }
    assert sorted(written) == []
