"""Limits of the joint schedule in a file of records: what is due, and was not measured."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from geotools.deliver.csv_file import folded_name
from geotools.schema import OUTPUTS

__all__ = ["Limits", "limits_among", "names_its_procedure", "quoted"]

# Columns of the schedule that bear the name of something measured, and columns that only the
# schedule has. One of these says that those are its limits, whoever filled in the rest.
_BOTH = ("bead", "soak", "removal")
_SCHEDULE_ALONE = (
    *("piece_before", "piece_after", "heater_low", "heater_high", "cool"),
    *("interfacial_low", "interfacial", "interfacial_high", "gauge_low", "gauge", "gauge_high"),
)


@dataclass(frozen=True)
class Limits:
    """Columns of a file of records that are limits of the schedule.

    Attributes
    ----------
    columns : mapping of str to str
        Our column with its unit, by that of the file: those that would be taken for measured.
    beside : tuple of str
        Columns of the file that only a schedule has.
    """

    columns: Mapping[str, str]
    beside: tuple[str, ...]

    def told(self) -> str:
        """Say which columns are limits, why, and what to do."""
        names, ours = ", ".join(self.columns), list(self.columns.values())
        return (
            f"{names}: stands beside {self.beside[0]}, which only the joint schedule has, so it is "
            "a limit of the schedule and not taken as measured. Give what was measured in columns "
            f"of other names, and name them with {' '.join(f'--map {own}=...' for own in ours)}; "
            f"if it is what was measured, with --map {ours[0]}={quoted(next(iter(self.columns)))}"
        )


def limits_among(names: Iterable[str], mapped: Mapping[str, str]) -> Limits | None:
    """Return which columns of a file of records are limits of the schedule; None if none is.

    Parameters
    ----------
    names : iterable of str
        Columns of the file.
    mapped : mapping of str to str
        Our column to that of the file, as the user says: what is named there is as told.
    """
    free, both = _free(names, mapped), _fields(_BOTH)
    told = {both.get(ours) for ours in mapped}
    columns = {name: own for name, own in free.items() if own in both and both[own] not in told}
    beside = _of_schedule(free)
    return Limits(columns, beside) if columns and beside else None


def names_its_procedure(names: Iterable[str], mapped: Mapping[str, str]) -> bool:
    """Tell whether a file of records is a schedule filled in, with its column of the procedure.

    Parameters
    ----------
    names : iterable of str
        Columns of the file.
    mapped : mapping of str to str
        As `limits_among` takes it.
    """
    theirs = mapped.get("procedure", "procedure")
    return theirs.casefold() == "procedure" and bool(_of_schedule(_free(names, mapped)))


def _free(names: Iterable[str], mapped: Mapping[str, str]) -> dict[str, str]:
    """Return the columns that nothing is mapped to, and how they are read."""
    plain = {name: folded_name(name) for name in names}
    return {name: own for name, own in plain.items() if name not in mapped.values()}


def _of_schedule(free: Mapping[str, str]) -> tuple[str, ...]:
    """Return the columns that only the schedule has."""
    alone = _fields(_SCHEDULE_ALONE)
    return tuple(name for name, own in free.items() if own in alone)


def _fields(names: Iterable[str]) -> dict[str, str]:
    """Return the fields of the schedule by every column they may be in."""
    layer = OUTPUTS["joints"]
    return {column: name for name in names for column in layer.field(name).spellings()}


def quoted(name: str) -> str:
    """Return the name of a column as a command has it: in quotes unless it is one word."""
    return name if re.fullmatch(r"\w+", name) else f'"{name}"'
