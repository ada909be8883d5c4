"""Point and comma in text that is a number: decimal sign, or parting thousands.

``1.200`` is one and a fifth, or twelve hundred as German, Dutch, Spanish and Danish exports write
it; ``1,200`` likewise. The other values of its column and the limits of the field tell which.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

__all__ = [
    "COMMA",
    "DOUBTFUL",
    "PLAIN",
    "REFUSED",
    "THOUSANDS",
    "Sense",
    "Signs",
    "may_be_twofold",
    "parted",
    "sign_remarks",
]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
TextArray = npt.NDArray[np.object_]

# How a value was read: as it stands; the comma as decimal sign; a sign as parting thousands; the
# point as decimal sign though it may part thousands; not at all, as it has two readings.
PLAIN, COMMA, THOUSANDS, DOUBTFUL, REFUSED = range(5)

_TWOFOLD = r"[+-]?[1-9][0-9]{0,2}%s[0-9]{3}"
# thousands parted by a space of any kind or an apostrophe: neither point nor comma does
_GROUPED = r"[+-]?[0-9]{1,3}(?:[\s\x{00a0}\x{202f}\x{2009}'’][0-9]{3})+"
# What shows a sign to be decimal: another number of digits behind it, a nought alone or a number
# of more than three digits before it, or thousands parted by another.
_DECIMAL = (
    r"[+-]?(?:[0-9]*%s(?:[0-9]{1,2}|[0-9]{4,})|0[0-9]*%s[0-9]+|[0-9]{4,}%s[0-9]+)"
    rf"|{_GROUPED}%s[0-9]*"
)
# What shows it to part thousands: two of it, or the other sign behind it.
_THOUSANDS = r"[+-]?[0-9]{1,3}(?:(?:%s[0-9]{3}){2,}(?:%s[0-9]*)?|%s[0-9]{3}%s[0-9]*)"
_WHOLE = r"[+-]?[0-9]+"
_BLANKS = " \u00a0\u2009\u202f'\u2019"  # spaces and apostrophes that part thousands
# Thousands parted by what is no decimal sign, or by one of two that stand behind each other, or
# twice by the same one: such a number has one reading. The decimal sign and what follows may lack.
_ONE_READING = re.compile(
    rf"(?P<whole>[+-]?[0-9]{{1,3}}(?:(?P<blank>[{_BLANKS}])[0-9]{{3}})(?:(?P=blank)[0-9]{{3}})*)"
    r"(?:(?P<sign>[.,])(?P<rest>[0-9]*))?"
    r"|(?P<points>[+-]?[0-9]{1,3}(?:\.[0-9]{3})+),(?P<behind_comma>[0-9]*)"
    r"|(?P<commas>[+-]?[0-9]{1,3}(?:,[0-9]{3})+)\.(?P<behind_point>[0-9]*)"
    r"|(?P<twice>[+-]?[0-9]{1,3}(?:\.[0-9]{3}){2,}|[+-]?[0-9]{1,3}(?:,[0-9]{3}){2,})"
)
_ANYWHERE = r"(?:^|[^0-9.,])[1-9][0-9]{0,2}[.,][0-9]{3}(?:[^0-9.,]|$)"
_OTHER = {".": ",", ",": "."}
_NAMES = {".": "point", ",": "comma"}
_SHOWN = 5  # values of a column shown
# What tells which a sign is, the surest first.
_SHOWN_SO = "other values of the column are written so that it must"
_NO_SUCH = "no other reading is within what the field can hold"
_NONE_GREATER = (
    "the column has whole numbers of 100 and more without a sign, and none of 1,000 or more"
)


@dataclass(frozen=True)
class Sense:
    """What a number of a column can be.

    Attributes
    ----------
    low, high : float
        Least and greatest value, SI base units.
    factor : float
        Of the column's unit to SI base units.
    whole : bool
        Numbers of the field are whole.
    """

    low: float = -math.inf
    high: float = math.inf
    factor: float = 1.0
    whole: bool = False

    def possible(self, bare: FloatArray, factors: FloatArray) -> BoolArray:
        """Return which numbers, each in its own unit, the field can hold."""
        values = bare * factors
        fits: BoolArray = (values >= self.low) & (values <= self.high)
        return fits & (bare == np.floor(bare)) if self.whole else fits


@dataclass(frozen=True)
class Signs:
    """What each sign does in a column: True where it is decimal, False where it parts thousands.

    A sign that is not in ``decimal`` is told by nothing in the column; then the limits alone speak
    for a value. ``why`` says what tells of a sign, in words. ``states`` is what NO, NF, NA
    and OFF stand for in one on valves, as of `normally`, and NE in any of yes and no; ``ways``
    what T and F do in one on traffic, as of `traffic`; ``language`` is that of one of
    materials, as of `language_of`.
    """

    sense: Sense = Sense()
    decimal: dict[str, bool] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=dict)
    ways: str = ""
    language: str = ""

    @classmethod
    def of(cls, texts: TextArray, factors: FloatArray, sense: Sense) -> Signs:
        """Judge a column by the distinct texts of its numbers, each in a unit of that factor."""
        decimal: dict[str, bool] = {}
        why: dict[str, str] = {}
        for sign in _OTHER:
            told = {
                _SHOWN_SO: _by_writing(texts, sign),
                _NO_SUCH: _by_limits(texts, factors, sign, sense),
                _NONE_GREATER: _by_whole_numbers(texts, sign),
            }
            reason = next((text for text, found in told.items() if found is not None), "")
            if isinstance(found := told.get(reason), bool):
                decimal[sign], why[sign] = found, reason
        return cls(sense, decimal, why)

    def read(
        self, texts: TextArray, factors: FloatArray
    ) -> tuple[FloatArray, npt.NDArray[np.int8]]:
        """Read the texts that have two readings.

        Parameters
        ----------
        texts : ndarray of str objects, shape (n,)
            Numbers without their units.
        factors : ndarray, shape (n,)
            Of their units to SI.

        Returns
        -------
        values : ndarray, shape (n,)
            NaN where a text has one reading or is refused.
        how : ndarray of int8
            `PLAIN` where a text has one reading.
        """
        values, how = np.full(len(texts), np.nan), np.full(len(texts), PLAIN, dtype=np.int8)
        for sign in _OTHER:
            rows = np.flatnonzero(_fits(texts, _TWOFOLD % _escaped(sign)))
            if len(rows):
                values[rows], how[rows] = self._of_sign(texts[rows], factors[rows], sign)
        return values, how

    def _of_sign(
        self, texts: TextArray, factors: FloatArray, sign: str
    ) -> tuple[FloatArray, npt.NDArray[np.int8]]:
        small, large = _both(texts, sign)
        can_small = self.sense.possible(small, factors)
        can_large = self.sense.possible(large, factors)
        told = self.decimal.get(sign)
        only_small, only_large = can_small & ~can_large, can_large & ~can_small
        decimal = COMMA if sign == "," else PLAIN
        if told is None:
            undecided = REFUSED if sign == "," else DOUBTFUL
            how = np.select(
                [only_small, only_large, can_small], [decimal, THOUSANDS, undecided], decimal
            )
            how[~can_small & ~can_large & (sign == ",")] = REFUSED
        elif told:
            how = np.where(only_large, REFUSED, decimal)
        else:
            how = np.where(only_small, REFUSED, THOUSANDS)
        values = np.where(how == THOUSANDS, large, small)
        values[how == REFUSED] = np.nan
        return values, how.astype(np.int8)


def parted(text: str) -> tuple[float, int]:
    """Return a number whose parted thousands leave it one reading, and how its sign was read.

    Not-a-number for any other text. ``1'050``, ``1 050,5``, ``1.234,5``, ``1,234.5``.
    """
    found = _ONE_READING.fullmatch(text)
    if found is None:
        return math.nan, PLAIN
    part = found.groupdict("")
    whole = part["whole"] or part["points"] or part["commas"] or part["twice"]
    rest = part["rest"] or part["behind_comma"] or part["behind_point"]
    comma = part["sign"] == "," or bool(part["points"])
    value = float(re.sub(rf"[{_BLANKS}.,]", "", whole) + "." + rest)
    return value, COMMA if comma else PLAIN


def may_be_twofold(texts: TextArray) -> bool:
    """Tell whether any text holds a number that has two readings, with or without a unit."""
    found = pc.match_substring_regex(pa.array(texts, pa.string()), _ANYWHERE)
    return bool(pc.any(found).as_py())


def sign_remarks(
    name: str, spelling: str, texts: TextArray, how: npt.NDArray[np.int8], signs: Signs
) -> list[tuple[str, str, str]]:
    """Return what is to be said of a column whose values were read in one of two ways.

    Parameters
    ----------
    name, spelling : str
        Of the column, and what it was read as.
    texts : ndarray of str objects, shape (n,)
    how : ndarray of int8, shape (n,)
        How each was read.
    signs : Signs
        Of the column.

    Returns
    -------
    list of (severity, rule, text)
    """
    remarks = []
    of = f"of {spelling} (column {name!r})"
    for sign, called in _NAMES.items():
        has = np.array([sign in text for text in texts[how == THOUSANDS]], dtype=bool)
        told = texts[how == THOUSANDS][has]
        if len(told):
            why, first = signs.why.get(sign, _NO_SUCH), str(min(told))
            text = (
                f"{_some(told)} {of}: the {called} was read as parting thousands, so that "
                f"{first!r} is {first.replace(sign, '')}, since {why}; if it is a decimal sign, "
                "write these values otherwise; write thousands without a sign to be sure"
            )
            remarks.append(("info" if why == _SHOWN_SO else "warning", "thousands-sign", text))
    told = texts[how == DOUBTFUL]
    if len(told):
        first = str(min(told))
        text = (
            f"{_some(told)} {of} may be read in two ways: {first!r} may be "
            f"{first.replace('.', '')}, and nothing in the column settles it; the point was read "
            "as the decimal sign; if it parts thousands, write these values without it"
        )
        remarks.append(("warning", "point-doubtful", text))
    return remarks


def _some(texts: TextArray) -> str:
    """Return how many texts there are, and the first of them."""
    words, counts = np.unique(texts.astype(str), return_counts=True)
    more = ", ..." if len(words) > _SHOWN else ""
    shown = ", ".join(repr(str(word)) for word in words[:_SHOWN])
    return f"{int(counts.sum()):,} value{'s' * (len(texts) != 1)} ({shown}{more})"


def _both(texts: TextArray, sign: str) -> tuple[FloatArray, FloatArray]:
    """Return texts that have two readings with the sign as decimal one, and as of thousands."""
    small = np.array([float(text.replace(sign, ".")) for text in texts], dtype=np.float64)
    large = np.array([float(text.replace(sign, "")) for text in texts], dtype=np.float64)
    return small, large


def _by_writing(texts: TextArray, sign: str) -> bool | str | None:
    """Return whether a sign is decimal by how other values are written; "" if they contradict.

    None where no value tells. What is written with the sign itself goes before what is written
    with others.
    """
    other = _OTHER[sign]
    own = (_any_decimal(texts, sign), _any_thousands(texts, sign))
    if any(own):
        return own[0] if own[0] != own[1] else ""
    others = (_any_thousands(texts, other), _any_decimal(texts, other))
    if any(others):
        return others[0] if others[0] != others[1] else ""
    return None


def _any_decimal(texts: TextArray, sign: str) -> bool:
    return bool(_fits(texts, _DECIMAL.replace("%s", _escaped(sign))).any())


def _any_thousands(texts: TextArray, sign: str) -> bool:
    own, other = _escaped(sign), _escaped(_OTHER[sign])
    return bool(_fits(texts, _THOUSANDS % (own, other, own, other)).any())


def _by_limits(texts: TextArray, factors: FloatArray, sign: str, sense: Sense) -> bool | str | None:
    """Return whether a sign is decimal, since else a value could not be; "" if they contradict."""
    rows = np.flatnonzero(_fits(texts, _TWOFOLD % _escaped(sign)))
    small, large = _both(texts[rows], sign)
    can_small = sense.possible(small, factors[rows])
    can_large = sense.possible(large, factors[rows])
    decimal, thousands = bool((can_small & ~can_large).any()), bool((can_large & ~can_small).any())
    if not decimal and not thousands:
        return None
    return decimal if decimal != thousands else ""


def _by_whole_numbers(texts: TextArray, sign: str) -> bool | None:
    """Return whether whole numbers show a sign to be decimal.

    Who writes some of 100 and more without a sign and none from 1,000 on likely parts thousands. If
    there are some from 1,000 on, a point is likely decimal; of a comma that says nothing, as people
    type ``1,200`` below ``1500``. Where thousands are parted by spaces or apostrophes as well,
    the column is written in more than one way, and whole numbers say nothing.
    """
    whole = texts[_fits(texts, _WHOLE)]
    size = np.abs(np.array([float(text) for text in whole]))
    if not (size >= 100).any() or _fits(texts, _GROUPED).any():
        return None
    if (size < 1000).all():
        return False
    return True if sign == "." else None


def _escaped(sign: str) -> str:
    return "[.]" if sign == "." else sign


def _fits(texts: TextArray, pattern: str) -> BoolArray:
    """Tell which texts are of a pattern from end to end."""
    found = pc.match_substring_regex(pa.array(texts, pa.string()), rf"\A(?:{pattern})\z")
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)
