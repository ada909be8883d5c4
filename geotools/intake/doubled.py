"""Streets that are in their layer twice, as where tiles were merged: one of them is kept.

Two of one way each against each other, as links of a road network are kept, are one of both ways.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.duplicates import drawn_against, duplicate_groups
from geotools.intake.limits import limit
from geotools.intake.lines import Parts, keep_parts
from geotools.intake.notes import Note, note
from geotools.intake.traffic import one_way
from geotools.pipe.names import folded

__all__ = ["Once", "joined_ways", "without_doubles"]

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Names = npt.NDArray[Any]
TEXTS = ("class", "name", "oneway")
NUMBERS = ("lanes", "width", "speed")  # the largest counts
OF_EACH = ("lanes", "width")  # what streets of one way have each for themselves
# What a street of both ways has at least: lanes, and m for each (common practice, no source)
FEWEST, NARROWEST = 2.0, 3.0
SUMMED, LEAST, SMALL, BEYOND, UNKNOWN = range(5)  # what became of the values of two


@dataclass(frozen=True)
class Once:
    """Streets without their doubles, and those that are two of one way each against each other.

    ``pairs``, shape (k, 2), are places among ``parts``; of each the one that counts comes first.
    """

    parts: Parts
    pairs: IntArray
    notes: list[Note]


def without_doubles(parts: Parts, table: pd.DataFrame, names: Names) -> Once:
    """Keep one of the streets with the same vertices, either way; each of the others is a note.

    Two of them would make an intersection of each of their ends. The one of the most lanes stays,
    then the widest, the fastest, the one with the fullest record, the first by its texts, and by
    where it begins: it may not hang on the order of the features. Of streets of one way each, some
    against the others, one stays for either way, or one of both ways if it is there.

    Parameters
    ----------
    parts : Parts
        Coordinates in m.
    table : DataFrame
        The layer as read; ``parts.row`` are its rows.
    names : ndarray of object
        Name of each of those rows.
    """
    group = duplicate_groups(parts)
    member = np.flatnonzero(np.bincount(group, minlength=len(parts))[group] > 1)
    if not len(member):
        return Once(parts, np.zeros((0, 2), dtype=np.int64), [])
    group = group[member]
    way = _ways(parts, table, member, group)
    opposed, both = _opposed(group, way)
    kind = 2 * group + (opposed & ~both & (way < 0))  # of each one stays
    order = _in_order(parts, table, member, [kind, opposed & both & (way != 0)])
    first = np.flatnonzero(np.diff(kind[order], prepend=-1))
    keeper = np.repeat(order[first], np.diff(first, append=len(order)))
    twin = order != keeper
    lost, kept = order[twin], keeper[twin]
    texts = _texts(table.iloc[parts.row[member]], names[parts.row[member]], way, lost, kept)
    notes = note("warning", "duplicate-street", parts.row[member[lost]], texts, every=True)
    paired = order[first][(opposed & ~both)[order[first]]]
    paired = paired[_in_order(parts, table, member[paired], [group[paired]])]
    stay = np.setdiff1d(np.arange(len(parts)), member[lost])
    pairs = np.searchsorted(stay, member[paired]).reshape(-1, 2)
    return Once(keep_parts(parts, stay), pairs.astype(np.int64), notes)


def _ways(parts: Parts, table: pd.DataFrame, member: IntArray, group: IntArray) -> FloatArray:
    """Return the way of traffic as `one_way`, told by how the first line of the group is drawn."""
    way = one_way(table.iloc[parts.row[member]])[0]
    return np.where(drawn_against(parts, member, group), -way, way)


def _opposed(group: IntArray, way: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Tell whose group has streets of one way against each other, and whose one of both ways."""
    ahead, behind, both = (np.bincount(group, way == each)[group] > 0 for each in (1, -1, 0))
    return ahead & behind, both


def _in_order(
    parts: Parts, table: pd.DataFrame, member: IntArray, before: list[npt.NDArray[Any]]
) -> IntArray:
    """Return the order of lines by what goes before, the one that stays first."""
    some = table.iloc[parts.row[member]]
    begin = parts.xy[parts.offsets[member]]
    texts = [some[name].fillna("").astype(str).to_numpy(dtype=str) for name in TEXTS]
    numbers = [-some[name].astype(float).fillna(0.0).to_numpy(dtype=float) for name in NUMBERS]
    blank = (some.isna() | (some == "")).sum(axis=1).to_numpy()
    keys = [*before, *numbers, blank, *texts, *begin.T, parts.row[member]]
    return np.asarray(np.lexsort(keys[::-1]), dtype=np.int64)


