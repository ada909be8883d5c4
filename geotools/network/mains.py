"""Mains: what several parts of the network take from their columns."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.brief import Network
from geotools.intake.among import among, as_told
from geotools.intake.columns import Lines
from geotools.network.ragged import BoolArray, IntArray
from geotools.network.words import by_word

__all__ = [
    "carries_water",
    "large_enough",
    "may_be_lined",
    "of_others",
    "owners_of",
    "rank_of",
    "statuses_of",
]


def rank_of(mains: Lines) -> IntArray:
    """Return the order of the mains by identifier: what ties are settled by."""
    names = mains.table["main_id"].to_numpy(dtype=str)
    return np.unique(names, return_inverse=True)[1].astype(np.int64)


def statuses_of(mains: Lines) -> pd.Series:
    """Return the status of every main as findings name it (`as_told`), "" if none."""
    return _told(mains.table["status"])


def carries_water(mains: Lines, network: Network) -> BoolArray:
    """Return which mains have no status that takes them out of service."""
    return ~among(mains.table["status"], network.excluded_statuses)


def owners_of(mains: Lines) -> pd.Series:
    """Return the owner of every main as findings name it (`as_told`), "" if none."""
    return _told(mains.table["owner"])


def _told(texts: pd.Series) -> pd.Series:
    """Return texts as findings name them, "" where there is none."""
    words = by_word(texts, lambda word: "" if pd.isna(word) else as_told(str(word)))
    return pd.Series(words.astype(object), index=texts.index)


def of_others(mains: Lines, network: Network) -> BoolArray:
    """Return which mains are of an owner whose mains are not lined."""
    if not network.excluded_owners:
        return np.zeros(len(mains.table), dtype=np.bool_)
    return among(mains.table["owner"], network.excluded_owners)


def large_enough(mains: Lines, network: Network) -> BoolArray:
    """Return which mains are of the least diameter to be lined or more."""
    diameter = np.nan_to_num(mains.table["diameter"].to_numpy(dtype=float))
    return np.asarray(diameter >= network.min_diameter - 1e-9, dtype=np.bool_)


def may_be_lined(mains: Lines, network: Network) -> BoolArray:
    """Return which mains are large enough to be lined, and have no status or owner against it."""
    sound = large_enough(mains, network) & carries_water(mains, network)
    return sound & ~of_others(mains, network)
