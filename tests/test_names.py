"""Names of the package: what is said once, and where."""

from __future__ import annotations

import ast
from collections import defaultdict
from functools import cache
from pathlib import Path

import geotools

PACKAGE = Path(geotools.__file__).parent
LONG = 25  # nodes of a tree; shorter functions are no more than a call or two


@cache
def modules() -> dict[str, ast.Module]:
    """Return the trees of all modules, by name; a package is called by its folder."""
    trees = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        trees[name] = ast.parse(path.read_text(encoding="utf-8"))
    return trees


def body_of(function: ast.FunctionDef) -> list[ast.stmt]:
    """Return the statements of a function without its docstring."""
    return function.body[1:] if ast.get_docstring(function) else function.body


def spelled(function: ast.FunctionDef) -> str:
    """Return what a function does, whatever it and its own names are called."""
    copy = ast.parse(ast.unparse(ast.Module(body=body_of(function), type_ignores=[])))
    names = [node for node in ast.walk(copy) if isinstance(node, ast.Name)]
    own = {each.arg for each in (*function.args.args, *function.args.kwonlyargs)}
    own |= {name.id for name in names if isinstance(name.ctx, ast.Store)}
    numbers: dict[str, str] = {}
    for name in names:
        if name.id in own:
            name.id = numbers.setdefault(name.id, f"name {len(numbers)}")
    return ast.dump(copy)


def test_what_a_function_does_is_written_once() -> None:
    alike = defaultdict(list)
    for module, tree in modules().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                kinds = tuple(type(p) for line in body_of(node) for p in ast.walk(line))
                if len(kinds) > LONG:
                    alike[kinds].append((module, node))
    found = defaultdict(list)
    for members in alike.values():
        for module, node in members if len(members) > 1 else ():
            found[spelled(node)].append(f"{module}.{node.name}")
    assert [names for names in found.values() if len(names) > 1] == []


def test_how_near_places_along_lines_are_one_is_said_once() -> None:
    said = [
        module
        for module, tree in modules().items()
        for node in tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        if ast.unparse(node.targets[0]) == "EDGE"
    ]
    assert said == ["geotools.network.stretches"]


def test_every_name_of_a_module_is_read_by_somebody() -> None:
    """`TOOL` is read by the name of its module."""
    read: set[str] = {"TOOL"}
    made = []
    for module, tree in modules().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
                read.add(node.id)
            elif isinstance(node, ast.Attribute):
                read.add(node.attr)
        for node in tree.body:
            targets = node.targets if isinstance(node, ast.Assign) else ()
            made += [
                f"{module}: {name.id}"
                for target in targets
                for name in ast.walk(target)
                if isinstance(name, ast.Name) and not name.id.startswith("__")
            ]
    assert [each for each in made if each.split(": ")[1] not in read] == []


def public(tree: ast.Module) -> set[str]:
    """Return the names a module lists for others."""
    return {
        each.value
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
        for each in ast.walk(node)
        if isinstance(each, ast.Constant)
    }


def test_names_that_other_modules_import_are_public() -> None:
    """`__all__` is the whole of what a module is used for; that it is sorted, ruff sees to."""
    listed = {module: public(tree) for module, tree in modules().items()}
    wrong = {
        f"{module} imports {node.module}.{name.name}"
        for module, tree in modules().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module in listed
        for name in node.names
        if f"{node.module}.{name.name}" not in listed and name.name not in listed[node.module]
    }
    assert sorted(wrong) == []
