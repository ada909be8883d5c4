"""Why a role is refused at a place: one bit each, and the words for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.words import Texts, numbered, worded
from geotools.schema import ROLES

__all__ = [
    "ABOVE",
    "APART",
    "AVOID",
    "BITS",
    "CLOSES",
    "CROSSING",
    "CUTS",
    "DEEP",
    "FALLS",
    "NO_ROOM",
    "NO_STRING",
    "OFF_STREET",
    "PAST_VERGE",
    "RAMP",
    "SHUTS",
    "STEEP",
    "STIFF",
    "equal_rows",
    "reason_texts",
    "refusal_words",
    "role_names",
    "told_code",
]

IntTable = npt.NDArray[np.int64]
APART = "\n"  # between the names of places to avoid that are hit together
# In the order they are told; the texts take the limits by name.
_TEXTS = (
    "host above the ground",
    "deeper than {max_depth}",
    "too deep for the ramp at the carrier's bending radius",
    "the host falls away too steeply for the ramp at the carrier's bending radius",
    "its edge would cut a bend that must lie in a pit",
    "its edge would cut a valve that must lie in a pit",
    "its edge would cut between a bend and a valve that must lie in one pit",
    "within {clear} of the middle of an intersection",
    "in a place to avoid",
    "ground steeper than {max_slope}",
    "no room to lay out a string of {least_string}",
    "no room to lay out a string: it would lie past the verge of {verge} beside the carriageway",
    "no room to lay out a string: no street goes on behind the ramp",
    "no room to lay out a string: it cannot turn from the ramp into the street on its half of it",
    "no room to lay out a string: it would close every lane of a busy street",
    "would close every lane of a street of class {class}",
)
# What of the brief or the layers decides each; a setting that may only matter, as it is set.
_KEYS = (
    "levels of the mains and the dem",
    "pits.max_depth",
    "pits.ramp, pits.resting_height",
    "pits.ramp, pits.resting_height",
    "",
    "pulls.valves",
    "pulls.valves",
    "pits.clear_of_intersection, pits.spoil_setback{receive}",
    "layer avoid",
    "pits.max_slope",
    "street.least_string, street.no_block, layer avoid",
    "street.verge",
    "street.reach, street.max_turn",
    "least radius of the carrier, street.verge",
    "street.no_block",
    "street.no_block{receive_across}",
)
BITS = tuple(1 << bit for bit in range(len(_TEXTS)))
ABOVE, DEEP, RAMP, FALLS, *_CUTS, CROSSING, AVOID, STEEP = BITS[:10]
*NO_STRING, CLOSES = BITS[10:]
CUTS = (0, *_CUTS)
"""What a cut stretch of a kind of `must` is refused for: nothing cut, a bend, a valve, both."""
# Why there is no room for strings: too short, past the verge, off any street, too stiff to turn
# into it, no lane left.
NO_ROOM, PAST_VERGE, OFF_STREET, STIFF, SHUTS = NO_STRING


def refusal_words(bit: int, limits: dict[str, str], *, street: str, places: Sequence[str]) -> str:
    """Say one refusal, and what of the brief or the layers decides it.

    Parameters
    ----------
    bit : int
        One of `BITS`.
    limits : dict
        The limits in words, by name.
    street : str
        Class of the street.
    places : sequence of str
        Places to avoid that are hit, of which all are told.
    """
    row = bit.bit_length() - 1
    text = _TEXTS[row].format(**limits, **{"class": street})
    named = {name for place in places for name in place.split(APART) if name}
    text += f" ({', '.join(sorted(named))})" if named and bit == AVOID else ""
    key = _KEYS[row].format(**limits)
    return f"{text} [{key}]" if key else text


def told_code(code: IntTable) -> IntTable:
    """Return the refusals that are worth a word: a host above the ground is too deep for nothing.

    No ramp fits there either, but not for its depth.
    """
    return np.where(code & ABOVE, code & ~(RAMP | FALLS), code)


def role_names(code: IntTable) -> pd.Categorical:
    """Return the roles possible at each place, joined by commas."""
    bits = ((code == 0) * (1 << np.arange(4))).sum(axis=1)
    names = [", ".join(r for k, r in enumerate(ROLES) if b >> k & 1) for b in range(16)]
    return worded(np.array(names, dtype=object), bits)


def equal_rows(columns: Sequence[npt.NDArray[Any]]) -> tuple[IntTable, IntTable]:
    """Return the first row of every case the columns have, and the case of every row."""
    case = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        code = pd.factorize(column, use_na_sentinel=False)[0].astype(np.int64)
        case = pd.factorize(case * (code.max(initial=0) + 1) + code)[0].astype(np.int64)
    _, first = np.unique(case, return_index=True)
    return first, case


def reason_texts(
    why: Texts,
    code: IntTable,
    places: npt.NDArray[np.object_],
    classes: Texts,
    tolerated: npt.NDArray[np.bool_],
    soft: npt.NDArray[np.bool_],
    limits: dict[str, str],
) -> pd.Categorical:
    """Write out what speaks for and against each place; equal cases are worded once.

    Parameters
    ----------
    why : ndarray of str, shape (n,)
        What speaks for a pit.
    code : ndarray of int64, shape (n, 4)
        Refusals of each role as bits.
    places : ndarray of str, shape (n, 4)
        Places to avoid that are hit, of which the first is told.
    classes : ndarray of str, shape (n,)
        Class of the street.
    tolerated : ndarray of bool, shape (n, 4)
        Roles allowed in an intersection, at a price.
    soft : ndarray of bool, shape (n, 4)
        Roles whose pit meets a soft place, which makes it dearer.
    limits : dict
        The limits in words, by name.
    """
    places = _first(places)
    dear = np.asarray(tolerated.any(axis=1), dtype=np.bool_)
    (for_, wording), (class_, named) = numbered(why), numbered(classes)
    first, of = equal_rows([for_, class_, dear, *code.T, *places.T, *soft.T])
    texts = [
        _wording(
            wording[for_[row]],
            tuple(code[row].tolist()),
            tuple(places[row]),
            named[class_[row]],
            bool(dear[row]),
            tuple(soft[row].tolist()),
            limits=limits,
        )
        for row in first
    ]
    return worded(np.array(texts, dtype=object), of)


def _first(places: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return of several places the first."""
    of, names = pd.factorize(places.ravel())
    first = np.array([name.partition(APART)[0] for name in names], dtype=object)
    return first[of].reshape(places.shape) if len(names) else places


def _wording(
    why: str,
    bits: tuple[int, ...],
    places: tuple[str, ...],
    street: str,
    dear: bool,
    soft: tuple[bool, ...],
    *,
    limits: dict[str, str],
) -> str:
    parts = [f"for: {why}"] if why else []
    told = told_code(np.array(bits)).tolist()
    for bit, text in enumerate(_TEXTS):
        refused = [role for role, value in zip(ROLES, told, strict=True) if value >> bit & 1]
        if not refused:
            continue
        shown = text.format(**limits, **{"class": street})
        if 1 << bit == AVOID:
            named = sorted({name for name in places if name})
            shown += f" ({', '.join(named)})" if named else ""
        parts.append(f"against{_as_roles(refused)}: {shown}")
    if dear:
        parts.append("at a price: in an intersection as receiving")
    if any(soft):
        dearer = [role for role, meets in zip(ROLES, soft, strict=True) if meets]
        parts.append(f"at a price: in a place better left free{_as_roles(dearer)}")
    return "; ".join(parts)


def _as_roles(named: list[str]) -> str:
    """Say which roles a reason goes for, nothing if it is all of them."""
    return "" if len(named) == len(ROLES) else f" as {', '.join(named)}"
