"""Reasons gathered against rows, rule by rule."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["Reasons", "rarest_first"]

RowsArray = npt.NDArray[np.int64]
_FIGURES = re.compile(r"\d+(?:[.:,T-]\d+)*")


@dataclass
class Reasons:
    """What is held against rows; the state is the list that grows rule by rule."""

    parts: list[pd.DataFrame] = field(default_factory=list)

    def add(self, rule: str, rows: RowsArray, texts: Sequence[str]) -> None:
        """Hold a text against each of the rows."""
        if len(rows):
            self.parts.append(pd.DataFrame({"rule": rule, "row": rows, "text": list(texts)}))

    def add_where(
        self, rule: str, mask: npt.NDArray[np.bool_], rows: RowsArray, say: Callable[[int], str]
    ) -> None:
        """Hold against ``rows[k]`` what ``say(k)`` says, wherever the mask is true."""
        found = np.flatnonzero(mask)
        self.add(rule, rows[found], [say(int(k)) for k in found])

    def table(self) -> pd.DataFrame:
        """Return rule, row and text of everything held against anyone."""
        if not self.parts:
            return pd.DataFrame({"rule": [], "row": np.zeros(0, np.int64), "text": []})
        return pd.concat(self.parts, ignore_index=True)

    def joined(self, count: int) -> npt.NDArray[np.object_]:
        """Return the texts of every row, shape (count,); empty where there is nothing."""
        out = np.full(count, "", dtype=object)
        table = self.table().drop_duplicates(["row", "text"])
        if len(table):
            joined = table.groupby("row", sort=True)["text"].agg("; ".join)
            out[joined.index.to_numpy(dtype=np.int64)] = joined.to_numpy(dtype=object)
        return out

    def rows(self, *rules: str) -> RowsArray:
        """Return the rows that one of the rules is held against."""
        table = self.table()
        return table.loc[table["rule"].isin(rules), "row"].to_numpy(dtype=np.int64)

    def counts(self) -> dict[str, int]:
        """Return how many rows each rule is held against, most first."""
        if not self.parts:
            return {}
        rows = self.table().drop_duplicates(["rule", "row"]).groupby("rule").size()
        ordered = rows.reset_index(name="n").sort_values(["n", "rule"], ascending=[False, True])
        return dict(zip(ordered["rule"], ordered["n"].astype(int), strict=True))


def rarest_first(texts: Iterable[str]) -> RowsArray:
    """Return the order of joined texts by the rarest reason in each; else they stay as they are.

    Reasons that differ in their figures alone count as one. So a fault that most rows have does
    not stand before the one cold joint.
    """
    parts = [{_FIGURES.sub("#", part) for part in text.split("; ")} for text in texts]
    met = Counter(part for row in parts for part in row)
    rank = [min(met[part] for part in row) for row in parts]
    return np.argsort(np.array(rank, dtype=np.int64), kind="stable")
