"""What is stated by the day of work, and what by the hour.

A day of work is a shift, and the day of units has 24 hours: ``20 m/h`` is 200 m in a day of work
of 10 hours and never 480 m, and 9000 a day are 900 an hour and never 375. A pull at 400 m a day
is one at 40 m an hour of work, and none at 17.
"""

from __future__ import annotations

import math
import re
from typing import Literal

from geotools.pipe.factors import DAY, HOUR
from geotools.units import example, time_words, unit_of

__all__ = ["SHIFT_H", "Per", "refuse_other_time"]

Per = Literal["day", "hour"]
SHIFT_H = 10  # hours of a day of work, where the brief does not say
_WORKED = 5 / 7  # days of work to those of the calendar, in an example
_SAID = {"day": "state what is done in a day of work", "hour": "state what an hour costs"}
_SPEED = "speed"  # in units such as mph, a length and a time in one word, it is by the hour
_FAR = "state how far it goes in an hour or a minute"


def refuse_other_time(text: str, kind: str, per: Per) -> None:
    """Refuse a quantity stated by another time than is due.

    Parameters
    ----------
    text : str
        A quantity of its kind, as it was written.
    kind : str
        A key of `geotools.units.PINT_UNITS`.
    per : {"day", "hour"}
        Whether it is stated by the day of work alone, or by the hour, or less, and never by days.

    Raises
    ------
    ValueError
        With how to write it.
    """
    words = time_words(text, kind)
    sizes = list(words.values())
    if per == "day":
        right = sizes == [DAY]
    else:
        right = all(size < DAY or (kind == _SPEED and math.isnan(size)) for size in sizes)
    if right:
        return
    said = _FAR if kind == _SPEED and per == "hour" else _SAID[per]
    one = len(words) == 1 and not math.isnan(sizes[0])
    advice = _restated(text, kind, next(iter(words.items())), per) if one else example(kind)
    raise ValueError(f"{text!r}: {said}; {advice}")


def _restated(text: str, kind: str, time: tuple[str, float], per: Per) -> str:
    """Return advice to write a quantity by another time, as it comes out on usual days of work."""
    unit = unit_of(text, kind)
    number = float(text.strip()[: -len(unit)])
    days = max(round(_WORKED * time[1] / DAY), 1)
    if per == "hour":
        number, where = (
            number / (SHIFT_H * days),
            f"for {SHIFT_H * days} h of work",
        )
    elif time[1] < DAY:
        number, where = number * SHIFT_H * HOUR / time[1], f"where it has {SHIFT_H} h"
    else:
        number, where = number / days, f"for {days} days of work"
    new = re.sub(rf"(?<![A-Za-z]){re.escape(time[0])}(?![A-Za-z])", per, unit)
    return f"write for example '{float(f'{number:.4g}'):.12g} {new}' {where}"
