"""Findings: every assumption, repair, refusal and data gap, each with a place on the map."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.schema import length_text

__all__ = ["SEVERITIES", "Findings", "counted", "objects"]

SEVERITIES = ("info", "warning", "error")


class Findings:
    """A growing table of findings; rooms add to it, the writer hands it over.

    Geometries are in the working CRS. ``None`` stands for "no place on the map". Texts are in the
    units of the output, ``system``: what they say of lengths goes through `length`.
    """

    def __init__(self, system: str = "si") -> None:
        self.system = system
        self._severities: list[str] = []
        self._said: list[tuple[str, str, str, str]] = []  # rule, layer, feature, text
        self._places: list[Any] = []
        self._counted: list[tuple[str, int, str]] = []  # field, values it stands for, their word

    def length(self, value: float, digits: int = 1) -> str:
        """Return a length, m, in words, in the units of the output."""
        return length_text(value, self.system, digits)

    def add(
        self,
        severity: str,
        rule: str,
        text: str,
        *,
        layer: str = "",
        feature: str = "",
        geometry: Any = None,
        field: str = "",
        stands_for: int = 1,
        word: str = "",
    ) -> None:
        """Add one finding.

        Parameters
        ----------
        severity : str
            One of ``SEVERITIES``.
        rule : str
            Short stable name, lower case with hyphens, such as ``zero-length``.
        text : str
            What was found, what was done about it, what the user can do.
        layer, feature : str
            Input layer and feature id it concerns.
        geometry : shapely geometry, optional
            Its place, in the working CRS.
        field : str
            Field of the layer it concerns.
        stands_for : int
            How many like it this one tells of.
        word : str
            What all of these say in that field, where it tells of a word.
        """
        self.add_many(
            severity,
            rule,
            [text],
            layer=layer,
            features=[feature],
            geometry=[geometry],
            field=field,
        )
        self._counted[-1] = (field, stands_for, word)

    def add_many(
        self,
        severity: str,
        rule: str,
        texts: Sequence[str] | str,
        *,
        layer: str = "",
        features: Sequence[str] | npt.NDArray[Any],
        geometry: Sequence[Any] | npt.NDArray[Any] | None = None,
        field: str = "",
    ) -> None:
        """Add a finding per feature; ``texts`` is one per feature, or one for all.

        Raises
        ------
        ValueError
            If the severity is unknown or the columns differ in length.
        """
        if severity not in SEVERITIES:
            raise ValueError(f"severity {severity!r} is none of {', '.join(SEVERITIES)}")
        count = len(features)
        if count == 0:
            return
        rows = [texts] * count if isinstance(texts, str) else list(texts)
        places = [None] * count if geometry is None else list(geometry)
        if not len(rows) == len(places) == count:
            raise ValueError("texts, features and geometry differ in length")
        self._severities += [severity] * count
        self._said += [(rule, layer, str(f), text) for f, text in zip(features, rows, strict=True)]
        self._places += places
        self._counted += [(field, 1, "")] * count

    def add_points(
        self,
        severity: str,
        rule: str,
        texts: Sequence[str] | str,
        *,
        layer: str = "",
        features: Sequence[str] | npt.NDArray[Any],
        xy: npt.NDArray[np.float64],
    ) -> None:
        """As `add_many`, the places given as an (n, 2) array of x, y."""
        self.add_many(
            severity,
            rule,
            texts,
            layer=layer,
            features=features,
            geometry=shapely.points(xy[:, :2]),
        )

    def table(self) -> pd.DataFrame:
        """All findings, gravest first, then by rule and in the order they were added."""
        return self.counted_table().drop(columns=["field", "word", "stands_for"])

    def counted_table(self) -> pd.DataFrame:
        """As `table`, with ``field``, ``word``, and how many values each ``stands_for``."""
        names = ("severity", "rule", "layer", "feature", "text", "geometry", "field", "word")
        if not self._said:
            none = pd.DataFrame({name: np.empty(0, dtype=object) for name in names})
            return none.assign(stands_for=np.zeros(0, dtype=np.int64))
        grave = [-SEVERITIES.index(severity) for severity in self._severities]
        said = [list(column) for column in zip(*self._said, strict=True)]
        order = np.lexsort((np.array(said[0]), np.array(grave)))
        fields, counts, words = zip(*self._counted, strict=True)
        columns = [self._severities, *said, self._places, fields, words]
        table = pd.DataFrame({n: objects(c)[order] for n, c in zip(names, columns, strict=True)})
        return table.infer_objects().assign(stands_for=np.array(counts, dtype=np.int64)[order])

    def count(self, severity: str) -> int:
        """Return how many findings have this severity."""
        return self._severities.count(severity)


def objects(values: Sequence[Any]) -> npt.NDArray[Any]:
    """Copy any sequence into a one-dimensional object array."""
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


def counted(words: pd.Series, most: int = 8) -> str:
    """Return words with how often each is met, the most frequent first."""
    counts = words.value_counts()
    named = sorted(counts.items(), key=lambda met: (-met[1], str(met[0])))
    told = ", ".join(f"{str(word)!r} ({count:,})" for word, count in named[:most])
    return told + (f" and {len(named) - most:,} other words" if len(named) > most else "")
