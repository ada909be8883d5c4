"""Quick estimate: pits against a search of all, reach against the march of the pull force."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geotools.network.stretches import Stretches
from geotools.screening.quick import (
    Gaps,
    OpenCutRates,
    count_pits,
    open_cut_cost,
    pits_by_kind,
    pulls_past,
    reach_by_force,
)


@pytest.mark.parametrize("turn", [0.0, 0.2e-3, 2e-3])
@pytest.mark.parametrize(
    ("weight", "rollers"),
    [(500.0, 0.0), (500.0, 60.0), (500.0, 400.0), (-1500.0, 60.0), (-20.0, 60.0), (0.0, 60.0)],
)
def test_reach_by_force_is_where_the_march_meets_the_limit(
    weight: float, turn: float, rollers: float
) -> None:
    """Many small bends, evenly spread, one after the other (capstan rule).

    A carrier that floats is held on the crown; the string drags on its rollers till it is in.
    """
    friction, limit, steps = 0.5, 150e3, 20_000
    reach = float(
        reach_by_force(
            np.array([weight]),
            np.array([turn]),
            np.array([limit]),
            friction=friction,
            rollers=np.array([rollers]),
        )[0]
    )
    step, grown = reach / steps, math.exp(friction * turn * reach / steps)
    gathered, gain, most = 0.0, 1.0, rollers * reach
    for k in range(1, steps + 1):
        gathered = (gathered + friction * abs(weight) * step) * grown
        gain *= grown
        most = max(most, gathered + gain * rollers * (reach - k * step))
    assert most == pytest.approx(limit, rel=1e-3)


def fewest(
    must: list[tuple[float, float]],
    length: float,
    longest: float,
    opened: float,
    ends: float,
    closed: tuple[bool, bool] = (False, False),
    held: tuple[bool, ...] | None = None,
) -> int:
    """Walk along the run, and put pit after pit between what must lie in one.

    Between two pits of which both can only receive there is one more at least.
    """
    held = held or (False,) * len(must)
    low = next((h for lo, h in must if lo <= 0), 0.0)
    high = next((lo for lo, h in must if h >= length), length)
    if low >= length:
        return 1
    only = [h for m, h in zip(must, held, strict=True) if m[0] <= 0]
    before = any(only) or closed[0]
    only = [h for m, h in zip(must, held, strict=True) if m[1] >= length]
    inner = [(*m, h) for m, h in zip(must, held, strict=True) if m[0] > 0 and m[1] < length]
    count, at = 1, low
    for start, end, shut in [*inner, (high, high, any(only) or closed[1])]:
        pulls = 2 if before and shut and start - at > ends - opened else 1
        before = shut
        while pulls * longest + (pulls - 1) * opened + ends < start - at - 1e-9:
            pulls += 1
        count, at = count + pulls, end
    return count


def test_pits_are_as_few_as_a_walk_along_the_run_needs() -> None:
    rng = np.random.default_rng(3)
    lengths = rng.uniform(30, 3000, 60)
    longest = rng.uniform(40, 500, 60)
    rows: list[tuple[int, float, float]] = []
    for run, length in enumerate(lengths):
        cuts = np.sort(rng.uniform(0, length, 2 * rng.integers(0, 4)))
        parts = list(zip(cuts[::2], cuts[1::2], strict=True))
        if parts and run % 3 == 0:
            parts[0] = (0.0, parts[0][1])
        if parts and run % 4 == 0:
            parts[-1] = (parts[-1][0], length)
        rows += [(run, float(a), float(b)) for a, b in parts]
    must = Stretches(
        np.array([r for r, _, _ in rows]), np.array([a for _, a, _ in rows]),
        np.array([b for _, _, b in rows]), len(lengths),
    )  # fmt: skip
    opened = rng.uniform(5, 60, 60)
    found = count_pits(must, lengths, longest, opened=opened, ends=6.0)
    of = [[(a, b) for r, a, b in rows if r == run] for run in range(60)]
    plain = [
        fewest(of[run], length, longest[run], opened[run], 6.0)
        for run, length in enumerate(lengths)
    ]
    assert found.tolist() == plain
    shut, held = rng.random((60, 2)) < 0.6, rng.random(len(rows)) < 0.6
    told = count_pits(must, lengths, longest, opened=opened, ends=6.0, closed=(shut, held))
    flags = [tuple(bool(h) for h, row in zip(held, rows, strict=True) if row[0] == run)
             for run in range(60)]  # fmt: skip
    plain = [
        fewest(of[run], length, longest[run], opened[run], 6.0, tuple(shut[run]), flags[run])
        for run, length in enumerate(lengths)
    ]
    assert told.tolist() == plain
    assert (told > found).sum() > 5


def test_a_run_that_must_lie_open_from_end_to_end_takes_one_pit() -> None:
    must = Stretches(np.array([0]), np.array([0.0]), np.array([30.0]), 2)
    found = count_pits(
        must, np.array([30.0, 30.0]), np.full(2, 500.0), opened=np.full(2, 20.0), ends=6.0
    )
    assert found.tolist() == [1, 2]


@pytest.mark.parametrize(
    ("total", "kinds"), [(1, "R"), (2, "RI"), (3, "RBR"), (4, "RBRI"), (7, "RBRBRBR")]
)
def test_pits_stand_by_turns(total: int, kinds: str) -> None:
    found = pits_by_kind(np.array([total]))
    told = (int(found.receiving[0]), int(found.one_way[0]), int(found.two_way[0]))
    assert told == tuple(kinds.count(k) for k in "RIB")


def test_open_cut_is_the_sum_of_its_items() -> None:
    rates = OpenCutRates(
        excavation=100.0, restoration=50.0, pipe=600.0, other=80.0, connection=2000.0,
        per_second=20.0 / 86400,
    )  # fmt: skip
    cost = open_cut_cost(
        np.array([400.0]), np.array([0.5]), np.array([1.85]), np.array([6.0]), np.array([300.0]),
        rates, side_room=0.5, bedding=0.15,
    )  # fmt: skip
    # trench 1.5 m wide, 2 m deep; 20 days of lanes
    by_hand = 400 * (1.5 * 2 * 100 + 1.5 * 50 + 0.5 * 600 + 80) + 6 * 2000 + 20 * 300
    assert math.isclose(cost[0], by_hand)


def test_pulls_past_steep_ground_are_the_fewest_of_all_ways_from_place_to_place() -> None:
    """Against a search of all: places a metre apart, those inside a steep stretch left out."""
    rng = np.random.default_rng(4)
    seen = set()
    for _ in range(200):
        length, reach = int(rng.integers(60, 400)), int(rng.integers(30, 120))
        cuts = np.sort(rng.choice(np.arange(1, length), 2 * int(rng.integers(1, 4)), replace=False))
        low, high = cuts[::2].astype(float), cuts[1::2].astype(float)
        free = [
            at for at in range(length + 1)
            if not any(a < at < b for a, b in zip(low, high, strict=True))
        ]  # fmt: skip
        fewest_to = {0: 0}
        for at in free[1:]:
            ways = [fewest_to[one] for one in free if one in fewest_to and 0 < at - one <= reach]
            if ways:
                fewest_to[at] = min(ways) + 1
        gaps = Gaps(np.array([0]), np.zeros(1), np.array([float(length)]))
        steep = Stretches(np.zeros(len(low), dtype=np.int64), low, high, 1)
        (ours,) = pulls_past(gaps, np.array([float(reach)]), steep)
        assert ours == fewest_to.get(length, 0)
        back = Stretches(steep.run, (length - high)[::-1], (length - low)[::-1], 1)
        assert pulls_past(gaps, np.array([float(reach)]), back)[0] == ours
        seen.add(int(ours))
    assert {0, 1, 2, 3} <= seen
