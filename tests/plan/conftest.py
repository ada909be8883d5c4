"""Rules every written plan keeps, whatever it was made from, and the means to check them.

The rules look at the GeoPackage alone, as a user would; nothing of the planner is called. A test
that takes ``rule`` is run once for each of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from scipy.spatial import cKDTree

from geotools.cli import main
from geotools.units import parse_quantity

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_gis"
NEAR = 1e-6  # m; edges that meet differ by rounding only
KINDS = {"m": "length", "ft": "length", "mm": "length", "in": "length"}


@dataclass(frozen=True)
class Done:
    """What a call of the command line came to."""

    code: int
    out: str
    err: str


class Written:
    """A plan in SI units, read back from its GeoPackage."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.layers = {
            str(name): gpd.read_file(path, layer=name) if kind else _table(path, name)
            for name, kind in pyogrio.list_layers(path)
        }

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name not in self.layers:
            raise AttributeError(name)
        return self.layers[name]

    def setting(self, name: str) -> Any:
        """Return a setting: a length in metres, a word or a number."""
        row = self.settings.set_index("name").loc[name]
        if row["unit"] in KINDS:
            return parse_quantity(row["value"], "length")
        try:
            return float(row["value"])
        except ValueError:
            return row["value"]

    @cached_property
    def planned(self) -> pd.DataFrame:
        return self.runs[self.runs["status"] == "planned"]

    @cached_property
    def opened(self) -> pd.DataFrame:
        """The pits with ``start`` and ``end``, the stretch of run each opens."""
        pits = self.pits
        return pits.assign(
            start=pits["chainage_m"] - pits["before_m"], end=pits["chainage_m"] + pits["after_m"]
        )

    def along(self) -> Iterator[tuple[Any, pd.DataFrame, pd.DataFrame]]:
        """Yield every planned run with its pits and its pulls, each in order along the run."""
        pits = dict(list(self.opened.groupby("run_id")))
        pulls = dict(list(self.pulls.groupby("run_id")))
        for run in self.planned.itertuples():
            yield (
                run,
                pits.get(run.run_id, self.opened.iloc[:0]).sort_values("start"),
                pulls.get(run.run_id, self.pulls.iloc[:0]).sort_values("start_m"),
            )


def _table(path: Path, name: str) -> pd.DataFrame:
    return pyogrio.read_dataframe(path, layer=name, read_geometry=False)


def in_one_pull_or_pit(plan: Written) -> None:
    """Every metre of a planned run lies in exactly one pull or pit: no gap, no overlap."""
    for run, pits, pulls in plan.along():
        assert len(pits) == len(pulls) + 1, run.run_id
        edges = np.empty((len(pits) + len(pulls), 2))
        edges[0::2] = pits[["start", "end"]]
        edges[1::2] = pulls[["start_m", "end_m"]]
        assert edges[0, 0] == pytest.approx(0.0, abs=NEAR)
        assert edges[-1, 1] == pytest.approx(run.length_m, abs=NEAR)
        assert edges[1:, 0] == pytest.approx(edges[:-1, 1], abs=NEAR), run.run_id
        assert (np.diff(edges, axis=1) > 0).all()


def sharp_bends_in_pits(plan: Written) -> None:
    """A bend the carrier does not pass lies inside a pit, from its first to its last metre."""
    bends = plan.bends[~plan.bends["passes"].astype(bool)]
    bends = bends[bends["run_id"].isin(plan.planned["run_id"])]
    met = bends[["bend_id", "run_id", "chainage_m", "span_m"]].merge(plan.opened, on="run_id")
    half = met["span_m"] / 2
    inside = (met["start"] <= met["chainage_m_x"] - half + NEAR) & (
        met["end"] >= met["chainage_m_x"] + half - NEAR
    )
    assert set(bends["bend_id"]) == set(met.loc[inside, "bend_id"])


def bends_judged_by_radius(plan: Written) -> None:
    """A bend passes exactly when the largest radius that passes is at least the one needed."""
    bends = plan.bends[plan.bends["needed_radius_m"].notna()]
    assert (
        bends["passes"].astype(bool) == (bends["passing_radius_m"] >= bends["needed_radius_m"])
    ).all()


def pulls_within_limits(plan: Written) -> None:
    """No pull is longer or shorter than the settings allow, nor needs more than is allowable."""
    pulls = plan.pulls
    assert (pulls["length_m"] <= plan.setting("pulls.max_length") + NEAR).all()
    assert (pulls["length_m"] >= plan.setting("pulls.min_length") - NEAR).all()
    assert (pulls["head_force_kn"] > 0).all()
    assert (pulls["head_force_kn"] <= pulls["allowable_kn"] * (1 + 1e-9)).all()
    assert (pulls["utilisation"] <= 1 + 1e-9).all()
    # the greatest of what the head needs and what the bends on the way need
    share = pulls["head_force_kn"] / pulls["allowable_kn"]
    assert (pulls["utilisation"] >= share * (1 - 1e-9)).all()
    straight = pulls["governed_by"] != "bend"
    assert pulls["utilisation"][straight].to_numpy() == pytest.approx(
        share[straight].to_numpy(), rel=1e-9
    )


