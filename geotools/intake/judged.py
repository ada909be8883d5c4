"""What signs, NO, T and F stand for in a column, as all of its source tells, whatever was read."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as part
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.czech import what_no_is
from geotools.intake.digest import state_of
from geotools.intake.french import FIELD as MATERIAL
from geotools.intake.french import language_of
from geotools.intake.limits import TOO_SMALL, limit
from geotools.intake.match import Column
from geotools.intake.measured import signs_in
from geotools.intake.normally import FIELD, normally
from geotools.intake.signs import Sense, Signs
from geotools.intake.sources import Bounds, Content, Source
from geotools.intake.stamp import Stamp
from geotools.intake.traffic import FIELD as TRAFFIC
from geotools.intake.traffic import traffic
from geotools.intake.values import texts
from geotools.schema import Field

__all__ = ["Judge", "judge_of", "sense_of", "told_by"]

# Gives the signs of the column a field is read from.
Judge = Callable[[Field, Column], Signs]


@dataclass(frozen=True)
class _Stored:
    """A column of a file in one state; how it is read makes it no other."""

    state: tuple[Stamp, ...]
    target: str
    sublayer: str
    encoding: str
    name: str
    read: Callable[[str], pd.Series[Any]] = part(compare=False)


def sense_of(field: Field, column: Column) -> Sense:
    """Return what the numbers of a field, read from a column, can be."""
    bounds = limit(field.name)
    least = max(bounds.low, TOO_SMALL.get(field.name, -math.inf))
    return Sense(least, bounds.high, column.factor, field.dtype == "integer")


def told_by(field: Field, texts: npt.NDArray[np.object_], sense: Sense) -> Signs:
    """Return what is told of a field by the texts of its whole column.

    Each once is enough but of traffic, where it counts how many say nothing.
    """
    if field.name == FIELD:
        return Signs(sense, states=normally(texts))
    if field.dtype == "flag":
        return Signs(sense, states=what_no_is(texts))
    if field.name == MATERIAL:
        return Signs(sense, language=language_of(texts))
    if field.name == TRAFFIC:
        return Signs(sense, ways=traffic(texts))
    return signs_in(texts, field.dimension, sense)


def judge_of(source: Source, content: Content, bounds: Bounds | None) -> Judge:
    """Return what judges columns of a source, of which the content within bounds was read.

    A column of a file is read whole once in a process while the file stays as it is.
    """

    def judge(field: Field, column: Column) -> Signs:
        if bounds is not None and field.name in source.signs:
            return source.signs[field.name]
        name, sense = column.name, sense_of(field, column)
        if bounds is None:
            return told_by(field, texts(content.table[name]), sense)
        if source.path is None:
            return told_by(field, texts(source.column(name)), sense)
        state = state_of(source.path)
        stored = _Stored(
            state, source.target, source.sublayer, source.encoding, name, source.column
        )
        return _judged(stored, field, sense)

    return judge


@lru_cache(maxsize=1024)
def _judged(column: _Stored, field: Field, sense: Sense) -> Signs:
    return told_by(field, texts(column.read(column.name)), sense)
