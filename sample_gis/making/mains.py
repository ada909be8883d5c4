"""The mains: trunk mains in features, and a distribution main in every local street."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter1d
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from .ground import RIVER_HALF_WIDTH_M, Ground
from .lines import Coords, cut_at, joined_to
from .town import Street, Town, frame
from .trunks import TRUNKS, Trunk, alignments

HEAD_M = 206.0  # water level of the service reservoir
GRAVITY = 9.80665
SIDE_SHIFT_M = 2.3  # distribution mains lie this far from the axis of the street
ON_ROAD_M = 16.0  # a trunk main no farther than this lies in the road
OVERPASSES = (("T1", 0), ("T2", 1))  # trunk and count of the crossing that has no connection
UNSPLIT_EVERY = 4  # every so many tees do not split the trunk main
_OFF_MODEL_X = 4204.0  # beyond the elevation model's last column
_TEE_TOGETHER_M = 5.0


@dataclass
class Main:
    """One feature of the layer; the fields the file does not hold come last."""

    main_id: str
    diameter_mm: float | None
    material: str
    installed: int | None
    bore_mm: float | None = None
    cover_m: float | None = None
    invert_start_m: float | None = None
    invert_end_m: float | None = None
    pressure_kpa: float | None = None
    c_factor: float | None = None
    flow_lps: float | None = None
    breaks: int | None = None
    status: str = "active"
    geometry: BaseGeometry | None = None
    trunk: str = ""
    street: str = ""
    flaws: list[str] = field(default_factory=list)

    @property
    def line(self) -> LineString:
        """The geometry, where it is one line."""
        if not isinstance(self.geometry, LineString):
            raise TypeError(f"main {self.main_id} is not one line")
        return self.geometry


@dataclass
class Branch:
    """A distribution main on its way from a street to a feature."""

    street: Street
    line: LineString
    start_trunk: str = ""
    end_trunk: str = ""


@dataclass(frozen=True)
class Tee:
    """A connection on a trunk main: where, and how many branches."""

    trunk: str
    chainage: float
    branches: int
    splits: bool


# -- distribution: from the streets to the branches ------------------------------------------------


def _trunk_lines() -> dict[str, LineString]:
    return {key: a.line for key, a in alignments().items()}


def _beside(town: Town, xy: Coords) -> LineString:
    """The main along a street: every vertex moved aside, each bank in its own direction."""
    bank = Polygon([*town.river.coords, (9000, -450), (9000, 3450)])
    east = shapely.contains_xy(bank, xy[:, 0], xy[:, 1])[:, None]
    aside = np.array([SIDE_SHIFT_M, -SIDE_SHIFT_M])
    return LineString(xy + np.where(east, aside @ frame("east"), aside @ frame("west")))


def _trunk_at(town: Town, streets: list[Street]) -> dict[int, str]:
    """The trunk main under each junction that has one."""
    lines = _trunk_lines()
    ends = {e for s in streets if s.road.trunk or s.road.dual for e in (s.start, s.end)}
    found = {}
    for e in sorted(ends):
        place = Point(town.junctions[e])
        key = min(lines, key=lambda k: lines[k].distance(place))
        if lines[key].distance(place) < ON_ROAD_M:
            found[e] = key
    return found


def _branches(town: Town) -> list[Branch]:
    """Distribution mains along local streets, shifted aside and joined to the trunk mains."""
    lines = _trunk_lines()
    trunk_at = _trunk_at(town, town.streets)
    made = []
    for s in town.streets:
        if s.road.dual or s.road.trunk:
            continue
        if s.line.length < 30.0 and s.start in trunk_at and s.end in trunk_at:
            continue  # between the two carriageways
        line = _beside(town, np.asarray(s.line.coords))
        branch = Branch(s, line, trunk_at.get(s.start, ""), trunk_at.get(s.end, ""))
        for key, at_start in ((branch.start_trunk, True), (branch.end_trunk, False)):
            if key:
                branch.line = joined_to(branch.line, lines[key], at_start=at_start)
        made.append(branch)
    return made + _beyond_trunks(town)


def _beyond_trunks(town: Town) -> list[Branch]:
    """Where a road goes on after its trunk main has ended, a smaller main does too."""
    lines = _trunk_lines()
    covered = shapely.union_all(list(lines.values())).buffer(ON_ROAD_M, cap_style="flat")
    made = []
    for s in town.streets:
        named = s.road.trunk and s.road.trunk not in ("T1", "T9") and not s.road.dual
        rest = s.line.difference(covered) if named else LineString()
        if rest.length < 12.0:
            continue
        part = max(getattr(rest, "geoms", [rest]), key=lambda g: g.length)
        branch = Branch(s, _beside(town, np.asarray(part.coords)))
        for at_start in (True, False):
            key, tip = _tip_near(Point(part.coords[0 if at_start else -1]))
            if key:
                xy = list(branch.line.coords)
                branch.line = LineString([tip, *xy] if at_start else [*xy, tip])
                branch.start_trunk = key if at_start else branch.start_trunk
                branch.end_trunk = branch.end_trunk if at_start else key
        made.append(branch)
    return made


def _tip_near(place: Point) -> tuple[str, tuple[float, float]]:
    """The trunk main that ends or passes near a place, and its nearest point."""
    for key, line in _trunk_lines().items():
        near = line.interpolate(line.project(place))
        if near.distance(place) < ON_ROAD_M + 4.0:
            return key, (near.x, near.y)
    return "", (place.x, place.y)


def _gathered(branches: list[Branch]) -> dict[str, dict[float, list[tuple[Branch, int]]]]:
    """Branch ends by trunk main and chainage; ends side by side are moved to one point."""
    lines = _trunk_lines()
    ends: dict[str, list[tuple[float, Branch, int]]] = defaultdict(list)
    for b in branches:
        for key, k in ((b.start_trunk, 0), (b.end_trunk, -1)):
            if key:
                ends[key].append((lines[key].project(Point(b.line.coords[k])), b, k))
    grouped: dict[str, dict[float, list[tuple[Branch, int]]]] = {}
    for key, found in ends.items():
        groups: dict[float, list[tuple[Branch, int]]] = {}
        last = -99.0
        for chainage, b, k in sorted(found, key=lambda f: f[0]):
            if chainage - last > _TEE_TOGETHER_M:
                last = chainage
                groups[last] = []
            groups[last].append((b, k))
        grouped[key] = groups
        for chainage, members in groups.items():
            point = lines[key].interpolate(chainage)
            for b, k in members:
                xy = np.asarray(b.line.coords).copy()
                xy[k] = (point.x, point.y)
                b.line = LineString(xy)
    return grouped


def _cross_over(branches: list[Branch], members: list[tuple[Branch, int]]) -> None:
    """Join two branches into one that passes over the trunk main without a node."""
    (a, i), (b, j) = members
    first = list(a.line.coords) if i == -1 else list(a.line.coords)[::-1]
    second = list(b.line.coords) if j == 0 else list(b.line.coords)[::-1]
    line = LineString(first[:-1] + second[1:])
    branches.remove(b)
    k = next(n for n, x in enumerate(branches) if x is a)
    start = a.start_trunk if i == -1 else a.end_trunk
    end = b.end_trunk if j == 0 else b.start_trunk
    branches[k] = Branch(a.street, line, start, end)


def connect(town: Town) -> tuple[list[Branch], list[Tee]]:
    """Lay the distribution mains and connect them to the trunk mains."""
    branches = _branches(town)
    tees: list[Tee] = []
    lines = _trunk_lines()
    for key, groups in _gathered(branches).items():
        crossings = [c for c, m in groups.items() if len(m) == 2 and m[0][0] is not m[1][0]]
        over = [crossings[n] for trunk, n in OVERPASSES if trunk == key]
        for number, (chainage, members) in enumerate(groups.items()):
            if chainage in over:
                _cross_over(branches, members)
                continue
            inside = 3.0 < chainage < lines[key].length - 3.0
            splits = not inside or number % UNSPLIT_EVERY != UNSPLIT_EVERY - 1
            tees.append(Tee(key, chainage, len(members), splits))
    return branches, tees


# -- trunk mains: from the alignments to features -----------------------------------------------


def river_chainages(line: LineString, town: Town) -> list[float]:
    """Where a trunk main turns down, lies flat and turns up again under the river."""
    crossing = line.intersection(town.river)
    if crossing.is_empty:
        return []
    at = line.project(crossing)
    flat, slope = RIVER_HALF_WIDTH_M + 5.0, 14.0
    return [at - flat - slope, at - flat, at + flat, at + flat + slope]


def _invert_levels(
    line: LineString, cuts: list[float], trunk: Trunk, ground: Ground, town: Town
) -> list[float]:
    """Invert levels at the cuts: under smoothed ground, deeper under track and river."""
    chainage = np.arange(0.0, line.length + 2.0, 2.0)
    xy = np.array([line.interpolate(c).coords[0] for c in chainage])
    z = ground.at(xy[:, 0], xy[:, 1])
    smooth = gaussian_filter1d(z, 20.0, mode="nearest")
    depth = trunk.cover_m + trunk.diameter_mm / 1000.0
    levels = smooth - depth - 0.25 * np.sin(chainage / 110.0)
    levels = np.minimum(levels, z - depth + 0.4)
    track = line.intersection(town.railway)
    if not track.is_empty:
        near = np.abs(chainage - line.project(track)) < 15.0
        under = z[near].min() - 1.7 - trunk.diameter_mm / 1000.0
        lowered = np.abs(chainage - line.project(track)) < 45.0
        levels[lowered] = np.minimum(levels[lowered], under)
    out = np.interp(cuts, chainage, levels)
    river = river_chainages(line, town)
    for k, c in enumerate(cuts):
        if any(abs(c - r) < 0.5 for r in river[1:3]):
            bed = z[np.abs(chainage - np.mean(river)) < RIVER_HALF_WIDTH_M].min()
            out[k] = bed - 1.5 - trunk.diameter_mm / 1000.0
    return [float(v) for v in out]


def _trunk_cuts(trunk: Trunk, line: LineString, tees: list[Tee], town: Town) -> list[float]:
    fixed = [t.chainage for t in tees if t.trunk == trunk.key and t.splits]
    fixed += river_chainages(line, town)
    track = line.intersection(town.railway)
    if not track.is_empty:
        fixed += [line.project(track) - 40.0, line.project(track) + 40.0]
    for other in ("T7", "T8"):
        start = Point(alignments()[other].xy[0])
        if other != trunk.key and line.distance(start) < 0.01:
            fixed.append(line.project(start))
    if trunk.key == "T9":
        chainage = np.arange(0.0, line.length, 1.0)
        fixed.append(next(c for c in chainage if line.interpolate(c).x > _OFF_MODEL_X))
    cuts = sorted({0.0, line.length, *fixed})
    more: list[float] = []
    for a, b in pairwise(cuts):
        count = int((b - a) // (1.4 * trunk.pieces_m)) + 1
        more += [a + (b - a) * n / count for n in range(1, count)]
    return sorted([*cuts, *more])


def _trunk_mains(
    town: Town, ground: Ground, tees: list[Tee], rng: np.random.Generator
) -> list[Main]:
    made = []
    for trunk in TRUNKS:
        line = alignments()[trunk.key].line
        cuts = _trunk_cuts(trunk, line, tees, town)
        levels = _invert_levels(line, cuts, trunk, ground, town)
        pieces = cut_at(line, cuts[1:-1], shortest=0.5)
        if len(pieces) != len(cuts) - 1:
            raise ValueError(f"trunk {trunk.key}: two cuts fall together")
        for k, piece in enumerate(pieces):
            made.append(_trunk_main(trunk, piece, levels[k : k + 2], town, rng))
    return made


def _trunk_main(
    trunk: Trunk, piece: LineString, levels: list[float], town: Town, rng: np.random.Generator
) -> Main:
    main = Main("", float(trunk.diameter_mm), trunk.material, trunk.installed, trunk=trunk.key)
    main.geometry = piece
    under = piece.distance(town.river) < 1.0
    main.bore_mm = None if under else trunk.bore_mm
    main.c_factor, main.flow_lps = trunk.c_factor, trunk.flow_lps
    if under:
        main.material, main.installed, main.c_factor = "steel", 1966, None
    if trunk.depth == "invert":
        main.invert_start_m, main.invert_end_m = (round(v, 2) for v in levels)
    elif trunk.depth == "cover":
        main.cover_m = round(float(np.clip(rng.normal(trunk.cover_m, 0.2), 1.0, 2.5)), 1)
    main.pressure_kpa = _pressure(sum(levels) / 2.0 + trunk.diameter_mm / 2000.0, piece)
    main.breaks = _breaks(main, piece.length, rng)
    return main


def _pressure(axis_z: float, line: LineString) -> float:
    """Working pressure under the reservoir's level, 2 m lost in every kilometre from it."""
    away = np.hypot(line.centroid.x - 220.0, line.centroid.y - 1680.0)
    return float(round((HEAD_M - 0.002 * away - axis_z) * GRAVITY, 0))


