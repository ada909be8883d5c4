"""Notes: what was found in a layer, by row, before it is known where the rows lie on the map."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.findings import Findings

__all__ = ["NAMED", "Note", "emit", "note", "notes_by_word"]

NAMED = 20  # values put right, or words, are named one by one up to this many, then counted


@dataclass(frozen=True)
class Note:
    """A finding about rows of a layer.

    Attributes
    ----------
    rows : ndarray of int64, shape (k,)
        Rows of the layer as read.
    texts : tuple of str, length k
        One text a row, or one for all rows of a ``word``.
    every : bool
        Name every row (features set aside); otherwise the first `NAMED`, then a count.
    field : str
        Field the values are of; "" where the feature as a whole is meant.
    word : str or None
        What all rows say, for one finding with the place of each; "" of words told together, None
        where rows are told one by one.
    """

    severity: str
    rule: str
    rows: npt.NDArray[np.int64]
    texts: tuple[str, ...]
    every: bool = False
    field: str = ""
    word: str | None = None


def note(
    severity: str,
    rule: str,
    rows: npt.NDArray[Any] | Sequence[int],
    texts: str | Sequence[str],
    *,
    every: bool = False,
) -> list[Note]:
    """Return a list with one note, or none if there are no rows; ``texts`` may be one for all."""
    index = np.asarray(rows, dtype=np.int64)
    if not len(index):
        return []
    each = (texts,) * len(index) if isinstance(texts, str) else tuple(texts)
    return [Note(severity, rule, index, each, every)]


def notes_by_word(
    severity: str,
    rule: str,
    rows: npt.NDArray[Any],
    said: npt.NDArray[Any],
    say: Callable[[str, int], str],
) -> list[Note]:
    """Return a note for each word of a column, the most frequent first, and one for the rest.

    Parameters
    ----------
    severity, rule : str
    rows : ndarray of int64, shape (k,)
    said : ndarray of str objects, shape (k,)
        What each row says.
    say : callable
        Puts a word, and on how many features it stands, in a text.
    """
    number, words = pd.factorize(said, sort=True)
    order = np.argsort(-np.bincount(number, minlength=len(words)), kind="stable")
    notes = []
    for at in order[:NAMED].tolist():
        some, word = rows[number == at], str(words[at])
        notes.append(Note(severity, rule, some, (say(word, len(some)),), word=word))
    rest = np.isin(number, order[NAMED:])
    if rest.any():
        text = (
            f"{rest.sum():,} more features like those named under this rule, of "
            f"{len(words) - NAMED:,} other words, such as: {say(str(words[order[NAMED]]), 1)}"
        )
        notes.append(Note(severity, rule, rows[rest], (text,), word=""))
    return notes


def emit(
    findings: Findings,
    layer: str,
    notes: Sequence[Note],
    *,
    names: npt.NDArray[Any],
    places: Callable[[npt.NDArray[np.int64]], npt.NDArray[Any]],
) -> None:
    """Turn notes into findings.

    Parameters
    ----------
    findings : Findings
        Where they go.
    layer : str
        Layer of the contract.
    notes : sequence of Note
    names : ndarray of object, one per row of the layer
        Name of each feature.
    places : callable
        Gives the geometries of rows in the working CRS (None where there is none).

    Notes
    -----
    Rows are ordered by name, so that the order of features in a file changes nothing.
    """
    for item in notes:
        if item.word is not None:
            _emit_word(findings, layer, item, names=names, places=places)
            continue
        shown = names[item.rows].astype(str)
        texts = np.array(item.texts, dtype=object)
        order = np.lexsort([texts.astype(str), shown])
        head = order if item.every else order[:NAMED]
        findings.add_many(
            item.severity,
            item.rule,
            [str(t) for t in texts[head]],
            layer=layer,
            features=shown[head],
            geometry=places(item.rows[head]),
            field=item.field,
        )
        rest = order[len(head) :]
        if len(rest):
            findings.add(
                item.severity,
                item.rule,
                f"{len(rest)} more features like the {len(head)} named under this rule "
                f"({len(order)} in all), such as: {texts[rest[0]]}",
                layer=layer,
                geometry=_gathered(places(item.rows[rest])),
                field=item.field,
                stands_for=len(rest),
            )


def _emit_word(
    findings: Findings,
    layer: str,
    item: Note,
    *,
    names: npt.NDArray[Any],
    places: Callable[[npt.NDArray[np.int64]], npt.NDArray[Any]],
) -> None:
    """Tell of all rows in one finding, under the name of the first and with a point on each."""
    shown = names[item.rows].astype(str)
    order = np.argsort(shown, kind="stable")
    found = places(item.rows[order])
    findings.add(
        item.severity,
        item.rule,
        item.texts[0],
        layer=layer,
        feature=str(shown[order[0]]) if item.word else "",
        geometry=found[0] if len(found) == 1 else _gathered(found),
        field=item.field,
        stands_for=len(order),
        word=item.word or "",
    )


def _gathered(places: npt.NDArray[Any]) -> Any:
    """Return one point on each place as a MultiPoint, or None if there is no place at all."""
    known = places[~shapely.is_missing(places)]
    known = known[~shapely.is_empty(known)]
    return shapely.multipoints(shapely.point_on_surface(known)) if len(known) else None
