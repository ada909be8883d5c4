"""Fields of a layer: columns of the file to columns of the contract, in SI base units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.bores import doubtful_bores
from geotools.intake.czech import has_no, noes
from geotools.intake.faults import nearest
from geotools.intake.french import FIELD as MATERIAL
from geotools.intake.french import code_remarks, has_codes, with_words
from geotools.intake.judged import Judge, sense_of
from geotools.intake.laid import impossible_years, placeholder_year
from geotools.intake.limits import (
    FOREIGN,
    LEAST_MAIN,
    TOO_SMALL,
    USUAL,
    WHOLE_NUMBERS,
    ZERO_IS_NONE,
    limit,
    stand_for_unknown,
)
from geotools.intake.match import Column, Match
from geotools.intake.measured import Measured, in_own_unit
from geotools.intake.normally import FIELD as STATE
from geotools.intake.normally import has_twofold, state_remarks, states
from geotools.intake.notes import Note, note, notes_by_word
from geotools.intake.signs import (
    COMMA,
    DOUBTFUL,
    REFUSED,
    THOUSANDS,
    Signs,
    may_be_twofold,
    sign_remarks,
)
from geotools.intake.traffic import FIELD as TRAFFIC
from geotools.intake.traffic import as_words, has_letters, traffic_remarks
from geotools.intake.values import (
    Longitudes,
    Numbers,
    days_zero,
    flags,
    is_number_column,
    numbers,
    texts,
    words,
    years,
)
from geotools.intake.weights import doubtful_weights
from geotools.schema import YEARS, Field, Layer, quantity_text

__all__ = ["Converted", "convert_fields"]


@dataclass(frozen=True)
class Converted:
    """A layer's table in the contract's names and SI base units.

    Attributes
    ----------
    table : DataFrame
        Text fields hold text ("" where missing); reals, integers and flags (1 yes, 0 no) are
        float64 with NaN where missing.
    notes : list of Note
    faults : list of str
        What the layer cannot be used with.
    remarks : list of (severity, rule, text)
        On columns as a whole.
    """

    table: pd.DataFrame
    notes: list[Note]
    faults: list[str]
    remarks: list[tuple[str, str, str]]


def convert_fields(
    layer: Layer,
    table: pd.DataFrame,
    match: Match,
    features: npt.NDArray[Any],
    system: str,
    *,
    longitude: Longitudes,
    judge: Judge,
) -> Converted:
    """Convert the columns read to every field of the contract.

    Parameters
    ----------
    layer : Layer
        Layer of the contract.
    table : DataFrame
        Columns as read.
    match : Match
        Which column holds which field.
    features : ndarray of object, shape (n,)
        Names of the features, for faults.
    system : str
        ``si`` or ``us``: units that notes tell limits in.
    longitude : callable
        Gives the longitudes of rows, degrees; it is asked for few of them.
    judge : callable
        Tells what point and comma do in a column of all the source; ``table`` may be a part.
    """
    columns: dict[str, npt.NDArray[Any]] = {}
    notes: list[Note] = []
    faults: list[str] = []
    remarks: list[tuple[str, str, str]] = []
    for field in layer.fields:
        column = match.columns.get(field.name)
        if column is None:
            columns[field.name] = _absent(field, len(table))
        elif field.dtype == "text":
            columns[field.name], told = _texts(field, column, table[column.name], judge)
            remarks += told
            faults += _closed_values(field, column, columns[field.name], features)
            notes += _missing_note(layer, field, columns[field.name] == "")
        else:
            data = table[column.name]
            read, own, told = _numbers(field, column, data, longitude, judge)
            remarks += told
            si = np.where(np.isnan(own.values), read.values * column.factor, own.values)
            values, found, fault = _number_field(field, column, data, system, (read, own, si))
            columns[field.name] = values
            found = [*found, *_missing_note(layer, field, np.isnan(values))]
            notes += [replace(one, field=field.name) for one in found]
            faults += fault
            if layer.name == "mains":
                given = np.where(_too_small(field, si), si, values)
                told, single = _unit_remarks(layer, field, column, data, given, system)
                remarks += [*told, *_rate_remark(layer, field, column, values)]
                notes += single
    told, single = _judged(layer, match, columns, system)
    frame = pd.DataFrame(columns, index=range(len(table)))
    return Converted(frame, [*notes, *single], faults, [*remarks, *told])


# Fields whose texts are passed on sign by sign: tables of the user's own are joined by them.
NAMES = ("main_id", "run_id", "valve_id")


def _texts(
    field: Field, column: Column, data: pd.Series[Any], judge: Judge
) -> tuple[npt.NDArray[Any], list[tuple[str, str, str]]]:
    """Return the texts of a column, and what to say of them."""
    said = words(data, composed=field.name not in NAMES)
    if field.name == TRAFFIC and has_letters(said):
        ways = judge(field, column).ways
        return as_words(said, ways), traffic_remarks(column.name, said, ways)
    if field.name == MATERIAL and has_codes(said):
        language = judge(field, column).language
        return with_words(said, language), code_remarks(column.name, said, language)
    return said, []


def _judged(
    layer: Layer, match: Match, columns: dict[str, npt.NDArray[Any]], system: str
) -> tuple[list[tuple[str, str, str]], list[Note]]:
    """Return what is doubtful of values beside those of other columns; impossible ones are lost."""
    if layer.name == "mains":
        remarks, notes = _judged_years(match, columns)
        if "bore" in match.columns:
            wrong, more = doubtful_bores(columns, match.columns["bore"], system)
            columns["bore"] = np.where(wrong, np.nan, columns["bore"])
            notes += [replace(one, field="bore") for one in more]
        return remarks, notes
    if layer.name == "avoid":
        column = match.columns["weight"].name if "weight" in match.columns else ""
        notes = doubtful_weights(columns["weight"], columns["hard"], column)
        return [], [replace(one, field="weight") for one in notes]
    return [], []


def _judged_years(
    match: Match, columns: dict[str, npt.NDArray[Any]]
) -> tuple[list[tuple[str, str, str]], list[Note]]:
    """Return what is doubtful of the years mains were laid in; impossible ones are lost."""
    if "installed" not in match.columns:
        return [], []
    wrong, notes = impossible_years(columns["material"], columns["installed"])
    columns["installed"] = np.where(wrong, np.nan, columns["installed"])
    text = placeholder_year(columns["installed"])
    remarks = [("warning", "placeholder-year", text)] if text else []
    return remarks, [replace(one, field="installed") for one in notes]


def _absent(field: Field, count: int) -> npt.NDArray[Any]:
    if field.dtype == "text":
        return np.full(count, "", dtype=object)
    return np.full(count, np.nan)


def _read(field: Field, data: pd.Series[Any], longitude: Longitudes, signs: Signs) -> Numbers:
    """Read a column of a field as numbers."""
    if field.dtype == "flag":
        said = None if is_number_column(data) else _said(field, data, signs)
        return flags(data, said=said)
    return years(data, longitude, signs) if field.name in YEARS else numbers(data, signs)


def _said(field: Field, data: pd.Series[Any], signs: Signs) -> npt.NDArray[np.float64] | None:
    """Return what words of a column of text mean that stand for something else elsewhere."""
    told = states if _holds_states(field, data) else noes
    return told(texts(data), signs.states)


def _numbers(
    field: Field, column: Column, data: pd.Series[Any], longitude: Longitudes, judge: Judge
) -> tuple[Numbers, Measured, list[tuple[str, str, str]]]:
    """Return the numbers of a column, those that bring their own unit, and what to say of them."""
    signs = _signs(field, column, data, judge)
    read, own = _own_units(field, data, _read(field, data, longitude, signs), signs)
    remarks = _sign_remarks(column, data, read, signs)
    if _holds_states(field, data):
        remarks += state_remarks(column.name, texts(data), signs.states)
    read, told = _without_words(field, column, data, read)
    return read, own, [*remarks, *told]


def _signs(field: Field, column: Column, data: pd.Series[Any], judge: Judge) -> Signs:
    """Return what signs, and words as NO, stand for in a column of text, by all of its source."""
    if _holds_states(field, data) and has_twofold(texts(data)):
        return judge(field, column)
    if field.dtype == "flag" and not is_number_column(data) and has_no(texts(data)):
        return judge(field, column)
    if field.dtype == "flag" or is_number_column(data) or not may_be_twofold(texts(data)):
        return Signs(sense_of(field, column))
    return judge(field, column)


def _holds_states(field: Field, data: pd.Series[Any]) -> bool:
    """Tell whether a column says in words whether valves are open."""
    return field.name == STATE and not is_number_column(data)


def _sign_remarks(
    column: Column, data: pd.Series[Any], read: Numbers, signs: Signs
) -> list[tuple[str, str, str]]:
    if not np.isin(read.how, (THOUSANDS, DOUBTFUL)).any():
        return []
    return sign_remarks(column.name, column.spelling, texts(data), read.how, signs)


# Numbers often written as words, and what to do: the words are told once, not feature by feature.
IN_WORDS = {
    "criticality": "write numbers, from 1 (little) to 5 (most) or to the top of a scale of your "
    "own (screening.criticality_scale)",
}


def _without_words(
    field: Field, column: Column, data: pd.Series[Any], read: Numbers
) -> tuple[Numbers, list[tuple[str, str, str]]]:
    """Return what was read without the words there are in place of numbers, and a remark on them.

    A word holds no digit.
    """
    if field.name not in IN_WORDS or not read.unread.any():
        return read, []
    rows = np.flatnonzero(read.unread & (read.how != REFUSED))
    found = texts(data.iloc[rows])
    word = np.array([not any(sign.isdigit() for sign in text) for text in found], dtype=bool)
    if not word.any():
        return read, []
    unread = read.unread.copy()
    unread[rows[word]] = False
    text = (
        f"{column.spelling} is given in words on {word.sum():,} features (column {column.name!r}: "
        f"{_first_words(found[word])}); taken as missing, as if nothing were known of it there; "
        f"{IN_WORDS[field.name]}"
    )
    return replace(read, unread=unread), [("warning", "value-in-words", text)]


def _first_words(found: npt.NDArray[Any], *, most: int = 5) -> str:
    """Return the different words of a column, the most frequent first, the first of them quoted."""
    words, counts = np.unique(found.astype(str), return_counts=True)
    order = np.argsort(-counts, kind="stable")
    told = [_shown(str(word)) for word in words[order[:most]]]
    more = [f"{len(words) - most} more"] if len(words) > most else []
    return ", ".join([*told, *more])


def _number_field(
    field: Field,
    column: Column,
    data: pd.Series[Any],
    system: str,
    found: tuple[Numbers, Measured, npt.NDArray[np.float64]],
) -> tuple[npt.NDArray[np.float64], list[Note], list[str]]:
    """Return values in SI base units, notes, and a fault if a needed column makes no sense.

    ``found`` is what was read as a number, as a quantity, and of both in SI base units.
    """
    read, own, values = found
    alone = np.isnan(own.values)
    zero = (values == 0) & (field.name in ZERO_IS_NONE)
    bounds = limit(field.name)
    allowed = bounds.said(field.dimension, system)
    small = _too_small(field, values)
    with np.errstate(invalid="ignore"):
        odd = ~np.isnan(values) & ~(
            np.isfinite(values) & (values >= bounds.low) & (values <= bounds.high)
        )
    written = np.where(alone, read.values, own.bare)
    code = stand_for_unknown(field.name, written, values) & ~odd
    if field.name in YEARS:
        code |= days_zero(data)
    given = int(np.count_nonzero(~np.isnan(values) | read.unread))
    used = int(np.count_nonzero(~np.isnan(values) & ~odd))
    wrong = field.required and given and not used
    faults = _senseless(field, column, allowed, data, read.unread) if wrong else []
    notes = [
        *_unread_note(field, column, data, read),
        *_own_unit_note(column, data, ~alone & own.own & ~(odd | zero | small | code)),
        *_comma_note(column, data, (read.how == COMMA) & alone),
        *note(
            "warning",
            "value-out-of-range",
            np.flatnonzero(odd),
            [
                f"{column.spelling} is {_shown(v)} (column {column.name!r}), outside "
                f"{allowed}; taken as missing; {_correction(field, n)}"
                for v, n in zip(data[odd], values[odd], strict=True)
            ],
        ),
        *_code_note(column, data, code),
        *note(
            "warning",
            "zero-value",
            np.flatnonzero(zero),
            f"{column.spelling} is 0 (column {column.name!r}), which no main in service has; taken "
            "as missing; leave it empty where it is not known",
        ),
        *_small_note(field, column, data, small, system),
    ]
    return np.where(odd | zero | small | code, np.nan, values), notes, faults


def _own_units(
    field: Field, data: pd.Series[Any], read: Numbers, signs: Signs
) -> tuple[Numbers, Measured]:
    """Read what is no number as a quantity; return what is left unread, and what was read."""
    rows = np.flatnonzero(read.unread & (read.how != REFUSED))
    found = in_own_unit(texts(data.iloc[rows]), field.dimension, signs)
    values, bare = (np.full(len(data), np.nan) for _ in range(2))
    how, unread, alone = read.how.copy(), read.unread.copy(), np.zeros(len(data), dtype=np.bool_)
    values[rows], bare[rows], how[rows] = found.values, found.bare, found.how
    unread[rows], alone[rows] = np.isnan(found.values), found.own
    return replace(read, unread=unread, how=how), Measured(values, bare, how, alone)


def _too_small(field: Field, values: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        small: npt.NDArray[np.bool_] = (values > 0) & (values < TOO_SMALL.get(field.name, 0.0))
    return small


# Why a value is too small, and what to do.
SMALL = {
    "flow": "as good as 0, which no main is designed for; taken as missing; leave it empty where "
    "it is not known",
    "pressure": "which no water main is run at; taken as missing; correct the value or the unit, "
    "or leave it empty where it is not known",
}


def _small_note(
    field: Field, column: Column, data: pd.Series[Any], small: npt.NDArray[np.bool_], system: str
) -> list[Note]:
    if not small.any():
        return []
    joint = " and " if field.name == "flow" else ", "
    says = f", less than {_least(field, system)}{joint}{SMALL[field.name]}"
    return _each_note("warning", "zero-value", column, data, small, says)


def _least(field: Field, system: str) -> str:
    return quantity_text(TOO_SMALL[field.name], field.dimension or "", system, 2)


def _code_note(column: Column, data: pd.Series[Any], code: npt.NDArray[np.bool_]) -> list[Note]:
    says = (
        ", which looks like a code for not known; taken as missing; leave it empty where it is "
        "not known"
    )
    return _each_note("warning", "unknown-code", column, data, code, says)


def _each_note(
    severity: str,
    rule: str,
    column: Column,
    data: pd.Series[Any],
    rows: npt.NDArray[np.bool_],
    says: str,
) -> list[Note]:
    """Say the same of each of some values of a column, quoted as it is written."""
    texts = [
        f"{column.spelling} is {_shown(value)} (column {column.name!r}){says}"
        for value in data[rows]
    ]
    return note(severity, rule, np.flatnonzero(rows), texts)


def _unit_remarks(
    layer: Layer,
    field: Field,
    column: Column,
    data: pd.Series[Any],
    values: npt.NDArray[np.float64],
    system: str,
) -> tuple[list[tuple[str, str, str]], list[Note]]:
    """Return what is doubtful of the unit of a column of the mains, or of single values of it."""
    whole = _unit_remark(layer, field, column, values, system)
    if whole or field.name != "diameter":
        return whole, []
    with np.errstate(invalid="ignore"):
        small = np.flatnonzero(values < LEAST_MAIN)
    written = numbers(data.iloc[small]).values
    texts = [
        f"{column.spelling} is {_shown(value)} (column {column.name!r}), which no main has"
        f"{_of_another_unit(field, number)}; used as written; correct the value"
        for value, number in zip(data.iloc[small], written.tolist(), strict=True)
    ]
    notes = note("warning", "unit-doubtful", small, texts)
    return [], [replace(one, field=field.name) for one in notes]


def _rate_remark(
    layer: Layer, field: Field, column: Column, values: npt.NDArray[np.float64]
) -> list[tuple[str, str, str]]:
    """Return a warning if what is to be counted is likely a rate: most of it is in fractions."""
    with np.errstate(invalid="ignore"):
        some = values[values > 0]
    broken = int((np.abs(some - np.round(some)) > FRACTION).sum())
    if field.name not in WHOLE_NUMBERS or 2 * broken <= len(some):
        return []
    text = (
        f"{broken:,} of the {len(some):,} values above 0 of {column.spelling} (column "
        f"{column.name!r}) are fractions, as a rate is: {WHOLE_NUMBERS[field.name]}; used as "
        "written; multiply a rate by the length of its main and by the years on record, or give "
        f"the column of the count under [inputs.{layer.name}.fields]"
    )
    return [("warning", "count-or-rate", text)]


def _of_another_unit(field: Field, number: float) -> str:
    """Ask of a value that is too small in which unit it is; nothing of one that brings its own."""
    if np.isnan(number):
        return ""
    likely = _likely_units(field, number, *USUAL["diameter"])
    unit = likely[0] if likely else "of another unit"
    return f" (is it {number:g} {unit}?)"


def _unit_remark(
    layer: Layer, field: Field, column: Column, values: npt.NDArray[np.float64], system: str
) -> list[tuple[str, str, str]]:
    """Return a warning if the values of a column, SI, are likely in a unit that is not its own."""
    low, high = USUAL.get(field.name, (-np.inf, np.inf))
    known = values[~np.isnan(values)]
    if not len(known) or low <= (middle := float(np.median(known))):
        return []
    raw = middle / column.factor
    likely = _likely_units(field, raw, low, high)
    written = column.spelling[len(field.name) + 1 :]
    least = quantity_text(low, field.dimension or "", system, 0)
    guess = f"they look like {' or '.join(likely)}" if likely else "their unit may be another"
    gone = _too_small(field, values).any()
    lost = f", those less than {_least(field, system)} taken as missing" if gone else ""
    text = (
        f"half of the {len(known)} values of {column.spelling} (column {column.name!r}) are at "
        f"most {raw:g} {written}, where mains are seldom below {least}; {guess}; used as "
        f"written{lost}; {_if_so(layer, field, column, likely)}"
    )
    return [("warning", "unit-doubtful", text)]


def _if_so(layer: Layer, field: Field, column: Column, likely: Sequence[str]) -> str:
    """Say what to do if the values of a column are in one of the likely units."""
    foreign = FOREIGN.get(field.name, {})
    own = [unit for unit in likely if unit not in foreign]
    written = column.spelling[len(field.name) + 1 :]
    spelling = f"{field.name}_{own[0]}" if own else column.spelling
    says = [
        f"if the unit is another, say so under [inputs.{layer.name}.fields], for example: "
        f'{spelling} = "{column.name}"'
    ]
    says += [
        f"if they are {unit}, bring them to {written} (1 is {foreign[unit] / column.factor:.3g})"
        for unit in likely
        if unit in foreign
    ]
    return "; ".join(says)


def _likely_units(field: Field, raw: float, low: float, high: float) -> list[str]:
    """Return the units by which a value is between two, SI, the nearest to their middle first.

    The middle is that of their ratio, as units differ by factors. Diameters are kept in inches or
    millimetres nearly everywhere, so that inches go before the rest.
    """
    known = {name[len(field.name) + 1 :]: factor for name, factor in field.spellings().items()}
    known |= FOREIGN.get(field.name, {})
    within = {unit: raw * factor for unit, factor in known.items() if low <= raw * factor <= high}
    off = {unit: abs(np.log(value**2 / (low * high))) for unit, value in within.items()}
    first = "in" if field.name == "diameter" else ""
    return sorted(within, key=lambda unit: (unit != first, off[unit]))


# What follows from a missing value of a field that must be there. The identifier of a main is
# made up elsewhere; what is not in a closed list is a fault.
CONSEQUENCES = {
    ("mains", "diameter"): "the main is kept as a neighbour of others but cannot be lined",
    ("fittings", "kind"): "the fitting is kept but nothing is concluded from it",
}


def _missing_note(layer: Layer, field: Field, gone: npt.NDArray[np.bool_]) -> list[Note]:
    consequence = CONSEQUENCES.get((layer.name, field.name))
    if consequence is None:
        return []
    text = f"has no {field.name}; {consequence}; fill it in"
    return note("warning", f"no-{field.name}", np.flatnonzero(gone), text)


FRACTION = 1e-6  # by so much a value is off a whole number
# What to do about a value outside its limits, where there is no unit to be wrong.
CORRECTIONS = {
    "breaks": f"{WHOLE_NUMBERS['breaks']}; correct the value",
    "criticality": "its scale begins at 1 (little): if the column begins at 0, add 1 to all of it, "
    "and to screening.criticality_scale; where 0 means not known, leave it empty",
}
OLDEST = 250  # years; a greater number in place of the year laid is no age
CENTURY = 100  # below, it may as well be the last two digits of the year


def _correction(field: Field, value: float) -> str:
    """Return what to do about a value outside its limits."""
    if field.name == "installed" and 0 < value <= OLDEST:
        digits = ", or a year of two digits" if value < CENTURY else ""
        return f"it looks like an age{digits}: give the year laid{' in full' if digits else ''}"
    return CORRECTIONS.get(field.name, "correct the value or the unit")


def _senseless(
    field: Field,
    column: Column,
    bounds: str,
    data: pd.Series[Any],
    unread: npt.NDArray[np.bool_],
) -> list[str]:
    shown = _shown(data[unread if unread.any() else data.notna().to_numpy()].iloc[0])
    alone = "; write the number alone, in the unit of the column" if unread.any() else ""
    return [
        f"no value of column {column.name!r}, read as {column.spelling}, is a number within "
        f"{bounds} (the first is {shown}){alone}; check the column and its unit "
        f"({', '.join(field.spellings())})"
    ]


TWOFOLD = (
    ", which may be two numbers, as the sign in it may be a decimal one or part thousands, and the "
    "other values of the column do not settle which; taken as missing; write thousands without a "
    "sign and decimals with a point"
)
# What is done with a flag that is missing.
UNREAD_FLAGS = {
    "open": "the valve were normally open",
    "critical": "the customer could do without water",
    "hard": "it were true: no pit comes to lie there",
}


def _unread_note(field: Field, column: Column, data: pd.Series[Any], read: Numbers) -> list[Note]:
    wanted = "yes or no" if field.dtype == "flag" else "a number"
    wanted = "a year" if field.name in YEARS else wanted
    follows = f", as if {UNREAD_FLAGS[field.name]}" if field.name in UNREAD_FLAGS else ""
    twofold = read.how == REFUSED
    says = f", which is not {wanted}; taken as missing{follows}; write {wanted} alone"
    return [
        *_word_notes("unreadable-value", column, data, read.unread & ~twofold, says),
        *_word_notes("unreadable-value", column, data, twofold, TWOFOLD),
    ]


def _word_notes(
    rule: str, column: Column, data: pd.Series[Any], rows: npt.NDArray[np.bool_], says: str
) -> list[Note]:
    """Warn of each word of a column once, quoted as it is written, with how often it is met."""
    found = data[rows].to_numpy(dtype=object)
    quoted = {str(value): _shown(value) for value in found}

    def say(word: str, count: int) -> str:
        on = f" on {count:,} features" if count > 1 else ""
        return f"{column.spelling} is {quoted[word]}{on} (column {column.name!r}){says}"

    said = np.array([str(value) for value in found], dtype=object)
    return notes_by_word("warning", rule, np.flatnonzero(rows), said, say)


def _own_unit_note(column: Column, data: pd.Series[Any], own: npt.NDArray[np.bool_]) -> list[Note]:
    says = ": it was read in the unit it is written with"
    return _each_note("info", "own-unit", column, data, own, says)


def _comma_note(column: Column, data: pd.Series[Any], comma: npt.NDArray[np.bool_]) -> list[Note]:
    says = ": the comma was read as the decimal sign; write a point to be sure"
    return _each_note("info", "decimal-comma", column, data, comma, says)


def _closed_values(
    field: Field, column: Column, values: npt.NDArray[Any], features: npt.NDArray[Any]
) -> list[str]:
    """Fold values of a closed list in place; return a fault for each that is not in it."""
    if not field.values:
        return []
    written = [*values]
    values[:] = [v.casefold() for v in values]
    listed = field.values if field.required else ("", *field.values)
    wrong = np.flatnonzero(~np.isin(values.astype(str), listed))
    return [_not_listed(field, column, written[i], features[i]) for i in wrong]


def _not_listed(field: Field, column: Column, value: str, feature: str) -> str:
    close = nearest(value, field.values)
    hint = f"; did you mean {close!r}?" if close else ""
    return (
        f"feature {feature}: {field.name} is {_shown(value)} (column {column.name!r}), "
        f"which is none of {', '.join(field.values)}{hint}"
    )


def _shown(value: object, *, length: int = 40) -> str:
    """Return a value for a text: text quoted, long ones cut."""
    text = repr(str(value)) if isinstance(value, str) else str(value)
    return text if len(text) <= length else text[: length - 3] + "..."
