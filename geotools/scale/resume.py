"""What became of a district's earlier plan: kept, or why it was made again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from geotools.deliver.files import free_beside
from geotools.deliver.geopackage import layers_of_others
from geotools.errors import OutputError
from geotools.intake.digest import sha256
from geotools.scale.manifest import Entry, Manifest

__all__ = ["FAILED", "Fate", "fate_of", "keep_edited", "keep_summary"]

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


def keep_edited(targets: Mapping[str, Path], before: Manifest) -> dict[str, str]:
    """Give files that are no longer what a batch wrote other names, before plans take their place.

    Where it is not known what a batch wrote, those with layers that no plan has.

    Parameters
    ----------
    targets : mapping of str to Path
        By the district to be planned, where its plan is to lie.
    before : Manifest
        What the earlier batch wrote.

    Returns
    -------
    dict of str to str
        By district, the name its edited file has now.

    Raises
    ------
    OutputError
        If one cannot be renamed.
    """
    kept = {}
    for name, target in targets.items():
        if not target.is_file() or sha256(target) == (wrote := _written(name, target.name, before)):
            continue
        if wrote or layers_of_others(target):
            kept[name] = _set_aside(target)
    return kept


def keep_summary(summary: Path) -> str:
    """Give a summary that somebody's own layers lie in another name, and return that; else ""."""
    return _set_aside(summary) if layers_of_others(summary) else ""


def _set_aside(target: Path) -> str:
    aside = free_beside(target)
    try:
        target.rename(aside)
    except OSError as error:
        raise OutputError(
            f"{target}: was edited since the batch wrote it, and cannot be kept under another "
            f"name ({error.strerror or error}); move it away"
        ) from error
    return aside.name


def _written(name: str, file: str, before: Manifest) -> str:
    """Return the hash of what was last written to the file of a district; "" if nothing was."""
    if name in before and before[name].sha256:
        return before[name].sha256
    return next((entry.sha256 for entry in before.values() if entry.file == file), "")


def fate_of(entry: Entry, last: Entry | None, *, whole: bool, edited: bool = False) -> Fate:
    """Return what became of a district.

    Parameters
    ----------
    entry : Entry
        What is known of it now.
    last : Entry or None
        What was known of it when the batch began.
    whole : bool
        Whether the file of its last plan was there, as it was written.
    edited : bool
        Whether it was there, and was not what was written.
    """
    if entry.status == "empty":
        return Fate("")
    if last is None or last.status == "empty":
        return Fate("new")
    if last.status in FAILED:
        return Fate("failed_before")
    if not whole:
        return Fate("file_changed" if edited else "file_lost")
    if not last.key:  # one hash for all, which tells of no part
        return Fate("written_by_earlier_version")
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
