"""Why an edit would leave its run no plan: what is at its place, or edits it does not go with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.stretches import EDGE
from geotools.pulls.explain import NEAR, reached
from geotools.pulls.in_force import Alone
from geotools.pulls.together import MOST
from geotools.pulls.ways import Ways
from geotools.schema import AHEAD, BEHIND, BOTH

__all__ = ["Told", "why_no_plan"]


@dataclass(frozen=True)
class Told:
    """What words are made with.

    ``say`` puts a length, m, into words; ``held`` names what of the run must lie in a pit between
    two chainages, m.
    """

    say: Callable[[float], str]
    held: Callable[[float, float], str]


def why_no_plan(ways: Ways, row: int, others: list[int], told: Told) -> str:
    """Say why no plan honours an edit, or none honours it and others as well.

    Were any of these others left out, one would; of more than `MOST` only so much is told.
    """
    alone = ways.alone
    if len(others) > MOST:
        return f"no plan of the run honours it and more than {MOST} of those honoured as well"
    if others:
        names = [_named(alone.edits.iloc[one], told) for one in others]
        listed = " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
        why = _among(ways, [row, *others], told)
        return f"no plan of the run honours it and {listed} as well{why}"
    edit = alone.edits.iloc[row]
    pits = f"{edit['role']} pits" if edit["role"] else "pits"
    kept = f" (it keeps {told.say(alone.reach)} either side free of {pits}: pits.forbid_reach)"
    return (
        "with it the run could no longer be lined whole: "
        + (_nothing_beyond(alone, row) or _by_itself(ways, row, told))
        + (kept if edit["action"] == "forbid" else "")
    )


def _named(edit: pd.Series, told: Told) -> str:
    word = "pit fixed" if edit["action"] == "fix" else "stretch forbidden"
    return f"the {word} at {told.say(float(edit['chainage']))}"


def _too_short(ways: Ways, rows: list[int]) -> bool:
    """Tell whether there would be a plan if a pull might be as short as it likes."""
    alone, row = ways.alone, rows[0]
    if alone.edits["action"].iloc[row] == "fix":
        return ways.goes(row, rows, least_length=0.0)
    return bool(np.isfinite(alone.chosen(rows, least_length=0.0).cost[0]))


def _shortest(alone: Alone, told: Told, between: str) -> str:
    least = told.say(alone.costs.least_length)
    return f"the shortest pull of {least} (pulls.min_length) finds no room between {between}"


def _among(ways: Ways, rows: list[int], told: Told) -> str:
    """Say what keeps edits from going together, if it is known."""
    alone = ways.alone
    pits = bool((alone.edits.iloc[rows]["action"] == "fix").all()) and len(rows) == 2
    if pits and _over(alone, *rows):
        return ": one of the two pits would cover the place of the other"
    if _too_short(ways, rows):
        return ": " + _shortest(alone, told, "the two" if pits else "the pits this leaves")
    return ""


def _over(alone: Alone, one: int, two: int) -> bool:
    """Say whether of two fixed pits one would cover the place of the other."""
    for pit, place in ((one, two), (two, one)):
        at = float(alone.edits.iloc[place]["chainage"])
        covers = (alone.sites.start <= at) & (alone.sites.end >= at)
        if covers[alone.wanted(pit)].all():
            return True
    return False


def _nothing_beyond(alone: Alone, row: int) -> str:
    """Say that a fixed pit inserts to where the run has ended; empty where it does not."""
    if alone.edits.iloc[row]["action"] != "fix":
        return ""
    wanted, sites = alone.wanted(row), alone.sites
    inserts = np.array([[role in (way, BOTH) for role in range(4)] for way in (AHEAD, BEHIND)])
    if not wanted.any():
        return ""
    if not (wanted & ~(inserts[0] & (sites.end >= alone.length - EDGE))).any():
        return "the run ends there, and nothing lies ahead of the pit to pull into"
    if not (wanted & ~(inserts[1] & (sites.start <= EDGE))).any():
        return "the run begins there, and nothing lies behind the pit to pull into"
    return ""


def _by_itself(ways: Ways, row: int, told: Told) -> str:
    """Say what an edit leaves of its run, and what is near it that must lie in a pit."""
    alone = ways.alone
    edit = alone.edits.iloc[row]
    at, fixed = float(edit["chainage"]), edit["action"] == "fix"
    aside = NEAR if fixed else NEAR + alone.reach
    held = told.held(at - aside, at + aside)
    if _too_short(ways, [row]):
        where = _shortest(alone, told, "its pit and the next" if fixed else "the pits this leaves")
        held = held or ("the start of the run" if at < aside else "")
        held = held or ("the end of the run" if at > alone.length - aside else "")
    else:
        where = _where(alone, row, told)
    return where + (f"; {held} must lie in a pit" if held else "")


def _where(alone: Alone, row: int, told: Told) -> str:
    """Say how far pits and pulls would get from either end."""
    covered = float(alone.chosen([row]).covered[0])
    low, high = reached(alone.under([row]), alone.costs, run=0, covered=covered)
    if low <= 0:
        return "no pit could stand at its start"
    if high >= alone.length:
        return "no pit could stand at its end"
    if low >= high:
        return "both directions would get past this place, but no pit would join the two"
    return (
        f"pits and pulls would reach {told.say(low)} from the start and come back to "
        f"{told.say(high)} from the end"
    )
