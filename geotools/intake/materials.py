"""Materials of mains that are not among the words known, and what their bore is taken as."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.host import host_bore, host_kind
from geotools.pipe.words import kind_of

__all__ = ["bore_assumed", "unknown_materials"]

SHOWN = 30  # words told one by one
# What the words are of, and what to do: those nobody knows, and those of materials of which there
# is no table of bores.
STRANGE = (
    "none of the words known, or of several",
    "write a usual word for the material, or give bore",
)
WITHOUT_TABLE = "materials whose bores are in no table here", "give bore"
_ANY = 0.315  # m; of an unknown material the share is the same for all sizes, and this is one of PE


def bore_assumed() -> str:
    """Return what the bore of a main of unknown material is taken as, and what it may be, in words.

    Of plastic pipe by ISO 4427 and ISO 1452 the diameter is the outside one.
    """
    bore = host_bore("unknown", _ANY)
    low, high = float(bore.low_m) / _ANY, float(bore.high_m) / _ANY
    least = float(host_bore("pe", _ANY).low_m) / _ANY
    return (
        f"the bore is taken as of an unknown material, {low:.0%} to {high:.0%} of the diameter; if "
        f"that is the outside one, as of PE and PVC, the bore is less, down to {least:.0%} of it, "
        "and a carrier that is planned may not go in"
    )


def unknown_materials(
    material: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64],
    say: Callable[[float], str],
) -> str:
    """Return a text on the words of material that are not known, or "".

    Parameters
    ----------
    material : ndarray of str objects, shape (n,)
        Of mains that may be lined and whose bore is not on record.
    lengths : ndarray, shape (n,)
        Of these mains, m.
    say : callable
        Puts a length, m, in words.
    """
    table = pd.DataFrame({"word": pd.Series(material, dtype=object).str.strip(), "length": lengths})
    words = table[table["word"] != ""].groupby("word")["length"].agg(["size", "sum"])
    words = words[host_kind(words.index.to_numpy(dtype=str)) == "unknown"]
    if not len(words):
        return ""
    words = words.sort_values("size", ascending=False, kind="stable")
    known = np.array([kind_of(word) != "" for word in words.index])
    told = [
        f"mains of material {_listed(some, say)} are of {what}: {bore_assumed()}; {do}"
        for some, what, do in (
            (words[~known], *STRANGE),
            (words[known], *WITHOUT_TABLE),
        )
        if len(some)
    ]
    return ". ".join([told[0], *(text[0].upper() + text[1:] for text in told[1:])])


def _listed(words: pd.DataFrame, say: Callable[[float], str]) -> str:
    told = [
        f"{word!r} ({size:,}, {say(float(length))})"
        for word, size, length in words.head(SHOWN).itertuples()
    ]
    more = f" and {len(words) - SHOWN:,} other words" if len(words) > SHOWN else ""
    return f"{', '.join(told)}{more}"
