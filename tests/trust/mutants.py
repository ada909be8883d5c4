"""Campaign: one small change at a time in `pipe/`, `pulls/` or `network/`; do the tests notice?

``python tests/trust/mutants.py --files geotools/pulls/force.py --share 40 --seed 1`` prints what
it found as JSON, every survivor with its line before and after. The changes are those of
cosmic-ray (``pip install -e '.[test,mutants]'``): operators, comparisons, numbers, conditions,
loops. Each place of a file is drawn at most once. They are made in a copy of the tree, never in
the checkout, and the tests run are those that import the module. Each run of the tests is a fork
of one process that has the libraries loaded but nothing of this package.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("geotools", "tests", "sample_gis", "pyproject.toml", "README.md", "DEVELOPERS.md")
FOLDERS = {
    "network": ("tests/network", "tests/outside"),
    "pipe": ("tests/outside", "tests/pipe"),
    "pulls": ("tests/pulls", "tests/outside"),
}
ROOMS = ("geotools/pipe", "geotools/pulls")
OTHER_TESTS = {  # of modules that no test imports by name, or that are seen in a plan only
    "geotools/network/near.py": ["tests/network/test_noding.py"],
    "geotools/network/pieces.py": ["tests/network/test_runs.py"],
    "geotools/pulls/explain.py": ["tests/pulls/test_explain.py"],
    "geotools/pulls/layout.py": ["tests/pulls/test_digs.py", "tests/plan/test_sample.py"],
    "geotools/pulls/lifted.py": ["tests/pulls/test_explain.py"],
}
RULES = {"pipe": ["tests/pipe/test_pipe_ground_rules.py"]}
SLOW = {"tests/outside/test_pipe_bends.py": {"bending", "fit", "pits"}}  # only for these modules
COMPILED = shutil.ignore_patterns("__pycache__")
SHEETS = ["tests/pipe/test_pipe_worksheets.py", "tests/cli/test_pipe.py"]
LIBRARIES = (
    "fluids", "geopandas", "hypothesis", "numpy", "pandas", "pint", "pydantic", "pyogrio", "pytest",
    "scipy.optimize", "scipy.sparse.csgraph", "scipy.spatial", "shapely",
)  # fmt: skip
FEWER = """
from hypothesis import Phase
settings.register_profile("fewer", settings.get_profile("gate"), max_examples=20,
                          phases=[Phase.explicit, Phase.generate])
