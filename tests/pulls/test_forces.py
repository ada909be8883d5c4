"""Force of every pull against chainage: closed forms, the band, what governs."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import pandas as pd
import pytest

from geotools.intake.findings import Findings
from geotools.network.runs import Chains
from geotools.pulls.force import ForceProfile, build_profile
from geotools.pulls.forces import force_table, with_band
from geotools.pulls.upper_friction import report_upper_friction

WEIGHT, ROLLER = 500.0, 0.1  # N/m, in the host as on the rollers; coefficient of the rollers
BAND = {"low": 0.3, "central": 0.5, "high": 0.7}
INF = math.inf


def _profiles(
    stations: list[tuple[int, float, float]],
    bends: list[tuple[int, float, float, float]] = (),  # type: ignore[assignment]
    half: float = 0.0,
) -> dict[str, ForceProfile]:
    """Stations (run, chainage, grade) and bends (run, chainage, turn, limit) at three frictions.

    Bends turn from ``half``, m, before their chainage to as far beyond it.
    """
    table = pd.DataFrame(stations, columns=["run", "chainage", "grade"])
    turned = pd.DataFrame(bends, columns=["run", "chainage", "deflection", "bend_limit"])
    turned = turned.assign(first=turned["chainage"] - half, last=turned["chainage"] + half)
    runs = int(table["run"].max()) + 1
    return {
        name: build_profile(
            table,
            turned.astype({"run": np.int64}),
            np.searchsorted(table["run"], np.arange(runs + 1)).astype(np.int64),
            weight=np.full(runs, WEIGHT),
            string_weight=np.full(runs, WEIGHT),
            friction=friction,
            roller_friction=ROLLER,
        )
        for name, friction in BAND.items()
    }


def _straight(length: float = 300.0, step: float = 50.0) -> list[tuple[int, float, float]]:
    return [(0, float(c), 0.0) for c in np.arange(0.0, length + step / 2, step)]


def _pulls(*rows: tuple[int, float, float, str], allowable: float = 1e6) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["run", "start", "end", "direction"])
    return table.assign(
        pull_id=[f"L{k}" for k in range(len(rows))],
        run_id=[f"R{r}" for r in table["run"]],
        allowable=allowable,
        governed_by="pipe",
    )


def test_a_straight_level_pull_rises_evenly_with_weight_and_friction() -> None:
    forces = force_table(_pulls((0, 20.0, 270.0, "ahead")), _profiles(_straight()))
    assert forces["chainage"].tolist() == [20, 50, 100, 150, 200, 250, 270]
    assert forces["pulled"].tolist() == [0, 30, 80, 130, 180, 230, 250]
    for name, column in (("low", "_low"), ("central", ""), ("high", "_high")):
        due = BAND[name] * WEIGHT * forces["pulled"] + ROLLER * WEIGHT * (250 - forces["pulled"])
        assert forces[f"head_force{column}"].to_numpy() == pytest.approx(due.to_numpy())
    assert forces["bend_limit"].isna().all()


def test_a_pull_behind_is_told_from_its_own_tail() -> None:
    forces = force_table(_pulls((0, 20.0, 270.0, "behind")), _profiles(_straight()))
    assert forces["chainage"].tolist() == [270, 250, 200, 150, 100, 50, 20]
    assert forces["pulled"].tolist() == [0, 20, 70, 120, 170, 220, 250]
    pulled = forces["pulled"].to_numpy()
    assert forces["head_force"].to_numpy() == pytest.approx(
        WEIGHT * (0.5 * pulled + ROLLER * (250 - pulled))
    )


def test_a_pull_between_two_stations_is_told_at_its_ends_alone() -> None:
    profiles = _profiles(_straight(), [(0, 50.0, 0.4, 2e5)])
    forces = force_table(_pulls((0, 55.0, 95.0, "ahead")), profiles)
    assert forces["chainage"].tolist() == [55, 95]
    assert forces["head_force"].tolist() == pytest.approx([ROLLER * WEIGHT * 40, 0.5 * WEIGHT * 40])
    assert forces["bend_limit"].isna().all()  # the bend lies before the pull


@pytest.mark.parametrize("turn", [math.radians(11.25), math.radians(22.5), math.radians(45)])
def test_a_bend_multiplies_the_force_by_the_capstan_rule(turn: float) -> None:
    profiles = _profiles(_straight(), [(0, 150.0, turn, 2e5)])
    forces = force_table(_pulls((0, 0.0, 300.0, "ahead")), profiles).set_index("chainage")
    for name, column in (("low", "head_force_low"), ("high", "head_force_high")):
        mu = BAND[name]
        before = mu * WEIGHT * 150
        assert forces[column][150.0] == pytest.approx(
            (before + ROLLER * WEIGHT * 150) * math.exp(mu * turn)
        )
        end = before * math.exp(mu * turn) + mu * WEIGHT * 150
        assert forces[column][300.0] == pytest.approx(end)
    assert forces["bend_limit"].to_dict()[150.0] == 2e5
    assert forces["bend_limit"].notna().sum() == 1


@pytest.mark.parametrize("way", ["ahead", "behind"])
def test_a_curve_is_told_at_its_ends_and_its_limit_where_a_pull_begins_or_ends_in_it(
    way: str,
) -> None:
    profiles = _profiles(_straight(), [(0, 150.0, 0.8, 2e5)], half=40.0)
    whole, part = (
        force_table(_pulls((0, *ends, way)), profiles).sort_values("chainage")
        for ends in ((20.0, 270.0), (120.0, 170.0))
    )
    assert whole["chainage"].tolist() == [20, 50, 100, 110, 150, 190, 200, 250, 270]
    assert whole["bend_limit"].notna().tolist() == [False] * 3 + [True] * 3 + [False] * 3
    assert part["chainage"].tolist() == [120, 150, 170]
    assert part["bend_limit"].tolist() == [2e5] * 3
    # dF/ds = mu w + mu k F from nothing, level, k of 0.01 rad/m
    due = WEIGHT / 0.01 * math.expm1(0.5 * 0.01 * 50.0)
    head = part.iloc[-1 if way == "ahead" else 0]
    assert head["head_force"] == pytest.approx(due)


@pytest.mark.parametrize("way", ["ahead", "behind"])
def test_the_mean_force_is_the_tension_averaged_along_the_string_when_all_of_it_is_in(
    way: str,
) -> None:
    """A bend three quarters of the way in, or a quarter: that is not half the head force."""
    grown, flat = math.exp(0.5 * 0.8), 0.5 * WEIGHT
    near_head, near_tail = (150.0, 50.0) if way == "ahead" else (50.0, 150.0)
    pulls = _pulls((0, 0.0, 200.0, way))

    def mean(at: float) -> float:
        profiles = _profiles(_straight(200.0), [(0, at, 0.8, INF)])
        return float(with_band(pulls, force_table(pulls, profiles))["mean_force"].iloc[0])

    before, after = flat * 150, flat * 150 * grown
    due = (before / 2 * 150 + (after + flat * 50 / 2) * 50) / 200
    assert mean(near_head) == pytest.approx(due)
    before, after = flat * 50, flat * 50 * grown
    due = (before / 2 * 50 + (after + flat * 150 / 2) * 150) / 200
    assert mean(near_tail) == pytest.approx(due)


def test_over_a_crest_the_mean_force_is_more_than_half_the_head_force() -> None:
    stations = [(0, 0.0, 0.3), (0, 100.0, -0.6), (0, 200.0, 0.0)]  # from there it runs by itself
    pulls = _pulls((0, 0.0, 200.0, "ahead"))
    row = with_band(pulls, force_table(pulls, _profiles(stations))).iloc[0]
    crest = WEIGHT * 100 * (0.5 + 0.3)
    assert row["head_force"] == pytest.approx(crest + ROLLER * WEIGHT * 100)  # head on the crest
    assert row["mean_force"] == pytest.approx(crest * 0.75)


def test_climbs_and_falls_of_the_closed_form() -> None:
    up, down = 0.03, -0.10
    stations = [(0, 0.0, up), (0, 100.0, down), (0, 200.0, 0.0)]
    ahead, behind = (
        force_table(_pulls((0, 0.0, 200.0, way)), _profiles(stations))["head_force"].iloc[-1]
        for way in ("ahead", "behind")
    )

    def load(grade: float) -> float:
        slope = math.atan(grade)
        pipe = 100 / math.cos(slope)  # along the grade; chainage is measured in plan
        return WEIGHT * (0.5 * math.cos(slope) + math.sin(slope)) * pipe

    assert ahead == pytest.approx(load(up) + load(down))
    assert behind == pytest.approx(load(-up) + load(-down))


def _random(seed: int) -> tuple[dict[str, ForceProfile], pd.DataFrame]:
    rng = np.random.default_rng(seed)
    stations, bends, rows = [], [], []
    for run in range(3):
        at = np.unique(np.append(rng.uniform(0, 400, 25).round(3), [0.0, 400.0]))
        stations += [(run, float(c), float(rng.uniform(-0.2, 0.2))) for c in at]
        bends += [
            (run, float(c), float(rng.uniform(0.02, 0.6)), float(rng.uniform(1e4, 4e5)))
            for c in rng.choice(at[1:-1], 4, replace=False)
        ]
        cut = float(rng.uniform(100, 300))
        rows += [(run, 3.0, cut - 2, "behind"), (run, cut + 2, 396.0, "ahead")]
    return _profiles(stations, bends), _pulls(*rows)


@pytest.mark.parametrize("seed", range(5))
def test_the_force_begins_with_the_string_on_its_rollers_and_the_band_is_in_order(
    seed: int,
) -> None:
    profiles, pulls = _random(seed)
    forces = force_table(pulls, profiles)
    for pull, rows in forces.groupby("pull"):
        length = float(pulls["end"].iloc[pull] - pulls["start"].iloc[pull])
        assert (np.diff(rows["pulled"]) >= 0).all()
        for column in ("head_force_low", "head_force", "head_force_high"):
            assert rows[column].iloc[0] == pytest.approx(ROLLER * WEIGHT * length)
            # What falls off is the string gone in, at most grown by all bends of the pull.
            turned = profiles["high"].turn[profiles["high"].offsets[rows["run"].iloc[0]] :]
            most = ROLLER * WEIGHT * np.exp(BAND["high"] * turned.sum()) * np.diff(rows["pulled"])
            assert (np.diff(rows[column]) >= -most - 1e-9).all()
        assert (rows["head_force_low"] <= rows["head_force"]).all()
        assert (rows["head_force"] <= rows["head_force_high"]).all()


def _walked(profile: ForceProfile, pull: pd.Series) -> list[float]:
    """Follow one pull by the rule as written: force past each place, the string dragging behind."""
    rows = slice(profile.offsets[pull["run"]], profile.offsets[pull["run"] + 1])
    at, turn = profile.chainage[rows], profile.turn[rows]
    ahead = pull["direction"] == "ahead"
    load = (profile.load_ahead if ahead else profile.load_behind)[rows]
    inner = np.flatnonzero((at > pull["start"]) & (at < pull["end"]))
    marks = np.array([pull["start"], *at[inner], pull["end"]])
    inside, gain, left = 0.0, 1.0, float(marks[-1] - marks[0])
    out = [ROLLER * WEIGHT * left]
    order = range(len(marks) - 1) if ahead else range(len(marks) - 2, -1, -1)
    for k in order:
        stretch = np.searchsorted(at, (marks[k] + marks[k + 1]) / 2) - 1
        inside += load[stretch] * (marks[k + 1] - marks[k])
        left -= marks[k + 1] - marks[k]
        met = k if ahead else k - 1  # station at the far end of the stretch
        if 0 <= met < len(inner):
            turned = math.exp(profile.friction * turn[inner[met]])
            inside, gain = inside * turned, gain * turned
        out.append(inside + gain * ROLLER * WEIGHT * left)
    return out


@pytest.mark.parametrize("seed", range(5))
def test_every_force_is_that_of_the_pull_walked_by_hand_and_the_pull_tells_the_greatest(
    seed: int,
) -> None:
    profiles, pulls = _random(seed)
    forces = force_table(pulls, profiles)
    told = with_band(pulls, forces)
    for name, profile in profiles.items():
        column = "head_force" if name == "central" else f"head_force_{name}"
        due = [_walked(profile, row) for _, row in pulls.iterrows()]
        assert forces[column].to_numpy() == pytest.approx(np.concatenate(due))
        assert told[column].to_numpy() == pytest.approx([max(force) for force in due])


def test_what_is_nearest_its_limit_governs() -> None:
    profiles = _profiles(_straight(), [(0, 150.0, 0.4, 60e3)])
    forces = force_table(_pulls((0, 0.0, 300.0, "ahead")), profiles)
    gain = math.exp(0.5 * 0.4)
    at_bend = (0.5 + ROLLER) * WEIGHT * 150 * gain  # as much in the host as on the rollers
    head = 0.5 * WEIGHT * 150 * (gain + 1)

    def governed(allowable: float) -> tuple[float, str]:
        row = with_band(_pulls((0, 0.0, 300.0, "ahead"), allowable=allowable), forces).iloc[0]
        return float(row["utilisation"]), str(row["governed_by"])

    share = at_bend / 60e3
    assert governed(1e6) == (pytest.approx(share), "bend")
    assert governed(90e3) == (pytest.approx(head / 90e3), "pipe")
    assert governed(head / share * 1.001) == (pytest.approx(share), "bend")
    assert governed(head / share * 0.999)[1] == "pipe"

    def where(allowable: float) -> list[float]:
        row = with_band(_pulls((0, 0.0, 300.0, "ahead"), allowable=allowable), forces).iloc[0]
        return [float(row[f"governing_{name}"]) for name in ("chainage", "force", "limit")]

    assert where(1e6) == pytest.approx([150.0, at_bend, 60e3])
    assert where(90e3) == pytest.approx([300.0, head, 90e3])


def test_each_pull_is_governed_where_its_own_head_is() -> None:
    profiles = _profiles(_straight(), [(0, 150.0, 0.4, 60e3)])
    pulls = _pulls((0, 0.0, 300.0, "ahead"), (0, 0.0, 140.0, "ahead"), (0, 100.0, 300.0, "behind"))
    told = with_band(pulls, force_table(pulls, profiles))
    assert told["governed_by"].tolist() == ["bend", "pipe", "bend"]
    assert told["governing_chainage"].tolist() == [150.0, 140.0, 150.0]
    assert (told["governing_force"] / told["governing_limit"]).to_numpy() == pytest.approx(
        told["utilisation"].to_numpy()
    )


def test_a_bend_that_leaves_no_tension_is_past_its_limit() -> None:
    profiles = _profiles(_straight(), [(0, 150.0, 0.4, 0.0)])
    pulls = _pulls((0, 0.0, 300.0, "ahead"), (0, 150.0, 300.0, "ahead"))
    row = with_band(pulls, force_table(pulls, profiles))
    assert row["utilisation"].iloc[0] == INF
    # a pull whose tail lies at the bend has no tension there
    assert row["utilisation"].iloc[1] < 1


def test_no_force_is_within_a_limit_of_nothing() -> None:
    pulls = _pulls((0, 0.0, 300.0, "ahead"))
    forces = force_table(pulls, _profiles(_straight(), [(0, 150.0, 0.4, 0.0)]))
    still = forces.assign(head_force=0.0)  # a string that slides down by itself
    assert with_band(pulls, still)["utilisation"].tolist() == [0.0]


def test_no_pulls_give_empty_tables() -> None:
    pulls = _pulls().astype({"run": np.int64, "start": float, "end": float})
    forces = force_table(pulls, _profiles(_straight()))
    assert len(forces) == 0
    assert len(with_band(pulls, forces)) == 0


def test_a_pull_that_the_greatest_friction_takes_past_a_limit_is_warned_of_at_the_worst_place() -> (
    None
):
    profiles = _profiles(_straight(), [(0, 150.0, 0.2, 60e3)])
    pulls = _pulls((0, 0.0, 200.0, "ahead"), (0, 200.0, 300.0, "ahead"), allowable=80e3)
    forces = force_table(pulls, profiles)
    line = np.array([[0.0, 0.0], [300.0, 0.0]])
    chains = cast("Chains", SimpleNamespace(xy=line, offsets=np.array([0, 2])))

    def told(allowed: float) -> pd.DataFrame:
        findings = Findings()
        given = with_band(pulls.assign(allowable=allowed), forces)
        report_upper_friction(given, forces, chains, findings)
        return findings.table()

    at_bend = (0.7 * WEIGHT * 150 + ROLLER * WEIGHT * 50) * math.exp(0.7 * 0.2)  # 63.3 kN
    assert told(100e3)["feature"].tolist() == ["L0"]
    row = told(100e3).iloc[0]
    assert (row["rule"], row["severity"]) == ("force-at-upper-friction", "warning")
    assert f"{at_bend / 1e3:.1f} kN with the head in the bend at chainage 150.0 m" in row["text"]
    assert "where 60.0 kN are allowed" in row["text"]
    assert row["geometry"].x == pytest.approx(150.0)
    # at the head 63.3 kN less what the rollers no longer drag, and 17.5 kN more
    assert "at the head at chainage 200.0 m" in told(70e3)["text"].iloc[0]
    loose = _profiles(_straight(), [(0, 150.0, 0.2, 70e3)])
    findings = Findings()
    report_upper_friction(
        with_band(pulls.assign(allowable=100e3), force_table(pulls, loose)),
        force_table(pulls, loose), chains, findings,
    )  # fmt: skip
    assert not len(findings.table())
