"""Records of joints beside the joints of the schedule they are of."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.deliver.wording import shown
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["FloatArray", "IntArray", "Match", "TextArray", "folded", "parted", "words_of"]

TextArray = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Match:
    """Records that are in the schedule.

    Attributes
    ----------
    record, joint : ndarray of int, shape (n,)
        Row of the record, and of its joint in the schedule.
    made, due : DataFrame
        The records and the schedule, row by row beside each other.
    units : {"si", "us"}
        Units of the texts.
    """

    record: IntArray
    joint: IntArray
    made: pd.DataFrame
    due: pd.DataFrame
    units: str

    def number(self, name: str) -> FloatArray:
        """Return what is on record."""
        return self.made[name].to_numpy(dtype=np.float64)

    def limit(self, name: str) -> FloatArray:
        """Return what the schedule asks for."""
        return self.due[name].to_numpy(dtype=np.float64)

    def told(self, value: float, dimension: str) -> str:
        """Return a value with its unit; a plain number where it has none."""
        return shown(value, dimension, self.units) if dimension else f"{value:.4g}"


def words_of(texts: pd.Series[Any]) -> TextArray:
    """Return texts without case and without double blanks, for comparing.

    A letter and its mark may be one sign or two, which look alike.
    """
    codes, names = pd.factorize(texts.to_numpy(dtype=object))
    plain = np.array(
        [unicodedata.normalize("NFC", " ".join(str(name).casefold().split())) for name in names],
        dtype=object,
    )
    return plain[codes]


def folded(texts: pd.Series[Any]) -> TextArray:
    """Return identifiers without case, blanks, signs that do not show and leading zeros.

    Dashes of all kinds are hyphens: ``r0001–l2–j05`` is ``r1-l2-j5``.
    """
    codes, names = pd.factorize(texts.to_numpy(dtype=object))
    return np.array([_folded(str(name)) for name in names], dtype=object)[codes]


def _folded(name: str) -> str:
    signs = unicodedata.normalize("NFKC", "".join(name.casefold().split()))
    shown = [sign for sign in signs if unicodedata.category(sign) != "Cf"]
    plain = "".join("-" if _is_dash(sign) else sign for sign in shown)
    return re.sub("(?<![0-9])0+(?=[0-9])", "", plain)


def _is_dash(sign: str) -> bool:
    return unicodedata.category(sign) == "Pd" or sign == "\N{MINUS SIGN}"


def parted(name: str, dashes: int) -> tuple[str, str]:
    """Return a name as written in front of and behind the dash that so many others follow."""
    signs = unicodedata.normalize("NFKC", name)
    at = [k for k, sign in enumerate(signs) if _is_dash(sign)][-1 - dashes]
    return signs[:at].strip(), signs[at + 1 :].strip()
