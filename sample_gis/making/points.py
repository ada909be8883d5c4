"""What sits on the mains: fittings, valves, service connections, hydrants, sources."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Point

from .ground import Ground
from .mains import Main, Tee, river_chainages
from .town import Town
from .trunks import CROSS, TRUNKS, alignments

VALVE_SPACING_M = 420.0
HYDRANT_SPACING_M = 115.0
SERVICE_SPACING_M = (15.0, 25.0)
_BUILT_WITHIN_M = 40.0  # a service connection has a building this near
_VALVE_FROM_JUNCTION_M = 2.5
HOSPITAL_ON = ("T8", 255.0)  # trunk main and chainage of the hospital's connection
_SIZE = {t.key: float(t.diameter_mm) for t in TRUNKS}


@dataclass
class Fitting:
    """A fitting on a main."""

    kind: str
    angle_deg: float | None
    diameter_mm: float | None
    geometry: Point
    planted: str = ""


@dataclass
class Valve:
    """A valve on a main."""

    kind: str
    open: bool
    geometry: Point


@dataclass
class Lateral:
    """A service connection."""

    customers: int | None
    critical: bool
    geometry: Point


@dataclass(frozen=True)
class Points:
    """All point layers on the mains."""

    fittings: list[Fitting]
    valves: list[Valve]
    laterals: list[Lateral]
    hydrants: list[Point]
    sources: list[Point]


def _line(key: str) -> LineString:
    return alignments()[key].line


# -- fittings -----------------------------------------------------------------------------------


def _bends() -> list[Fitting]:
    return [
        Fitting("bend", float(angle), _SIZE[key], Point(x, y))
        for key, alignment in alignments().items()
        for x, y, angle in alignment.bends
    ]


def _river_bends(town: Town) -> list[Fitting]:
    """Bends in the vertical where a main dips under the river; the plan shows none."""
    line = _line("T2")
    return [
        Fitting("bend", 11.25, _SIZE["T2"], line.interpolate(c))
        for c in river_chainages(line, town)
    ]


def _connections(tees: list[Tee]) -> list[Fitting]:
    """Tees, crosses and reducers on the trunk mains."""
    made = [Fitting("cross", None, 600.0, Point(CROSS))]
    made.append(Fitting("cross", None, 500.0, Point(_line("T2").coords[-1])))
    made.append(Fitting("tee", None, _SIZE["T6"], Point(_line("T7").coords[0])))
    made.append(Fitting("tee", None, _SIZE["T3"], Point(_line("T8").coords[0])))
    made.append(Fitting("reducer", None, _SIZE["T6"], Point(_line("T6b").coords[0])))
    for tee in tees:
        line = _line(tee.trunk)
        tip = min(tee.chainage, line.length - tee.chainage) < 3.0
        kind = "reducer" if tip else ("tee" if tee.branches == 1 else "cross")
        made.append(Fitting(kind, None, _SIZE[tee.trunk], line.interpolate(tee.chainage)))
    return made


def _ends(mains: list[Main]) -> dict[tuple[float, float], list[tuple[Main, int]]]:
    """Ends of distribution mains by place (to the centimetre)."""
    found: dict[tuple[float, float], list[tuple[Main, int]]] = defaultdict(list)
    for m in mains:
        if not m.trunk and m.status == "active":
            for k in (0, -1):
                x, y = m.line.coords[k]
                found[(round(x, 2), round(y, 2))].append((m, k))
    return found


def _street_fittings(mains: list[Main], trunks: shapely.Geometry) -> list[Fitting]:
    """Tees, crosses and caps of the distribution mains."""
    made = []
    for place, ends in sorted(_ends(mains).items(), key=lambda e: e[0]):
        point = Point(place)
        if point.distance(trunks) < 0.5 or len(ends) == 2:
            continue
        kind = {1: "cap", 3: "tee"}.get(len(ends), "cross")
        made.append(Fitting(kind, None, max(m.diameter_mm or 0.0 for m, _ in ends), point))
    return made


# -- valves -------------------------------------------------------------------------------------


def _kind_for(diameter_mm: float) -> str:
    return "butterfly" if diameter_mm >= 450.0 else "gate"


def _trunk_valves(tees: list[Tee]) -> list[Valve]:
    """A valve on every trunk main where it leaves another, then one every so often."""
    made = []
    for key, alignment in alignments().items():
        line = alignment.line
        away = [line.project(Point(x, y)) for x, y, _ in alignment.bends]
        away += [t.chainage for t in tees if t.trunk == key]
        places = [6.0] if key != "T1" else [6.0, line.length - 12.0]
        wanted = 6.0 + VALVE_SPACING_M
        while wanted < line.length - 120.0:
            places.append(_clear_of(away, wanted, 14.0))
            wanted += VALVE_SPACING_M
        made += [Valve(_kind_for(_SIZE[key]), True, line.interpolate(c)) for c in places]
    return made


def _clear_of(away: list[float], wanted: float, room: float) -> float:
    """The chainage nearest to the wanted one that keeps ``room`` from all others."""
    for step in np.arange(0.0, 200.0, 2.0):
        for c in (wanted + step, wanted - step):
            if all(abs(c - a) >= room for a in away):
                return float(c)
    raise ValueError(f"no clear place near chainage {wanted}")


def _air_and_washout(ground: Ground) -> list[Valve]:
    """An air valve at the top and a washout at the foot of the main to the river."""
    made = []
    for key, kind, best in (("T1", "air", np.argmax), ("T2", "washout", np.argmin)):
        line = _line(key)
        chainage = np.arange(60.0, line.length - 60.0, 5.0)
        xy = np.array([line.interpolate(c).coords[0] for c in chainage])
        at = float(chainage[int(best(ground.at(xy[:, 0], xy[:, 1])))])
        beside = 0.0 if kind == "air" else 24.0  # the lowest ground is the river itself
        made.append(Valve(kind, kind == "air", line.interpolate(at + beside)))
    return made


def _street_valves(
    mains: list[Main], trunks: shapely.Geometry, rng: np.random.Generator
) -> list[Valve]:
    """Gate valves on the branches at junctions; always where a branch leaves a trunk main."""
    made = []
    for place, ends in sorted(_ends(mains).items(), key=lambda e: e[0]):
        on_trunk = Point(place).distance(trunks) < 0.5
        if len(ends) < 3 and not on_trunk:
            continue
        for m, k in ends:
            if on_trunk or rng.uniform() < 0.7:
                at = _VALVE_FROM_JUNCTION_M if k == 0 else m.line.length - _VALVE_FROM_JUNCTION_M
                made.append(Valve("gate", True, m.line.interpolate(at)))
    made[int(rng.integers(len(made)))].open = False
    return made


# -- service connections and hydrants -----------------------------------------------------------


def _customers(rng: np.random.Generator) -> int:
    """Houses mostly, now and then a block of flats."""
    return int(rng.integers(6, 30)) if rng.uniform() < 0.07 else int(rng.integers(1, 4))


def _laterals(mains: list[Main], town: Town, rng: np.random.Generator) -> list[Lateral]:
    tree = shapely.STRtree(town.blocks)
    made = []
    for m in mains:
        if m.status != "active":
            continue
        low, high = (180.0, 320.0) if m.trunk else SERVICE_SPACING_M
        at = float(rng.uniform(8.0, high))
        while at < m.line.length - 6.0:
            point = m.line.interpolate(at)
            if len(tree.query(point, predicate="dwithin", distance=_BUILT_WITHIN_M)):
                many = int(rng.integers(10, 60)) if m.trunk else _customers(rng)
                made.append(Lateral(many, False, point))
            at += float(rng.uniform(low, high))
    return made


def _critical(laterals: list[Lateral]) -> list[Lateral]:
    """The hospital on its trunk main, and a care home on the nearest street main."""
    key, at = HOSPITAL_ON
    hospital = _line(key).interpolate(at)
    others = [x for x in laterals if x.geometry.distance(_line(key)) > 30.0]
    near = min(others, key=lambda x: x.geometry.distance(hospital))
    near.critical, near.customers = True, 1
    return [*laterals, Lateral(1, True, hospital)]


def _hydrants(mains: list[Main]) -> list[Point]:
    made = []
    for m in mains:
        if m.trunk or m.status != "active":
            continue
        count = max(1, round(m.line.length / HYDRANT_SPACING_M))
        made += [m.line.interpolate((n + 0.37) / count, normalized=True) for n in range(count)]
    return made


def make_points(
    mains: list[Main], tees: list[Tee], town: Town, ground: Ground, rng: np.random.Generator
) -> Points:
    """Put fittings, valves, connections, hydrants and sources on faultless mains."""
    trunks = shapely.union_all([_line(key) for key in alignments()])
    valves = _trunk_valves(tees) + _air_and_washout(ground)
    on_trunks = _bends() + _river_bends(town) + _connections(tees)
    return Points(
        fittings=on_trunks + _street_fittings(mains, trunks),
        valves=valves + _street_valves(mains, trunks, rng),
        laterals=_critical(_laterals(mains, town, rng)),
        hydrants=_hydrants(mains),
        sources=[Point(_line("T1").coords[-1]), Point(_line("T9").coords[-1])],
    )


__all__ = ["Fitting", "Lateral", "Points", "Valve", "make_points"]
