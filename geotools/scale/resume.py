"""What became of a district's earlier plan: kept, or why it was made again."""

from __future__ import annotations

from dataclasses import dataclass

from geotools.scale.manifest import Entry

__all__ = ["FAILED", "Fate", "fate_of"]

CHOICE = "network.only"
# What differs of itself where other runs are chosen is not in here: the runs and what lies around.
_OF_ITSELF = ("version", "crs", "settings", "carrier.fixed", CHOICE)
FAILED = ("failed", "set_aside")


@dataclass(frozen=True)
class Fate:
    """Why a district was planned, or that its plan was kept.

    Attributes
    ----------
    why : str
        One of ``schema.RESUMED``; "" where there is nothing to plan.
    changed : tuple of str
        What of the key differs, where that is why.
    renewed : bool
        Of a plan that was kept: what it tells of inputs and settings was written anew.
    """

    why: str
    changed: tuple[str, ...] = ()
    renewed: bool = False


def fate_of(entry: Entry, last: Entry | None, *, whole: bool) -> Fate:
    """Return what became of a district.

    Parameters
    ----------
    entry : Entry
        What is known of it now.
    last : Entry or None
        What was known of it when the batch began.
    whole : bool
        Whether the file of its last plan was there, as it was written.
    """
    if entry.status == "empty":
        return Fate("")
    if last is None or last.status == "empty":
        return Fate("new")
    if last.status in FAILED:
        return Fate("failed_before")
    if not whole:
        return Fate("file_lost")
    if entry.status == "done" and entry.key == last.key:
        return Fate("kept", renewed=entry.sha256 != last.sha256)
    return Fate("changed", _differing(entry, last))


def _differing(entry: Entry, last: Entry) -> tuple[str, ...]:
    """Return the parts of two keys that differ, in their order; none where one key is not known.

    Where others of its runs are chosen a district sees others of the features: that is no change
    of these.
    """
    if not (entry.key and last.key):
        return ()
    parts = dict.fromkeys((*entry.key, *last.key))
    differing = tuple(part for part in parts if entry.key.get(part) != last.key.get(part))
    if CHOICE not in differing:
        return differing
    return tuple(part for part in differing if part in _OF_ITSELF)
