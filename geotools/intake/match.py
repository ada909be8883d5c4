"""Which column of a file holds which field of the contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geotools.intake.cut import Cut
from geotools.intake.faults import nearest
from geotools.intake.stated import Values, mapping_line
from geotools.lists import as_compared, listed
from geotools.schema import Field, Layer

__all__ = ["Column", "Match", "match_columns"]


@dataclass(frozen=True)
class Column:
    """A column of the file, the spelling it stands for, and its factor to SI base units."""

    name: str
    spelling: str
    factor: float


@dataclass(frozen=True)
class Match:
    """Columns by bare field name; ``hints`` are rule and text on columns taken or left.

    ``left`` are the columns no field is read from.
    """

    columns: dict[str, Column]
    faults: tuple[str, ...]
    hints: tuple[tuple[str, str], ...]
    left: tuple[str, ...] = ()

    def names(self) -> list[str]:
        """Return the columns to read, each once."""
        return list(dict.fromkeys(column.name for column in self.columns.values()))


def match_columns(
    layer: Layer,
    columns: Sequence[str],
    mapping: Mapping[str, str],
    *,
    cut: Cut | None = None,
    system: str = "si",
    values: Values | None = None,
) -> Match:
    """Find the column of each field.

    Parameters
    ----------
    layer : Layer
        Layer of the contract.
    columns : sequence of str
        Columns of the file.
    mapping : mapping
        Contract name with unit suffix to column of the file; beats names that agree.
    cut : Cut, optional
        How the format cuts names, if it does.
    system : str
        ``si`` or ``us``, which units hints show where nothing tells.
    values : callable, optional
        Gives the values of a column: they may tell.
    """
    found: dict[str, Column] = {}
    faults = _unknown_keys(layer, mapping)
    hints: list[tuple[str, str]] = []
    for field in layer.fields:
        options, fault = _options(field, columns, mapping, cut)
        if not fault and len({(o.spelling, o.name) for o in options}) > 1:
            fault = _ambiguous(layer, field, options)
        if fault:
            faults.append(fault)
        elif options:
            found[field.name] = options[0]
            hints += _cut(layer, options[0], mapping)
        elif field.required:
            faults.append(_missing(layer, field, columns, system, values))
        else:
            hints += _unitless(layer, field, columns, system)
    used = {column.name for column in found.values()}
    left = tuple(name for name in columns if name not in used)
    return Match(found, tuple(faults), tuple(hints), left)


def _unknown_keys(layer: Layer, mapping: Mapping[str, str]) -> list[str]:
    known = {name for field in layer.fields for name in field.spellings()}
    return [
        f"[inputs.{layer.name}.fields] names {key!r}, which is no field of this layer; "
        f"the nearest is {nearest(key, known, cutoff=0.0)!r}"
        for key in mapping
        if key not in known
    ]


def _options(
    field: Field, columns: Sequence[str], mapping: Mapping[str, str], cut: Cut | None
) -> tuple[list[Column], str]:
    """Return the columns that may hold the field, and a fault of the mapping ("" if none)."""
    spellings = field.spellings()
    mapped = [name for name in spellings if name in mapping]
    options = []
    for name in mapped:
        meant = _meant(mapping[name], columns, cut)
        if not meant:
            return [], _no_such_column(name, mapping[name], columns)
        exact = [mapping[name]] if mapping[name] in meant else meant
        options += [Column(column, name, spellings[name]) for column in exact]
    if mapped:
        return options, ""
    taken = {cut.of(name) for name in mapping.values()} if cut else set()
    for name, factor in spellings.items():
        found = _alike(cut.of(name) if cut else name, columns)
        alike = [c for c in found if c not in mapping.values() and c not in taken]
        options += [Column(column, name, factor) for column in alike]
    return options, ""


def _meant(name: str, columns: Sequence[str], cut: Cut | None) -> list[str]:
    """Return the columns of a name that is mapped, or those it was cut to."""
    return _alike(name, columns) or (_alike(cut.of(name), columns) if cut else [])


def _alike(name: str, columns: Sequence[str]) -> list[str]:
    """Return the columns of that name, as names are compared; the one that is it first."""
    own = as_compared([name])[0]
    pairs = zip(columns, as_compared(columns), strict=True)
    alike = [column for column, compared in pairs if compared == own]
    return sorted(alike, key=lambda c: c != name)


def _no_such_column(key: str, name: str, columns: Sequence[str]) -> str:
    close = nearest(name, columns)
    hint = f"; did you mean {close!r}?" if close else ""
    return f"field {key} is mapped to column {name!r}, which is not there{hint} {_listed(columns)}"


def _ambiguous(layer: Layer, field: Field, options: Sequence[Column]) -> str:
    names = list(dict.fromkeys(o.name for o in options))
    if len(names) == 1:
        meant = " or ".join(o.spelling for o in options)
        say = f"column {names[0]!r} may be {meant}: the Shapefile format cuts names to ten letters"
    else:
        say = f"{field.name} is there more than once: {', '.join(map(repr, names))}"
    likely = _shown_unit(options)
    line = f'{likely.spelling} = "{likely.name}"'
    return f"{say}; say which under [inputs.{layer.name}.fields], for example: {line}"


def _shown_unit(options: Sequence[Column]) -> Column:
    """Return the option whose unit begins as a column's name ends, the usual unit first.

    Of names that show no unit any more it is the contract's own.
    """
    for option in options:
        rest = option.name.casefold().rpartition("_")[2]
        if rest and option.spelling.rpartition("_")[2].startswith(rest):
            return option
    return options[0]


def _missing(
    layer: Layer, field: Field, columns: Sequence[str], system: str, values: Values | None
) -> str:
    close = nearest(field.column(), columns, cutoff=0.6) or nearest(field.name, columns, cutoff=0.6)
    hint = f"; the nearest is {close!r}" if close else ""
    parts = mapping_line(field, close or "YOUR_COLUMN", system, values if close else None)
    return (
        f"field {' or '.join(field.spellings())} ({field.text}) is missing{hint}; name the column "
        f"under [inputs.{layer.name}.fields], for example: {' '.join(filter(None, parts))} "
        f"{_listed(columns)}"
    )


def _cut(layer: Layer, column: Column, mapping: Mapping[str, str]) -> list[tuple[str, str]]:
    if column.spelling in mapping:
        whole = mapping[column.spelling]
        if as_compared([column.name]) == as_compared([whole]):
            return []
        text = (
            f"column {column.name!r} was taken for {whole!r}, to which {column.spelling} is mapped "
            "(the Shapefile format cuts names to ten letters, or fewer where they take more room)"
        )
        return [("column-name-cut", text)]
    if as_compared([column.name])[0] == column.spelling:
        return []
    text = (
        f"column {column.name!r} was taken for {column.spelling} (the Shapefile format cuts names "
        f"to ten letters); if it is not, map it under [inputs.{layer.name}.fields]"
    )
    return [("column-name-cut", text)]


def _unitless(
    layer: Layer, field: Field, columns: Sequence[str], system: str
) -> list[tuple[str, str]]:
    column = next(iter(_alike(field.name, columns)), None) if field.dimension else None
    if column is None:
        return []
    text = (
        f"column {column!r} has no unit in its name and was not read; under "
        f"[inputs.{layer.name}.fields] state the unit, for example: "
        f'{field.column(system)} = "{column}"'
    )
    return [("column-not-read", text)]


def _listed(columns: Sequence[str]) -> str:
    return f"(columns there: {listed(columns) or 'none'})"
