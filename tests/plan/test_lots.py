"""Runs planned in lots, and side by side: the plan is the same whatever the lots."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

from geotools.deliver import columns, context
from geotools.layout import lots as lot_by_lot
from geotools.layout import whole as lay_out
from geotools.layout import winners, works
from geotools.schema import OUTPUTS
from geotools.siting import overlap, profile, ramps
from geotools.street import nearest, offsets, others, scene
from geotools.tool import Outcome

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"


def test_the_plan_does_not_hang_on_the_size_of_the_lots(
    sample_done: Outcome, monkeypatch: pytest.MonkeyPatch
) -> None:
    import geotools

    made: list[int] = []
    whole = lot_by_lot._plan_lot

    def counted(*given: Any, **how: Any) -> Any:
        made.append(1)
        return whole(*given, **how)

    monkeypatch.setattr(lot_by_lot, "LOT", 120)  # some runs are in a lot of their own
    monkeypatch.setattr(works, "LAID", 5)
    monkeypatch.setattr(lay_out, "SIDE_BY_SIDE", 0)
    monkeypatch.setattr(others, "AT_ONCE", 4)
    monkeypatch.setattr(lot_by_lot, "_plan_lot", counted)
    monkeypatch.setattr(lot_by_lot, "processors", lambda: 3)
    assert geotools.plan(SAMPLE).summary["content_hash"] == sample_done.summary["content_hash"]
    assert len(made) > 1


def _past_parks(turns: list[float]) -> dict[str, Any]:
    """Return mains apart from each other with a turn (degrees) in a park where no pit may lie."""
    lines, parks = [], []
    for row, turn in enumerate(np.deg2rad(turns)):
        x, y = 500_100.0, 4_800_000.0 + 500 * row
        end = x + 100 * np.cos(turn), y + 100 * np.sin(turn)
        lines.append(shapely.LineString([(x - 100, y), (x, y), end]))
        parks.append(shapely.Point(x, y).buffer(60))
    of_all = {"diameter_mm": 600.0, "material": "cast iron", "installed": 1920, "cover_m": 1.5}
    ids = [f"M{row}" for row in range(len(turns))]
    return {
        "mains": gpd.GeoDataFrame({"main_id": ids, **of_all}, geometry=lines, crs=26917),
        "avoid": gpd.GeoDataFrame({"reason": ["park"] * len(turns)}, geometry=parks, crs=26917),
    }


def test_runs_left_by_lots_are_planned_as_in_one_lot(monkeypatch: pytest.MonkeyPatch) -> None:
    # PVC comes first for its price; past 20 degrees polyethylene alone is pulled, past 70 nothing.
    import geotools

    layers = _past_parks([0, 20, 70, 20])
    places = zip([20, 50] * 2, layers["mains"].geometry.bounds["miny"], strict=True)
    at = [shapely.Point(500_000 + x, y) for x, y in places]  # of two the second in a park
    wanted = {"action": ["fix"] * len(at), "role": ["receiving"] * len(at)}
    edits = gpd.GeoDataFrame(wanted, geometry=at, crs=26917)
    wishes = {"carrier.tries": 1, "rates.pvc_pipe": "0.1 / kg", "carrier.nominal": "14 in"}
    gathered: list[int] = []
    plan_lot = lot_by_lot._plan_lot

    def seen(*given: Any, **how: Any) -> Any:
        planned, left = plan_lot(*given, **how)
        gathered.extend(left.tolist())
        return planned, left

    def outcome() -> Any:
        return geotools.plan(**layers, pit_edits=edits, settings=wishes)

    whole = outcome()
    status = whole.layers["runs"]["status"].value_counts()
    assert status.to_dict() == {"planned": 3, "no_plan": 1}
    told = whole.layers["findings"]["rule"].value_counts()
    assert told["edit-refused"] and told["edit-honoured"]
    monkeypatch.setattr(lot_by_lot, "LOT", 1)
    monkeypatch.setattr(lot_by_lot, "_plan_lot", seen)
    assert outcome().summary["content_hash"] == whole.summary["content_hash"]
    assert len(gathered) == 3  # all with a turn


def test_the_plan_does_not_hang_on_how_much_is_worked_out_at_once(
    sample_done: Outcome, monkeypatch: pytest.MonkeyPatch
) -> None:
    import geotools

    monkeypatch.setattr(context, "AT_ONCE", 7)
    monkeypatch.setattr(lay_out, "FOLLOWED", 70)
    monkeypatch.setattr(profile, "LOOKED_UP", 50)
    monkeypatch.setattr(overlap, "TOGETHER", 3)
    monkeypatch.setattr(ramps, "CUT", 3 * ramps.CUTS)
    monkeypatch.setattr(scene, "SPARE", 0.0)
    monkeypatch.setattr(nearest, "MANY", 0)
    monkeypatch.setattr(offsets, "LOOKED_ALONG", 10)
    monkeypatch.setattr(columns, "AT_ONCE", 7)
    assert geotools.plan(SAMPLE).summary["content_hash"] == sample_done.summary["content_hash"]


def test_layers_of_many_rows_are_held_as_numbers_and_handed_out_as_texts() -> None:
    import geotools

    layers = geotools.plan(SAMPLE).layers
    told = {
        "stations": ("run_id", "kind", "depth_source"),
        "candidates": ("run_id", "roles", "reasons", "street_class", "string_day_ahead"),
        "forces": ("run_id", "pull_id"),
        "quantities": ("scope", "run_id", "item", "unit"),
        "alternatives": ("run_id", "carrier", "outcome", "refused_by"),
        "context": ("layer", "kind"),
    }
    for name, texts in told.items():
        held, given = layers.tables[name], layers[name]
        assert "geometry" not in held
        for text in texts:
            words = held[text].cat.categories
            assert held[text].memory_usage(index=False, deep=True) < 2 * len(held) + 400 * len(
                words
            )
            assert given[text].dtype == "str"
            assert given[text].astype(object).equals(held[text].astype(object))
    for name in ("stations", "candidates"):
        fields = {field.name for field in OUTPUTS[name].fields}
        assert set(layers.tables[name]) == fields


def test_room_for_strings_is_told_as_far_as_the_longest_pull_asks_for() -> None:
    """So that it does not hang on how far the streets were read, as for a district of a batch."""
    import geotools

    settings = {"pulls.max_length": "200 m", "pulls.piece_length": "13 m"}
    layers = geotools.plan(SAMPLE, settings=settings).layers
    room = layers["candidates"][["string_room_ahead", "string_room_behind"]].max()
    assert room.tolist() == [16 * 13.0] * 2  # 15 pipes make 195 m


@pytest.mark.parametrize("larger_for", [0.0, 0.02])
def test_a_lot_keeps_of_each_carrier_only_the_places_it_may_be_shown_for(
    monkeypatch: pytest.MonkeyPatch, larger_for: float
) -> None:
    import geotools

    lots: list[Any] = []
    shown = lot_by_lot.shown_of

    def seen(ground: Any, attempts: Any, tried: Any) -> Any:
        rank = shown(ground, attempts, tried)
        lots.append((attempts, rank))
        return rank

    monkeypatch.setattr(lot_by_lot, "shown_of", seen)
    wishes = {"carrier.larger_for": larger_for, "pits.max_depth": "2.4 m"}
    geotools.plan(SAMPLE, settings=wishes)
    beaten = lost = alone = 0
    for attempts, rank in lots:
        value = np.array([attempt.value for attempt in attempts])
        places, sites = (
            np.array([np.diff(of.offsets) for of in column])
            for column in ([a.candidates for a in attempts], [a.sites for a in attempts])
        )
        near = value <= value.min(axis=0) * (1 + larger_for)
        assert (places[~near] == 0).all()
        assert (places[rank, np.arange(len(rank))] == places.max(axis=0)).all()
        planned = np.isfinite(value).any(axis=0)
        assert (sites[:, planned] == 0).all()
        assert (sites[:, ~planned] == places[:, ~planned]).all()
        short = np.array([attempt.figures["short"] for attempt in attempts])
        many = np.isfinite(short).sum(axis=0) > 1  # went on to all that suit, in vain
        assert ((places[:, many & ~planned] > 0).sum(axis=0) == 1).all()  # the closest alone
        alone += int((many & ~planned).sum())
        beaten += int((~near).sum())
        lost += int((sites > 0).sum())
    assert beaten and lost and alone


def test_of_attempts_those_that_refuse_fewest_edits_are_in_the_running() -> None:
    inf = np.inf
    # runs: fewest edits before cost; equally few; no plan at all; a plan refuses, none does not
    value = np.array([[1.0, 3.0, inf, inf], [2.0, 2.0, inf, 9.0], [2.5, 2.0, inf, inf]])
    refused = np.array([[2, 1, 1, 0], [1, 1, 0, 3], [1, 1, 2, 0]])
    left = winners.in_running(value, refused)
    assert left.tolist() == [[inf, 3.0, inf, inf], [2.0, 2.0, inf, 9.0], [2.5, 2.0, inf, inf]]
    bore = np.array([[0.9, 0.1, 0.1, 0.1], [0.2, 0.2, 0.1, 0.1], [0.3, 0.1, 0.1, 0.1]])
    assert winners.winners(left, left, bore, 0.0).tolist() == [1, 1, 0, 1]
    assert winners.winners(left, left, bore, 0.3)[[0, 1, 3]].tolist() == [2, 1, 1]


def test_a_larger_bore_is_little_dearer_in_money_and_little_worse_by_the_objective() -> None:
    """By hand, 5 % and 1,000 a pit: of runs, the larger bore costs 6 % more with as many pits;
    4 % more; as much with a pit more; less, with a pit more.
    """
    cost = np.array([[100.0, 100.0, 100.0, 100.0], [106.0, 104.0, 100.0, 90.0]])
    pits = np.array([[3, 3, 3, 3], [3, 3, 4, 4]])
    bore = np.array([[0.3] * 4, [0.4] * 4])
    assert winners.winners(cost + 1000 * pits, cost, bore, 0.05).tolist() == [0, 1, 0, 0]
    assert winners.winners(cost, cost, bore, 0.05).tolist() == [0, 1, 1, 1]
    assert winners.winners(cost + 1000 * pits, cost, bore, 0.0).tolist() == [0, 0, 0, 0]


def test_a_lot_lets_go_the_places_of_a_carrier_that_refuses_more_edits(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # PVC is the cheapest and cannot do without a pit at the bend; polyethylene is pulled past it
    import geotools

    lots: list[Any] = []
    shown = lot_by_lot.shown_of

    def seen(ground: Any, attempts: Any, tried: Any) -> Any:
        rank = shown(ground, attempts, tried)
        lots.append((attempts, rank))
        return rank

    mains = _past_parks([20, 0, 20])["mains"]
    places = mains.geometry.interpolate(100.0)
    edits = gpd.GeoDataFrame({"action": ["forbid"] * 2}, geometry=places.to_list()[:2], crs=26917)
    wishes = {"rates.pvc_pipe": "0.1 / kg", "rates.pe_pipe": "20 / kg", "pits.forbid_reach": "40 m"}

    def outcome() -> Any:
        return geotools.plan(mains=mains, pit_edits=edits, settings=wishes)

    whole = outcome()
    stiff = whole.layers["runs"]["carrier"].str.endswith("PVC")
    assert stiff.tolist() == [False, True, True]
    monkeypatch.setattr(lot_by_lot, "shown_of", seen)
    monkeypatch.setattr(lot_by_lot, "LOT", 1)
    assert outcome().summary["content_hash"] == whole.summary["content_hash"]
    beaten = 0
    for attempts, rank in lots:
        refused = np.array([attempt.figures["refused_edits"] for attempt in attempts])
        held = np.array([np.diff(attempt.candidates.offsets) for attempt in attempts])
        for run, best in enumerate(rank):
            more = refused[:, run] > refused[best, run]
            assert held[best, run] > 0
            assert (held[more, run] == 0).all()
            beaten += int(more.sum())
    assert beaten
