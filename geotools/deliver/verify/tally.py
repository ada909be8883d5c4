"""What a rule comes to: how much it checked, and what it found wrong where."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from geotools.deliver.verify.plan import Plan

__all__ = ["CLOSE", "DRAWN", "EXACT", "Fault", "NotChecked", "Rule", "Tally", "Unreadable"]

EXACT = 1e-9  # share; sums made in another order differ by rounding only
CLOSE = 1e-6  # m, N, or whatever is compared; edges that meet differ by rounding only
DRAWN = 1e-3  # m; of what is drawn


class NotChecked(Exception):
    """The plan rightly lacks what a rule needs; the text says what."""


class Unreadable(Exception):
    """The plan lacks, or spoils, what a rule needs: that is a fault by itself."""


@dataclass(frozen=True)
class Fault:
    """One thing found wrong: layer, feature, and what."""

    layer: str
    feature: str
    text: str


class Tally:
    """Counts what one rule checks and keeps what does not hold."""

    def __init__(self, layer: str = "") -> None:
        self.layer = layer
        self.checked = 0
        self.faults: list[Fault] = []
        self.skipped: list[str] = []

    def holds(self, good: object, feature: object, text: str, *, layer: str = "") -> bool:
        """Count one check; what is not good is a fault."""
        self.checked += 1
        if not good:
            self.faults.append(Fault(layer or self.layer, str(feature), text))
        return bool(good)

    def near(
        self,
        found: float,
        due: float,
        feature: object,
        what: str,
        *,
        share: float = EXACT,
        least: float = CLOSE,
        layer: str = "",
    ) -> bool:
        """Count one number held against the one worked out; a gap is due only to a gap."""
        if math.isnan(due) or math.isnan(found):
            good = math.isnan(due) and math.isnan(found)
        elif math.isinf(due) or math.isinf(found):
            good = due == found
        else:
            good = abs(found - due) <= max(share * abs(due), least)
        return self.holds(good, feature, f"{what} is {found:.9g}, due is {due:.9g}", layer=layer)

    def skip(self, text: str) -> None:
        """Say of a part of the rule that it is not checked, and why."""
        if text not in self.skipped:
            self.skipped.append(text)


@dataclass(frozen=True)
class Rule:
    """A rule of a plan: its name, its meaning in one line, and the function that checks it."""

    name: str
    text: str
    check: Callable[[Plan], Tally]