def _breaks(main: Main, length: float, rng: np.random.Generator) -> int:
    """Breaks on record: more in old, small, brittle pipe."""
    rate = {"cast iron": 0.20, "asbestos cement": 0.14, "steel": 0.08}.get(main.material, 0.03)
    size = 150.0 / (main.diameter_mm or 150.0)
    age = 2024 - (main.installed or 1960)
    return int(rng.poisson(rate * (0.3 + size) * length / 1000.0 * age / 2.0))


# -- distribution mains --------------------------------------------------------------------------

_KINDS = (  # material, first and last year, share
    ("cast iron", 1905, 1952, 0.38),
    ("asbestos cement", 1955, 1974, 0.22),
    ("ductile iron", 1968, 1988, 0.15),
    ("pvc", 1978, 2015, 0.25),
)


def _distribution_mains(
    branches: list[Branch], ground: Ground, rng: np.random.Generator
) -> list[Main]:
    streets = sorted({b.street.road.name for b in branches})
    look: dict[str, tuple[float, str, int]] = {}
    for name in streets:
        kind = _KINDS[int(rng.choice(len(_KINDS), p=[k[3] for k in _KINDS]))]
        size = float(rng.choice([100.0, 150.0, 200.0], p=[0.45, 0.40, 0.15]))
        look[name] = (size, kind[0], int(rng.integers(kind[1], kind[2])))
    made = []
    for b in branches:
        size, material, year = look[b.street.road.name]
        if b.street.road.kind == "collector":
            size = 200.0
        main = Main("", size, material, year, geometry=b.line, street=b.street.road.name)
        main.breaks = _breaks(main, b.line.length, rng)
        if rng.uniform() < 0.45:
            main.cover_m = round(float(rng.uniform(0.9, 1.5)), 1)
        if rng.uniform() < 0.3:
            mid = b.line.interpolate(0.5, normalized=True)
            z = float(ground.at(np.array([mid.x]), np.array([mid.y]))[0])
            main.pressure_kpa = _pressure(z - 1.2, b.line)
        made.append(main)
    return made


