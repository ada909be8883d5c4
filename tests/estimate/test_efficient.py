"""The efficient set, against the definition written out in plain loops."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geotools.estimate.efficient import NO_PLACE, stand

# few values, so that ties and beaten plans are common
SHAPE = st.tuples(st.integers(1, 4), st.integers(1, 5), st.integers(1, 4))


@st.composite
def tables(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    shape = draw(SHAPE)
    value = st.sampled_from([0.0, 1.0, 2.5, 3.0, np.nan])
    values = draw(arrays(np.float64, shape, elements=value))
    planned = draw(arrays(np.bool_, shape[:2], elements=st.booleans()))
    return values, planned, draw(arrays(np.bool_, shape[2], elements=st.booleans()))


def beaten_by(values: np.ndarray, planned: np.ndarray, rising: np.ndarray) -> np.ndarray:
    """Say who beats whom by the definition: one run, one pair, one criterion at a time."""
    runs, plans, criteria = values.shape
    out = np.zeros((runs, plans, plans), dtype=bool)
    for r in range(runs):
        with_plan = [p for p in range(plans) if planned[r, p]]
        known = [
            c for c in range(criteria) if not any(np.isnan(values[r, p, c]) for p in with_plan)
        ]
        for a in range(plans):
            for b in with_plan:
                if not planned[r, a]:
                    out[r, a, b] = True
                    continue
                gains = [
                    (values[r, b, c] - values[r, a, c]) * (1 if rising[c] else -1) for c in known
                ]
                out[r, a, b] = all(g >= 0 for g in gains) and any(g > 0 for g in gains)
    return out


@settings(max_examples=150)
@given(tables())
def test_a_plan_is_beaten_by_those_no_worse_in_any_criterion_and_better_in_one(
    table: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    assert (stand(*table).beaten == beaten_by(*table)).all()


@given(tables())
def test_every_run_with_a_plan_has_one_that_none_beats(
    table: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    planned = table[1]
    left = planned & ~stand(*table).beaten.any(axis=2)
    assert (left.any(axis=1) == planned.any(axis=1)).all()


@given(tables(), st.randoms(use_true_random=False))
def test_the_order_of_the_plans_changes_nothing(
    table: tuple[np.ndarray, np.ndarray, np.ndarray], random: object
) -> None:
    values, planned, rising = table
    order = list(range(values.shape[1]))
    random.shuffle(order)  # type: ignore[attr-defined]
    turned = stand(values[:, order], planned[:, order], rising)
    assert (turned.beaten == stand(*table).beaten[:, order][:, :, order]).all()


def test_best_is_where_none_is_better_and_another_is_worse() -> None:
    values = np.array([[[1.0, 5.0, 7.0, 2.0], [2.0, 5.0, 9.0, np.nan], [1.0, 5.0, 8.0, 1.0]]])
    standing = stand(values, np.ones((1, 3), dtype=bool), np.array([False, False, True, False]))
    assert standing.best[0].tolist() == [
        [True, False, False, False],
        [False, False, True, False],
        [True, False, False, False],
    ]
    assert standing.takes_part[0].tolist() == [True, True, True, False]
    assert (standing.place[0, :, 3] == NO_PLACE).all()
    assert standing.place[0, :, 2].tolist() == [2, 0, 1]


def test_values_that_went_through_another_unit_are_ties() -> None:
    values = np.array([[[300.0], [300.0 / 0.3048 * 0.3048 * (1 + 1e-15)]]])
    standing = stand(values, np.ones((1, 2), dtype=bool), np.array([False]))
    assert not standing.beaten.any()
    assert not standing.best.any()
