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
