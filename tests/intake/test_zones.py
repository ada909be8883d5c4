"""At which hours of UTC a day begins, held to the time zone database."""

from __future__ import annotations

import contextlib
import datetime
import importlib.resources
import re
import zoneinfo
from pathlib import Path

import numpy as np
import pytest

from geotools.intake.zones import is_midnight_ahead

PLACE = re.compile(r"[+-]\d+([+-])(\d{3})(\d\d)(?:\d\d)?")
# Stations on the ice, and an atoll that keeps the date of the far side in the middle of islands
# that do not.
NOT_TOLD = {"Antarctica/Casey", "Antarctica/Vostok", "Pacific/Kiritimati"}
# Islands beside the date line that keep the near side's date, or did: see `zones.DATE_LINE`.
NEAR_SIDE = {
    "America/Adak",
    *(f"Pacific/{name}" for name in ("Apia", "Fakaofo", "Kanton", "Midway", "Niue", "Pago_Pago")),
    "Pacific/Kwajalein",
}


def towns() -> list[tuple[str, float]]:
    """Return the zones of the database and the longitude of their town, degrees."""
    folders = [Path(folder) for folder in zoneinfo.TZPATH]
    with contextlib.suppress(ModuleNotFoundError):
        folders.append(Path(str(importlib.resources.files("tzdata") / "zoneinfo")))
    lists = [folder / "zone.tab" for folder in folders if (folder / "zone.tab").is_file()]
    if not lists:
        pytest.skip("no time zone database with its list of places (tzdata)")
    rows = [line.split("\t") for line in lists[0].read_text(encoding="utf-8").splitlines()]
    found = []
    for row in rows:
        if not row[0].startswith("#"):
            sign, degrees, minutes = PLACE.fullmatch(row[1]).groups()
            found.append((row[2], float(f"{sign}1") * (int(degrees) + int(minutes) / 60)))
    return found


def told_in_utc(day: datetime.datetime, zone: str) -> tuple[int, float]:
    """Return the year in UTC of a local midnight, and its hour if that is a New Year's Eve."""
    told = day.replace(tzinfo=zoneinfo.ZoneInfo(zone)).astimezone(datetime.UTC)
    if told.second or told.minute % 15:
        return day.year, np.nan  # by mean time of the place, long ago: not told apart
    eve = (told.month, told.day) == (12, 31)
    return told.year, told.hour + told.minute / 60 if eve else np.nan


@pytest.mark.parametrize(("month", "day", "but"), [(1, 1, NOT_TOLD), (12, 31, NEAR_SIDE)])
def test_midnight_at_the_turn_of_the_year_is_read_as_the_day_it_was_in_every_town(month, day, but):
    days = [datetime.datetime(year, month, day) for year in range(1950, 2026, 3)]
    wrong = set()
    for zone, longitude in towns():
        year, hour = np.array([told_in_utc(one, zone) for one in days]).T
        read = year + is_midnight_ahead(hour, np.full(len(days), longitude))
        if (read != [one.year for one in days]).any():
            wrong.add(zone)
    assert wrong <= but


def test_ten_in_the_morning_is_midnight_where_clocks_are_fourteen_hours_ahead_and_nowhere_else():
    longitude = np.arange(-167.0, 180.0)
    assert not is_midnight_ahead(np.full(len(longitude), 9.75), longitude).any()
    assert longitude[is_midnight_ahead(np.full(len(longitude), 10.0), longitude)].min() >= 165
    assert not is_midnight_ahead(np.array([0.0, 12.0]), np.array([0.0, np.nan])).any()
