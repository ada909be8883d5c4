"""Kernels: scalar loops run as they are on small input and compiled on large.

A kernel is an ordinary function over flat sequences of numbers. On a small district the
interpreter is done before a compiler would be loaded; on a large one numba compiles it once and
keeps the result in its cache, so that the next run only loads it. What counts is the work of the
whole process: the compiler is loaded once interpreting all kernels has taken about as long as
that; from then on each kernel that is more than a few milliseconds' work is compiled.
"""

from __future__ import annotations

import ctypes
import os
from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.threads import ThreadPool, go_on

__all__ = [
    "ALSO_ABOVE",
    "COMPILE_ABOVE",
    "LARGE",
    "columns_of",
    "expect",
    "give_back",
    "in_parts",
    "in_threads",
    "processors",
    "read_only",
    "ready_tree",
    "run_kernel",
    "worth_compiling",
]

# Inner steps of all kernels of a process, and of the kernel in question. Measured in plans: 0.4 us
# a step interpreted; 0.75 s to import numba and to call the first kernel of a warm cache, 0.01 s
# for each other. So loading pays from some two million steps, and a little later, since the first
# time after an install each kernel takes a second to compile.
COMPILE_ABOVE = 2_750_000
ALSO_ABOVE = 100_000
ROWS_A_THREAD = 2_000  # fewer geometries are not worth a thread
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3  # numbers of glibc's malloc.h
LARGE = 4_000_000  # bytes; mapping what is smaller costs time in lots of runs
KEPT = 64_000_000  # bytes at the end of the heap, ready for what is asked for next
MUCH = 500_000_000  # bytes; a process that holds less need not look for what it could give back
# No caller but the kernel: without what Python and C would call it by, which takes long to compile.
_PART: dict[str, Any] = {"nogil": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
_expected = [0.0]  # steps of all kernels that are to come at least
_taken: Counter[Callable[..., None]] = Counter()  # steps of every kernel in this process


def give_back() -> None:
    """Give memory that was freed back to the system, where the process holds much.

    The allocators of glibc and Arrow keep what is freed for what is asked for next; after a large
    step of the work that is as much again as what is held. Called where such a step ends.
    """
    if _resident() < MUCH:
        return
    import pyarrow as pa

    pa.default_memory_pool().release_unused()
    trim = _malloc_trim()
    if trim is not None:
        _large_go_back()
        trim(0)


def _resident() -> int:
    """Return the bytes of memory this process takes up; 0 where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[1])
    except OSError:
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")


@cache
def _large_go_back() -> None:
    """Have glibc give back what is large when it is freed, from now on.

    Columns of a whole city would otherwise lie about freed: glibc takes what was mapped and freed
    once for something to be kept, up to 32 MB.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    mallopt(M_MMAP_THRESHOLD, LARGE)
    mallopt(M_TRIM_THRESHOLD, KEPT)  # as glibc has it by itself where large blocks are in use


@cache
def _malloc_trim() -> Callable[[int], int] | None:
    """Return glibc's ``malloc_trim``; None where the C library has none."""
    try:
        trim: Callable[[int], int] = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return None
    return trim


def read_only(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a contiguous view a kernel may read but not write."""
    view = np.ascontiguousarray(values).view()
    view.flags.writeable = False
    return view


def columns_of(table: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], ...]:
    """Return the columns of a table, each one as a kernel may read it."""
    return tuple(read_only(column) for column in table.T)


def in_threads(
    function: Callable[..., npt.NDArray[Any]], *columns: npt.NDArray[Any]
) -> npt.NDArray[Any]:
    """Return ``function(*columns)``, row by row the same, worked out on all processors.

    Parameters
    ----------
    function : callable
        Works row by row, and frees the interpreter's lock meanwhile, as shapely's do.
    *columns
        Arrays of one length.
    """
    count = len(columns[0])
    parts = min(processors(), count // ROWS_A_THREAD)
    if parts < 2:
        return function(*columns)
    slices = [np.array_split(column, parts) for column in columns]
    with ThreadPool(parts) as pool:
        return np.concatenate(list(pool.map(function, *slices)))


def in_parts(
    function: Callable[..., npt.NDArray[Any]], rows: int, *columns: npt.NDArray[Any]
) -> npt.NDArray[Any]:
    """Return ``function(*columns)``, row by row the same, worked out so many rows at a time.

    For what makes much of each row on the way to little: so much is never held of all of them.

    Parameters
    ----------
    function : callable
        Works row by row.
    rows : int
        How many rows at a time.
    *columns
        Arrays of one length.
    """
    count = len(columns[0])
    if count <= rows:
        return function(*columns)
    parts = [slice(first, first + rows) for first in range(0, count, rows)]
    return np.concatenate([function(*(column[part] for column in columns)) for part in parts])


def processors() -> int:
    """Return how many processors this process may use.

    ``OMP_NUM_THREADS`` bounds it, as it does for numerical libraries; Dask sets it to one in its
    workers, so that several of them share the processors and do not fight over them.
    """
    bound = os.environ.get("OMP_NUM_THREADS", "").partition(",")[0].strip()
    has = os.cpu_count() or 1
    if hasattr(os, "sched_getaffinity"):
        has = len(os.sched_getaffinity(0))
    return min(has, max(int(bound), 1)) if bound.isdecimal() else has


def ready_tree(shapes: npt.NDArray[np.object_]) -> shapely.STRtree:
    """Return a tree that threads may share: it is put in order at its first query, which is here.

    Nothing else of shapely's is shared so: prepared geometries change as they are asked.
    """
    tree = shapely.STRtree(shapes)
    tree.query(shapely.Point(0.0, 0.0))
    return tree


def worth_compiling(function: Callable[..., None], steps: float | Callable[[], float]) -> bool:
    """Count so many steps of a kernel more; return whether it now pays to run it compiled.

    For a kernel that NumPy outdoes where it would be interpreted; `run_kernel` asks by itself.
    Steps that take time to work out may be a function: it is not asked once the kernel pays.
    """
    if not _pays(function):
        _taken[function] += int(steps() if callable(steps) else steps)
    return _pays(function)


def _pays(function: Callable[..., None]) -> bool:
    enough = max(sum(_taken.values()), _expected[0]) > COMPILE_ABOVE
    return enough and _taken[function] > min(ALSO_ABOVE, COMPILE_ABOVE)


def expect(steps: float) -> None:
    """Say how many inner steps of all kernels are to come at least, before the first is taken.

    So a large plan does not begin interpreted what it will load the compiler for anyway.
    """
    _expected[0] = max(_expected[0], steps)


def run_kernel(
    function: Callable[..., None], steps: float | Callable[[], float], *arguments: Any
) -> None:
    """Run a kernel in place over its arguments.

    Parameters
    ----------
    function : callable
        Takes arrays (or lists) and plain numbers, writes into some of the arrays. Functions
        it calls are kernels too.
    steps : float or callable
        Rough count of inner steps it will take, of 0.4 us interpreted; with those before, and
        those of the other kernels, decides whether to compile. A callable that returns it is
        called while that is not decided.
    *arguments
        Arrays, numbers and tuples of them, in the order of the function. A table comes as an
        array of its rows, or as a list of lists.
    """
    go_on()
    if worth_compiling(function, steps):
        _compiled(function)(*arguments)
        return
    lists = _listed(arguments)
    function(*lists)
    _write_back(arguments, lists)


def _listed(value: Any) -> Any:
    """Return arrays as lists, through tuples: an interpreter is quicker on them."""
    if isinstance(value, tuple):
        return tuple(_listed(part) for part in value)
    return value.tolist() if isinstance(value, np.ndarray) else value


def _write_back(value: Any, listed: Any) -> None:
    """Copy what a kernel wrote into lists to the arrays they were made from."""
    if isinstance(value, tuple):
        for part, parts in zip(value, listed, strict=True):
            _write_back(part, parts)
    elif isinstance(value, np.ndarray) and value.flags.writeable:
        value[:] = listed


@cache
def _compiled(function: Callable[..., None]) -> Callable[..., None]:
    import numba

    whole = _with_parts(function)
    try:
        compiled: Callable[..., None] = numba.njit(cache=True, nogil=True)(whole)
    except RuntimeError:  # no folder to keep it in: compiled anew in every process
        compiled = numba.njit(nogil=True)(whole)
    return compiled


def _with_parts(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a kernel that calls the functions it is made of compiled, for it alone."""
    if not isinstance(function, FunctionType):
        return function
    import numba

    alone = numba.njit(**_PART)
    around = function.__globals__
    called = {name: around.get(name) for name in function.__code__.co_names}
    parts = {n: alone(_with_parts(f)) for n, f in called.items() if isinstance(f, FunctionType)}
    if not parts:
        return function
    return FunctionType(function.__code__, {**around, **parts}, function.__name__)
