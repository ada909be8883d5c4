"""What is checked against the outside is what plans and hand calculations use."""

from __future__ import annotations

import ast
from pathlib import Path

import geotools

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