def _abandoned(town: Town) -> Main:
    """The first river crossing, cut off and left in the ground beside the present one."""
    line = alignments()["T2"].line
    at = line.project(line.intersection(town.river))
    a, b = line.interpolate(at - 68.0), line.interpolate(at + 121.0)
    along = np.array([b.x - a.x, b.y - a.y]) / a.distance(b)
    left = np.array([-along[1], along[0]])
    start, end = np.array([a.x, a.y]), np.array([b.x, b.y])
    xy = [start + 2.0 * left, start + 26.0 * left + 30.0 * along]
    xy += [end + 26.0 * left - 30.0 * along, end + 2.0 * left]
    return Main("", 450.0, "cast iron", 1898, status="abandoned", geometry=LineString(xy))


def make_mains(
    town: Town, ground: Ground, rng: np.random.Generator
) -> tuple[list[Main], list[Tee]]:
    """Lay all mains, as they would be if the records were faultless."""
    branches, tees = connect(town)
    mains = _trunk_mains(town, ground, tees, rng)
    mains += _distribution_mains(branches, ground, rng)
    mains.append(_abandoned(town))
    for number, main in enumerate(mains):
        main.main_id = f"WM{1001 + 3 * number}"
    return mains, tees


__all__ = ["Main", "Tee", "connect", "make_mains", "river_chainages"]