def pulls_as_long_as_drawn(plan: Written) -> None:
    """A pull's line is as long as its length, and that is its end less its start."""
    pulls = plan.pulls
    span = (pulls["end_m"] - pulls["start_m"]).to_numpy()
    assert pulls["length_m"].to_numpy() == pytest.approx(span, abs=NEAR)
    unit = pulls.crs.axis_info[0].unit_conversion_factor
    drawn = shapely.length(shapely.force_2d(pulls.geometry.to_numpy())) * unit
    assert drawn == pytest.approx(span, rel=1e-6, abs=1e-3)


def pulls_on_their_run(plan: Written) -> None:
    """A pull lies on the run's line, starts and ends where its chainages say."""
    unit = plan.runs.crs.axis_info[0].unit_conversion_factor
    lines = plan.runs.set_index("run_id").geometry
    for pull in plan.pulls.itertuples():
        axis = shapely.line_merge(lines[pull.run_id])
        ends = shapely.get_point(shapely.force_2d(pull.geometry), [0, -1])
        due = shapely.line_interpolate_point(axis, np.array([pull.start_m, pull.end_m]) / unit)
        assert (shapely.distance(ends, due) < 1e-3).all(), pull.pull_id


def levels_known(plan: Written) -> None:
    """A pull has a level at every vertex, save between stations whose level is not known."""
    assert shapely.has_z(plan.pulls.geometry.to_numpy()).all()
    stations = dict(list(plan.stations.groupby("run_id")))
    for pull in plan.pulls.itertuples():
        at = stations[pull.run_id]
        first = np.searchsorted(at["chainage_m"], pull.start_m, side="right") - 1
        last = np.searchsorted(at["chainage_m"], pull.end_m, side="left")
        known = np.isfinite(at["axis_z_m"].to_numpy(dtype=float)[max(first, 0) : last + 1])
        z = shapely.get_coordinates(pull.geometry, include_z=True)[:, 2]
        assert np.isfinite(z).all() or not known.all(), pull.pull_id


def roles_fit(plan: Written) -> None:
    """A pull goes from an insertion pit of its direction to the pit at its other end."""
    for _, pits, pulls in plan.along():
        for k, pull in enumerate(pulls.itertuples()):
            ahead = pull.direction == "ahead"
            before, after = pits.iloc[k], pits.iloc[k + 1]
            tail, head = (before, after) if ahead else (after, before)
            assert (pull.insertion_pit, pull.receiving_pit) == (tail["pit_id"], head["pit_id"])
            way = "insertion_ahead" if ahead else "insertion_behind"
            assert tail["role"] in (way, "insertion_both"), pull.pull_id
            assert head["role"] in ("receiving", way), pull.pull_id


def no_idle_insertion(plan: Written) -> None:
    """An insertion pit inserts: no pit is dug for a pull that does not start there."""
    used = plan.pulls.groupby("insertion_pit")["direction"].agg(set).to_dict()
    for pit in plan.pits.itertuples():
        due = {
            "receiving": set(),
            "insertion_ahead": {"ahead"},
            "insertion_behind": {"behind"},
            "insertion_both": {"ahead", "behind"},
        }[pit.role]
        assert used.get(pit.pit_id, set()) == due, pit.pit_id


def layers_agree(plan: Written) -> None:
    """Identifiers are unique, references lead somewhere, counts and sums of the runs hold."""
    for layer, key in (("runs", "run_id"), ("pits", "pit_id"), ("pulls", "pull_id")):
        assert plan.layers[layer][key].is_unique
    for layer in ("stations", "bends", "candidates", "pits", "pit_footprints", "pulls"):
        assert set(plan.layers[layer]["run_id"]) <= set(plan.runs["run_id"]), layer
    assert set(plan.pits["run_id"]) == set(plan.planned["run_id"])
    pulled = set(plan.planned.loc[plan.planned["pit_count"] > 1, "run_id"])
    assert set(plan.pulls["run_id"]) == pulled
    assert list(plan.pit_footprints["pit_id"]) == list(plan.pits["pit_id"])
    for run, pits, pulls in plan.along():
        assert (run.pit_count, run.pull_count) == (len(pits), len(pulls))
        longest = pulls["length_m"].max()
        assert run.longest_pull_m == pytest.approx(longest, abs=NEAR, nan_ok=True)
        assert run.cost == pytest.approx(pits["cost"].sum() + pulls["cost"].sum(), rel=1e-9)


def runs_without_plan_say_why(plan: Written) -> None:
    """A run without a plan names the place that blocks it; one with a plan has no such text."""
    for run in plan.runs.itertuples():
        if run.status == "planned":
            assert not run.reason
        else:
            assert run.reason
            assert run.pit_count == run.pull_count == 0
        if run.status == "no_plan":
            assert " m" in run.reason
            told = plan.findings[plan.findings["rule"] == "no-plan"]
            assert run.run_id in set(told["feature"])


