"""A few changes drawn by a seed, gone on with; `resumed.py` makes as many as wanted."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from resumed import run


def test_a_batch_gone_on_with_after_a_change_is_as_one_begun_anew(tmp_path: Path) -> None:
    district_moved, cover_moved_to_the_next_main = 11, 58
    numbers = (district_moved, cover_moved_to_the_next_main)
    tally = run(tmp_path, seed=1, numbers=numbers, mains=150)
    assert tally == {"redone and altered": 1, "redone in vain": 1, "kept": 2}