settings.load_profile("fewer")
"""  # of generated examples: a survivor would take minutes, and nobody reads the smallest failure
CALL = (
    "-x", "-q", "-n0", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning"
)  # fmt: skip
LEAST_PATIENCE = 20.0  # s, before tests count as hanging
PATIENCE = 4.0  # times what they take on the sound code

Place = tuple[tuple[int, int], tuple[int, int]]  # first and last (line, column)


@dataclass(frozen=True)
class Mutant:
    """A change: which operator, at the how many-eth place it finds."""

    operator: str
    occurrence: int
    line: int


def places(source: str) -> dict[Place, list[Mutant]]:
    """Return the changes cosmic-ray can make, by place, without those that change no behaviour.

    Left out are types, which are never looked at when the program runs, and decorators.
    """
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator, operator_names

    nodes = list(ast_nodes(get_ast(source)))
    idle = list(_idle(source))
    found = defaultdict(list)
    for name in sorted(operator_names()):
        operator = get_operator(name)
        if operator.arguments() or name.endswith(("NoOp", "RemoveDecorator")):
            continue
        spots = (spot for node in nodes for spot in operator().mutation_positions(node))
        for occurrence, (start, end) in enumerate(spots):
            if not any(low <= start and end <= high for low, high in idle):
                found[start, end].append(Mutant(name, occurrence, start[0]))
    return dict(sorted(found.items()))


def _idle(source: str) -> Iterator[Place]:
    """Yield the places of types and decorators."""
    for node in ast.walk(ast.parse(source)):
        parts = [getattr(node, "annotation", None), getattr(node, "returns", None)]
        for part in [*parts, *getattr(node, "decorator_list", [])]:
            if part is not None:
                yield (part.lineno, part.col_offset), (part.end_lineno, part.end_col_offset)


def drawn(source: str, *, share: int, seed: int) -> list[Mutant]:
    """Return one change at each of so many places, in the order of the file."""
    chance = random.Random(seed)  # noqa: S311 - a sample, no secrets
    there = list(places(source).values())
    taken = sorted(chance.sample(range(len(there)), min(share, len(there))))
    return [chance.choice(there[k]) for k in taken]


def suite_of(file: str) -> list[str]:
    """Return the tests that import a module."""
    stem, room = Path(file).stem, Path(file).parent.name
    if room == "worksheets":
        return SHEETS
    told = re.compile(rf"geotools\.{room}(\.{stem}\b| import [^\n]*\b{stem}\b)")
    every = [
        path
        for folder in FOLDERS[room]
        for path in sorted((ROOT / folder).glob("test_*.py"))
        if told.search(path.read_text())
    ]
    names = [str(path.relative_to(ROOT)) for path in every]
    names = [name for name in names if stem in SLOW.get(name, {stem})]
    return [*names, *OTHER_TESTS.get(file, []), *RULES.get(room, [])]


def copied(folder: Path) -> Path:
    """Copy the tree, so that nothing has to be restored."""
    for part in PARTS:
        if (ROOT / part).is_dir():
            shutil.copytree(ROOT / part, folder / part, ignore=COMPILED)
        else:
            shutil.copy(ROOT / part, folder / part)
    with (folder / "tests" / "conftest.py").open("a") as file:
        file.write(FEWER)
    return folder


def run_tests(tree: Path, tests: Sequence[str], patience: float, *, keep: bool = False) -> str:
    """Run tests in a fork; return ``passed``, ``failed`` or ``hung``."""
    child = os.fork()
    if not child:
        sys.dont_write_bytecode = not keep
        code = 9
        try:
            code = _in_the_fork(tree, tests)
        finally:
            sys.stdout.flush()
            os._exit(code)
    last = time.monotonic() + patience
    while time.monotonic() < last:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "passed" if os.waitstatus_to_exitcode(status) == 0 else "failed"
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "hung"


def _in_the_fork(tree: Path, tests: Sequence[str]) -> int:
    import pytest

    os.setpgid(0, 0)
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    os.chdir(tree)
    sys.path.insert(0, str(tree))
    os.environ["PYTHONPATH"] = str(tree)
    return int(pytest.main([*CALL, *tests]))


def forget(module: Path) -> None:
    """Remove what Python compiled: a change of the same length within a second goes unseen."""
    for compiled in module.parent.glob(f"__pycache__/{module.stem}.cpython*"):
        compiled.unlink()


def examine(tree: Path, file: str, *, share: int, seed: int) -> dict[str, Any]:
    """Change one file again and again; return what the tests made of it.

    Raises
    ------
    RuntimeError
        If the tests fail on the sound code.
    """
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    source = (ROOT / file).read_text()
    tests = suite_of(file)
    begun = time.monotonic()
    if run_tests(tree, tests, 600.0, keep=True) != "passed":
        raise RuntimeError(f"{file}: the tests fail without a change: {' '.join(tests)}")
    forget(tree / file)
    patience = max(LEAST_PATIENCE, PATIENCE * (time.monotonic() - begun))
    came: Counter[str] = Counter()
    survivors = []
    for mutant in drawn(source, share=share, seed=seed):
        changed = mutate_code(source, get_operator(mutant.operator)(), mutant.occurrence)
        if not _compiles(changed):
            continue  # a star between arguments made another sign: no test is needed for that
        (tree / file).write_text(changed)
        outcome = run_tests(tree, tests, patience)
        came[outcome] += 1
        if outcome == "passed":
            survivors.append(_survivor(mutant, source, changed))
            print(json.dumps({"file": file, **survivors[-1]}), file=sys.stderr, flush=True)
    (tree / file).write_text(source)
    return {
        "file": file, "places": len(places(source)), "made": came.total(),
        "killed": came["failed"] + came["hung"], "survived": survivors, "tests": tests,
    }  # fmt: skip


def _compiles(source: str) -> bool:
    try:
        ast.parse(source)
    except SyntaxError:
        return False
    return True


def _survivor(mutant: Mutant, source: str, changed: str) -> dict[str, Any]:
    before, after = (text.splitlines()[mutant.line - 1].strip() for text in (source, changed))
    name = mutant.operator.partition("/")[2]
    return {"line": mutant.line, "operator": name, "before": before, "after": after}


def modules() -> list[str]:
    """Return the modules with something in them that can be changed."""
    every = (path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py")))
    return [str(path.relative_to(ROOT)) for path in every if places(path.read_text())]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", nargs="*", help="all of pipe/ and pulls/ if not given")
    parser.add_argument("--share", type=int, default=40, help="places of each file")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    for library in LIBRARIES:
        importlib.import_module(library)
    left = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copied(Path(folder))
        for file in given.files or modules():
            found = examine(tree, file, share=given.share, seed=given.seed)
            left += len(found["survived"])
            print(json.dumps(found), flush=True)
    return 1 if left else 0


if __name__ == "__main__":
    sys.exit(main())
