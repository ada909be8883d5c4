"""A larger bore is paid for, held against all that suit; `carriers.py` draws many districts."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from carriers import held_against_all


def test_the_larger_bore_paid_for_is_the_largest_of_all_that_suit_and_cost_little_more() -> None:
    found = held_against_all(1003, 0.05)  # it is not among the first four tried
    assert len(found)
    assert (found == 0).to_numpy().all()
