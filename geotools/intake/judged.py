"""What point and comma do in a column, as all of its source tells, whatever part was read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy.typing as npt
import pandas as pd

from geotools.intake.digest import state_of
from geotools.intake.measured import signs_in
from geotools.intake.signs import Sense, Signs
from geotools.intake.sources import Bounds, Content, Source
from geotools.intake.stamp import Stamp
from geotools.intake.values import texts

__all__ = ["Judge", "judge_of"]

# Gives the signs of a column by its name, the dimension of its field and what that can hold.
Judge = Callable[[str, str | None, Sense], Signs]


@dataclass(frozen=True)
class _Column:
    """A column of a file in one state; how it is read makes it no other."""

    state: tuple[Stamp, ...]
    target: str
    sublayer: str
    name: str
    read: Callable[[str], pd.Series[Any]] = field(compare=False)


def judge_of(source: Source, content: Content, bounds: Bounds | None) -> Judge:
    """Return what judges columns of a source, of which the content within bounds was read.

    A column of a file is read whole once in a process while the file stays as it is.
    """

    def judge(name: str, dimension: str | None, sense: Sense) -> Signs:
        if bounds is None or source.texts is not None:
            return signs_in(_at_hand(source, content, bounds, name), dimension, sense)
        if source.path is None:
            return signs_in(texts(source.column(name)), dimension, sense)
        state = state_of(source.path)
        column = _Column(state, source.target, source.sublayer, name, source.column)
        return _judged(column, dimension, sense)

    return judge


def _at_hand(
    source: Source, content: Content, bounds: Bounds | None, name: str
) -> npt.NDArray[Any]:
    """Return the texts of a column that need not be read: all are there, or were kept."""
    kept = None if bounds is None or source.texts is None else source.texts.get(name)
    return texts(content.table[name]) if kept is None else kept


@lru_cache(maxsize=1024)
def _judged(column: _Column, dimension: str | None, sense: Sense) -> Signs:
    return signs_in(texts(column.read(column.name)), dimension, sense)