def pits_where_they_may_be(plan: Written) -> None:
    """A pit stands at a usable candidate, in a role possible there, no deeper than allowed."""
    places = plan.candidates.set_index(["run_id", plan.candidates["chainage_m"].round(6)])
    for pit in plan.pits.itertuples():
        place = places.loc[(pit.run_id, round(pit.chainage_m, 6))]
        place = place.iloc[0] if isinstance(place, pd.DataFrame) else place
        assert place["usable"]
        assert pit.role in place["roles"].split(", ")
        assert place[f"cost_{pit.role}"] == pytest.approx(pit.cost, rel=1e-9)
    assert (plan.pits["depth_m"] <= plan.setting("pits.max_depth") + NEAR).all()


def footprints_hold_their_pit(plan: Written) -> None:
    """A footprint is a valid area of the size told, and the run opened lies inside it."""
    unit = plan.runs.crs.axis_info[0].unit_conversion_factor
    ground = plan.pit_footprints.geometry.to_numpy()
    assert shapely.is_valid(ground).all()
    area = plan.pit_footprints["area_m2"].to_numpy()
    assert shapely.area(ground) * unit**2 == pytest.approx(area, rel=1e-4)
    assert (shapely.distance(ground, plan.pits.geometry.to_numpy()) < 1e-3).all()


def quantities_add_up(plan: Written) -> None:
    """The quantities of a pit, a pull and a run, times their rates, sum to what it costs."""
    rows = plan.quantities
    priced = rows[rows["rate"].notna()]
    due = priced["quantity"] * priced["rate"]
    assert priced["cost"].to_numpy() == pytest.approx(due.to_numpy(), rel=1e-9, abs=1e-6)
    cost = rows.groupby(["scope", "ref"])["cost"].sum()
    for scope, table, key in (
        ("pit", plan.pits, "pit_id"),
        ("pull", plan.pulls, "pull_id"),
        ("run", plan.planned, "run_id"),
    ):
        told = cost[scope].reindex(table[key])
        assert told.to_numpy() == pytest.approx(table["cost"].to_numpy(), rel=1e-9)


RULES = (
    in_one_pull_or_pit,
    sharp_bends_in_pits,
    bends_judged_by_radius,
    pulls_within_limits,
    pulls_as_long_as_drawn,
    pulls_on_their_run,
    levels_known,
    roles_fit,
    no_idle_insertion,
    layers_agree,
    runs_without_plan_say_why,
    pits_where_they_may_be,
    footprints_hold_their_pit,
    quantities_add_up,
)


@pytest.fixture(params=RULES, ids=lambda rule: rule.__name__)
def rule(request: pytest.FixtureRequest) -> Callable[[Written], None]:
    """One rule of a written plan at a time."""
    return request.param  # type: ignore[no-any-return]


@pytest.fixture(scope="session")
def read_plan() -> Callable[[Path], Written]:
    return Written


@pytest.fixture(scope="session")
def command() -> Callable[..., int]:
    """Run a command in this process for its exit code alone; for fixtures of a wider scope."""

    def run(*arguments: str | Path) -> int:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        return int(left.value.code or 0)

    return run


@pytest.fixture
def slipmain(capsys: pytest.CaptureFixture[str]) -> Callable[..., Done]:
    """Run a command in this process."""

    def run(*arguments: str | Path) -> Done:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Done(int(left.value.code or 0), out, err)

    return run


@pytest.fixture(scope="session")
def sample() -> Path:
    """The folder of the sample district."""
    return SAMPLE


@pytest.fixture(scope="session")
def sample_plan(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """The sample district planned as its brief says."""
    target = tmp_path_factory.mktemp("plan") / "plan.gpkg"
    with pytest.raises(SystemExit) as left:
        main(["plan", str(SAMPLE / "brief.toml"), "-o", str(target), "--quiet"])
    assert left.value.code == 0
    return Written(target)


def street_intersections(streets: gpd.GeoDataFrame, *, tolerance: float) -> np.ndarray:
    """Return places where three or more stretches of street meet, found the plain way.

    Every end of a street is a place; ends within the tolerance are one. A street that ends
    there counts once, one that runs on through it twice.
    """
    lines = streets.geometry.explode().to_numpy()
    ends = np.concatenate([shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1)])
    tree = cKDTree(ends)
    seen = np.zeros(len(ends), dtype=bool)
    places = []
    for k, end in enumerate(ends):
        if seen[k]:
            continue
        together = tree.query_ball_point(end, tolerance)
        seen[together] = True
        middle = shapely.Point(ends[together].mean(axis=0))
        stopping = {j % len(lines) for j in together}
        near = np.flatnonzero(shapely.dwithin(lines, middle, tolerance))
        through = [j for j in near if j not in stopping]
        if len(together) + 2 * len(through) >= 3:
            places.append([middle.x, middle.y])
    return np.array(places).reshape(-1, 2)


@pytest.fixture(scope="session")
def intersections() -> Callable[..., np.ndarray]:
    return street_intersections