def _texts(
    some: pd.DataFrame, names: Names, way: FloatArray, lost: IntArray, kept: IntArray
) -> list[str]:
    """Say of each street set aside which was kept, and in what their records differ."""
    differ = _differences(some, lost, kept, (*NUMBERS, *TEXTS[:-1]))
    told = []
    for name, unlike, turned in zip(names[kept], differ, way[lost] != way[kept], strict=True):
        words = ", ".join([*unlike, "oneway"] if turned else unlike)
        records = f" (their records differ in {words})" if words else ""
        told.append(
            f"has the same vertices as {name}, which was kept; set aside{records}; delete the one "
            "that is not there"
        )
    return told


def _differences(
    table: pd.DataFrame, one: IntArray, other: IntArray, fields: tuple[str, ...]
) -> list[list[str]]:
    """Return of each two rows in which of the fields they differ."""
    names = [name for name in fields if name in table]
    a, b = (table[names].iloc[rows].reset_index(drop=True) for rows in (one, other))
    if "class" in names:  # as classes are compared everywhere
        for side in (a, b):
            side["class"] = side["class"].map(folded, na_action="ignore")
    differ = ((a != b) & ~(a.isna() & b.isna())).to_numpy(dtype=bool)
    return [np.array(names, dtype=object)[unlike].tolist() for unlike in differ]


def joined_ways(once: Once, table: pd.DataFrame) -> tuple[Parts, pd.DataFrame, list[Note]]:
    """Join streets of one way each against each other to one of both ways.

    Lanes and widths are added up where both are known; where one is, it is the least, and a note.
    What else differs is that of the first, and is a note on the other.

    Parameters
    ----------
    once : Once
    table : DataFrame
        Of the parts, a row each.
    """
    one, other = once.pairs.T
    if not len(one):
        return once.parts, table, []
    notes = _unlike(once, table)
    table = table.copy()
    least = np.full(len(one), FEWEST)
    for name in OF_EACH:
        total, became = _summed(table[name].to_numpy(dtype=float)[once.pairs], least, name)
        notes += _partly(name, once, table["feature"].to_numpy(dtype=object), became)
        table[name] = table[name].astype(float)
        table.loc[one, name] = total
        least = NARROWEST * np.fmax(total, FEWEST)
    table.loc[one, "oneway"] = "both"
    stay = np.setdiff1d(np.arange(len(table)), other)
    return keep_parts(once.parts, stay), table.iloc[stay].reset_index(drop=True), notes


def _unlike(once: Once, table: pd.DataFrame) -> list[Note]:
    """Note the second of each two whose records differ; a street is of one class both ways.

    Names, as of a road by its direction, and speeds may well differ.
    """
    one, other = once.pairs.T
    differ = _differences(table, one, other, ("class", "name", "speed"))
    names = table["feature"].to_numpy(dtype=object)[one]
    rows: dict[bool, list[int]] = {False: [], True: []}
    texts: dict[bool, list[str]] = {False: [], True: []}
    for row, name, words in zip(once.parts.row[other].tolist(), names, differ, strict=True):
        wrong = "class" in words
        if words:
            rows[wrong].append(row)
            texts[wrong].append(
                f"runs against {name} on the same vertices, and was joined with it to a street of "
                f"both ways; their records differ in {', '.join(words)}: that of {name} was taken"
                + ("; correct the class that is wrong" if wrong else "")
            )
    rule = "opposite-ways-differ"
    return note("warning", rule, rows[True], texts[True]) + note(
        "info", rule, rows[False], texts[False]
    )


def _summed(each: FloatArray, least: FloatArray, name: str) -> tuple[FloatArray, IntArray]:
    """Return sums of values of each two, NaN if not known, and what became of them.

    One that is known alone is the sum unless it is below ``least``, what any street of both ways
    has: what streets that say nothing are given is nearer then.
    """
    known = each > 0
    total = np.where(known, each, 0.0).sum(axis=1)
    single = np.where(total < least, SMALL, LEAST)
    both = np.where(total > limit(name).high, BEYOND, SUMMED)
    became = np.select([known.all(axis=1), known.any(axis=1)], [both, single], UNKNOWN)
    return np.where(np.isin(became, (SUMMED, LEAST)), total, np.nan), became


def _partly(name: str, once: Once, features: Names, became: IntArray) -> list[Note]:
    """Note the streets of both ways whose lanes or widths were not added up, though there are."""
    alone = "on record of one of them alone"
    instead = {
        LEAST: f"{name}: {alone}, and taken as the least of both",
        SMALL: f"{name}: {alone}, and too little for both ways; read as not known",
        BEYOND: f"{name}: of both together more than a street can have; read as not known",
    }
    notes = []
    for kind, text in instead.items():
        pairs = once.pairs[became == kind]
        texts = [
            f"was joined with {other}, which runs against it on the same vertices, to a street of "
            f"both ways; {text}; give it for each way"
            for other in features[pairs[:, 1]]
        ]
        severity = "warning" if kind == BEYOND else "info"
        found = note(severity, "opposite-ways-partly", once.parts.row[pairs[:, 0]], texts)
        notes += [replace(one, field=name) for one in found]
    return notes
