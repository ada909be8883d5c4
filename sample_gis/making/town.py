"""The town: roads over the trunk mains, local streets in warped grids, and what pits must avoid."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.interpolate import CubicSpline
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import STRtree
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from .lines import Coords, cut_at, heading_at, joined_to, prolonged, rounded, shifted
from .trunks import CROSS, alignments, chained

_RIVER = (
    *((2440, 3450), (2335, 2950), (2415, 2450), (2290, 1950), (2195, 1420), (2350, 930)),
    *((2305, 480), (2440, 20), (2400, -450)),
)
_RAILWAY = (
    *((1640, -450), (1700, 150), (1745, 800), (1800, 1430), (1930, 2100), (2075, 2700)),
    (2210, 3450),
)
_PARK = ((2010, 1560), (2165, 1545), (2240, 1800), (2290, 2060), (2120, 2110), (2040, 1850))
_WEST = (
    *((560, 1300), (640, 2040), (900, 2480), (1330, 2700), (1960, 2680), (2400, 2300)),
    *((2300, 300), (1880, 130), (1250, 60), (900, 330), (700, 820)),
)
_EAST = (
    *((2300, 620), (2300, 2520), (2780, 2640), (3250, 2420), (3500, 1900), (3760, 1500)),
    *((3600, 1000), (3280, 560), (2900, 330)),
)
RIVER_WIDTH_M = 18.0
MERGE_M, MERGE_DUAL_M = 24.0, 6.0  # junctions closer than this are one
_STUB_M = 62.0  # shorter dead ends are left out
_WORDS = [
    "Amber", "Brindle", "Cotter", "Dapple", "Ember", "Fettle", "Gribble", "Hopper", "Ingle",
    "Jessom", "Kindle", "Lantern", "Mallet", "Nettle", "Ottle", "Pebble", "Quern", "Rushlight",
    "Saddle", "Tinder", "Umber", "Vamble", "Wicket", "Yarrow", "Zell", "Bodkin", "Candle",
    "Damson", "Elder", "Flagstone", "Garnet", "Hornbeam", "Inkle", "Juniper", "Kestle", "Loom",
    "Medlar", "Nimble", "Osier", "Pippin", "Quoin", "Rowan", "Sorrel", "Thimble", "Upland",
    "Vetch", "Wattle", "Yeoman", "Anvil", "Bellows", "Cobble", "Drover",
]  # fmt: skip


@dataclass(frozen=True)
class Road:
    """A named road from end to end."""

    name: str
    kind: str
    lanes: int
    width_m: float
    speed_kmh: float
    line: LineString
    trunk: str = ""
    dual: bool = False
    zone: str = ""


@dataclass(frozen=True)
class Street:
    """A road between two junctions (indices into the junction array)."""

    road: Road
    line: LineString
    start: int
    end: int


@dataclass(frozen=True)
class Town:
    """Everything above ground."""

    streets: list[Street]
    junctions: Coords
    roads: list[Road]
    river: LineString
    railway: LineString
    park: Polygon
    blocks: list[Polygon]


def smooth(points: tuple[tuple[float, float], ...], step: float) -> LineString:
    """A smooth curve through points, a vertex every ``step`` metres."""
    xy = np.array(points, dtype=float)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    curve = CubicSpline(chord, xy)
    return LineString(curve(np.linspace(0.0, chord[-1], int(chord[-1] / step) + 1)))


def river() -> LineString:
    """The centreline of the river, from its upper end."""
    return smooth(_RIVER, 12.0)


def railway() -> LineString:
    """The railway's centreline."""
    return smooth(_RAILWAY, 20.0)


# -- roads over the trunk mains -----------------------------------------------------------------


def _over(xy: Coords, offset: float, radius: float) -> LineString:
    return LineString(rounded(np.asarray(shifted(LineString(xy), offset).coords), radius))


def _main_roads() -> list[Road]:
    """The roads that the trunk mains follow, joined to each other."""
    avenue_line = prolonged(_over(chained("-T4", "T5"), -2.5, 90.0), start=140.0, end=110.0)
    avenue = Road("Eastfold Avenue", "collector", 2, 10.0, 50.0, avenue_line, "T4")
    through = prolonged(_over(chained("-T1", "T2", "T9"), 3.0, 110.0), start=400.0, end=150.0)
    meeting = through.project(through.intersection(avenue_line))
    west, east = cut_at(through, [meeting])
    alder = Road("Quaddermoor Road", "arterial", 4, 13.5, 50.0, west, "T1")
    fennick = Road("Fennwhistle Road", "arterial", 2, 10.5, 60.0, east, "T9")
    quillon = _over(alignments()["T3"].xy, -2.5, 16.0)
    quillon = joined_to(quillon, west, at_start=True)
    lane = joined_to(_over(alignments()["T8"].xy, 2.0, 60.0), quillon, at_start=True)
    duals = _dual_roads(west)
    pellow = joined_to(_over(alignments()["T7"].xy, 2.5, 80.0), duals[1].line, at_start=True)
    pellow = joined_to(pellow, avenue_line, at_start=False, reach=900.0)
    return [
        alder,
        fennick,
        avenue,
        Road("Quillon Street", "collector", 2, 10.0, 50.0, quillon, "T3"),
        Road("Infirmary Lane", "local", 2, 7.5, 30.0, prolonged(lane, end=70.0), "T8"),
        Road("Pelloway Street", "collector", 2, 9.0, 50.0, pellow, "T7"),
        *duals,
    ]


def _dual_roads(target: LineString) -> list[Road]:
    """The dual carriageway and the single road it runs out into."""
    whole = _over(chained("T6", "T6b"), 1.5, 70.0)
    turn = whole.project(Point(alignments()["T6"].xy[-1]))
    east, single = cut_at(whole, [turn])
    west = _over(alignments()["T6"].xy, -12.5, 70.0)
    west = joined_to(west, target, at_start=True)
    east = joined_to(east, target, at_start=True)
    merge = single.interpolate(55.0)
    west = LineString([*list(west.coords), (merge.x, merge.y)])
    way = Road("Tarnhollow Way", "arterial", 2, 7.3, 60.0, east, "T6", dual=True)
    saltern = prolonged(single, end=120.0)
    return [
        way,
        replace(way, line=west, trunk=""),
        Road("Saltquern Road", "collector", 2, 8.5, 50.0, saltern, "T6b"),
    ]


# -- local streets ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Grid:
    """A warped grid of local streets: places of the lines across and along its frame."""

    zone: str
    origin: tuple[float, float]
    heading_deg: float
    outline: tuple[tuple[float, float], ...]
    across: tuple[float, ...]
    along: tuple[float, ...]
    collectors: tuple[int, ...]


_GRIDS = (
    _Grid(
        "west",
        CROSS,
        -5.0,
        _WEST,
        (-705, -560, -415, -275, -140, 135, 265, 530, 690),
        (1080, 930, 760, 610, 335, 165, -160, -310, -455, -745, -900, -1060, -1210),
        (2, 11),
    ),
    _Grid(
        "east",
        (2720.0, 1376.0),
        -11.0,
        _EAST,
        (-190, 165, 335, 500, 690, 850),
        (1010, 830, 650, 470, 310, 150, -170, -330, -510, -690, -850),
        (2,),
    ),
)


def frame(zone: str) -> Coords:
    """Unit vectors along and across the grid of a zone, as rows."""
    heading = np.radians(next(g.heading_deg for g in _GRIDS if g.zone == zone))
    return np.array([[np.cos(heading), np.sin(heading)], [-np.sin(heading), np.cos(heading)]])


def _warped(grid: _Grid, u: Coords, v: Coords) -> LineString:
    bent_u = u + 24.0 * np.sin(v / 270.0 + u / 190.0)
    bent_v = v + 22.0 * np.sin(u / 240.0 + v / 310.0)
    return LineString(np.column_stack([bent_u, bent_v]) @ frame(grid.zone) + grid.origin)


def _clear_ground(grid: _Grid, ways: list[Road]) -> BaseGeometry:
    """The part of a grid's outline where local streets may run."""
    area: BaseGeometry = Polygon(grid.outline)
    barriers = [railway().buffer(38.0), river().buffer(85.0), Polygon(_PARK).buffer(12.0)]
    bank = Polygon([*river().coords, (9000, -450), (9000, 3450)])
    area = area.intersection(bank) if grid.zone == "east" else area.difference(bank)
    return area.difference(shapely.union_all(barriers))


def _grid_roads(grid: _Grid, ways: list[Road], names: list[str]) -> list[Road]:
    """The local roads of one grid, those hugging a main road left out."""
    area = _clear_ground(grid, ways)
    reach = np.arange(-1500.0, 1501.0, 30.0)
    flat = np.ones_like(reach)
    lines = [_warped(grid, u * flat, reach) for u in grid.across]
    lines += [_warped(grid, reach, v * flat) for v in grid.along]
    hugging = shapely.union_all([r.line for r in ways]).buffer(48.0, cap_style="flat")
    roads: list[Road] = []
    for i, line in enumerate(lines):
        clipped = line.intersection(area)
        name = names.pop(0)
        for part in getattr(clipped, "geoms", [clipped]):
            if part.length < 90.0 or part.intersection(hugging).length > 0.7 * part.length:
                continue
            roads.append(_local_road(name, i in grid.collectors, grid.zone, part))
    return roads


def _local_road(name: str, collector: bool, zone: str, line: LineString) -> Road:
    if collector:
        return Road(f"{name} Road", "collector", 2, 9.0, 50.0, line, zone=zone)
    kind = ("Street", "Lane", "Row", "Walk")[len(name) % 4]
    return Road(f"{name} {kind}", "local", 2, 6.5 + 0.5 * (len(name) % 3), 30.0, line, zone=zone)


# -- junctions ----------------------------------------------------------------------------------


def _crossings(lines: list[LineString]) -> list[list[float]]:
    """Chainages at which each line meets another."""
    cuts: list[list[float]] = [[] for _ in lines]
    tree = STRtree(lines)
    for i, j in zip(*tree.query(lines, predicate="dwithin", distance=0.05), strict=True):
        if i == j:
            continue
        meeting = lines[i].intersection(lines[j].buffer(0.02))
        for part in getattr(meeting, "geoms", [meeting]):
            if not part.is_empty:
                cuts[i].append(lines[i].project(part.interpolate(0.5, normalized=True)))
    return cuts


def _groups(xy: Coords, pairs: Coords) -> Coords:
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(xy), len(xy)))
    return np.asarray(connected_components(links, directed=False)[1])


def _pairs(xy: Coords, radius: float) -> Coords:
    return np.asarray(cKDTree(xy).query_pairs(radius, output_type="ndarray"))


def node(roads: list[Road]) -> tuple[list[Street], Coords]:
    """Cut roads at every junction; junctions next to each other become one."""
    pieces = [
        (road, piece)
        for road, cuts in zip(roads, _crossings([r.line for r in roads]), strict=True)
        for piece in cut_at(road.line, cuts, shortest=1.0)
    ]
    ends = np.array([p.coords[k] for _, p in pieces for k in (0, -1)])
    weight = np.repeat([2.0 if r.trunk else 1.0 if r.zone == "" else 0.0 for r, _ in pieces], 2)
    dual = np.repeat([r.dual for r, _ in pieces], 2)
    same = _groups(ends, _pairs(ends, 0.5))
    on_dual = np.isin(same, same[dual])
    near = _pairs(ends, MERGE_M)
    gap = np.hypot(*(ends[near[:, 0]] - ends[near[:, 1]]).T)
    single = ~on_dual[near[:, 0]] & ~on_dual[near[:, 1]]
    group = _groups(ends, near[(gap < MERGE_DUAL_M) | single])
    members = [group == g for g in range(int(group.max()) + 1)]
    places = np.array([_place(ends[m], weight[m]) for m in members])
    streets = []
    for k, (road, piece) in enumerate(pieces):
        a, b = int(group[2 * k]), int(group[2 * k + 1])
        if a != b or piece.length > 3.0 * MERGE_M:
            xy = np.vstack([places[a], np.asarray(piece.coords)[1:-1], places[b]])
            streets.append(Street(road, _without_kinks(xy), a, b))
    return streets, places


def _place(xy: Coords, weight: Coords) -> Coords:
    """Where a merged junction goes: on the main road if there is one."""
    return np.asarray(xy[weight == weight.max()].mean(axis=0))


def _without_kinks(xy: Coords) -> LineString:
    """Leave out vertices so near a moved end that the line would double back."""
    inner = xy[1:-1]
    far = (np.hypot(*(inner - xy[0]).T) > MERGE_M) & (np.hypot(*(inner - xy[-1]).T) > MERGE_M)
    return LineString(np.vstack([xy[0], inner[far], xy[-1]]))


def _degrees(streets: list[Street]) -> dict[int, int]:
    count: dict[int, int] = defaultdict(int)
    for s in streets:
        count[s.start] += 1
        count[s.end] += 1
    return count


def _thinned(streets: list[Street], junctions: Coords, rng: np.random.Generator) -> list[Street]:
    """Leave out some local streets, those at sharp trunk bends, and short dead ends."""
    beside = shapely.union_all([s.line for s in streets if not s.road.zone]).buffer(55.0)
    bends = np.vstack([a.bends[a.bends[:, 2] > 20.0] for a in alignments().values()])[:, :2]
    at_bend = np.asarray(cKDTree(bends).query(junctions)[0]) < 36.0
    kept = []
    for s in streets:
        chance = rng.uniform()
        local = s.road.zone != ""
        if local and (at_bend[s.start] or at_bend[s.end]):
            continue
        if local and s.line.intersection(beside).length > 0.9 * s.line.length:
            continue
        if local and s.road.kind == "local" and chance < 0.12:
            continue
        kept.append(s)
    while True:
        degree = _degrees(kept)
        ends = [s for s in kept if s.road.zone and min(degree[s.start], degree[s.end]) < 2]
        short = {id(s) for s in ends if s.line.length < _STUB_M}
        if not short:
            return _largest_part(kept, len(junctions))
        kept = [s for s in kept if id(s) not in short]


def _largest_part(streets: list[Street], count: int) -> list[Street]:
    ends = np.array([(s.start, s.end) for s in streets])
    links = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(count, count))
    part = connected_components(links, directed=False)[1][ends[:, 0]]
    return [s for s, p in zip(streets, part, strict=True) if p == np.bincount(part).argmax()]


def _closes(streets: list[Street], names: list[str], rng: np.random.Generator) -> list[Road]:
    """Cul-de-sacs: short streets into the middle of large blocks."""
    everything = shapely.union_all([s.line for s in streets])
    local = [s for s in streets if s.road.kind == "local" and s.road.zone and s.line.length > 130]
    made: list[Road] = []
    for k in rng.permutation(len(local)):
        line = local[k].line
        mid = line.interpolate(0.5, normalized=True)
        heading = heading_at(line, line.length / 2.0)
        for side in (1.0, -1.0):
            out = np.array([-np.sin(heading), np.cos(heading)]) * side
            tip = Point(mid.x + 85.0 * out[0], mid.y + 85.0 * out[1])
            taken = [everything, railway().buffer(20), river().buffer(40), *(r.line for r in made)]
            if len(made) < 7 and min(tip.distance(g) for g in taken) > 48.0:
                stub = LineString([(mid.x, mid.y), (tip.x, tip.y)])
                name, zone = f"{names.pop(0)} Close", local[k].road.zone
                made.append(Road(name, "cul-de-sac", 2, 5.5, 30.0, stub, zone=zone))
                break
    return made


# -- buildings ----------------------------------------------------------------------------------


def _terrace(line: LineString, start: float, size: tuple[float, float], offset: float) -> Polygon:
    """A row of houses along a street: length, depth, and distance of its front from the axis."""
    length, depth = size
    a, b = line.interpolate(start), line.interpolate(start + length)
    heading = np.arctan2(b.y - a.y, b.x - a.x)
    out = np.array([-np.sin(heading), np.cos(heading)]) * np.sign(offset)
    front = np.array([[a.x, a.y], [b.x, b.y]]) + out * abs(offset)
    return Polygon(np.vstack([front, front[::-1] + out * depth]))


def _blocks(streets: list[Street], closed: BaseGeometry, rng: np.random.Generator) -> list[Polygon]:
    """Rows of houses and sheds on both sides of the streets, clear of every carriageway."""
    room = shapely.union_all([s.line.buffer(s.road.width_m / 2.0 + 3.0) for s in streets])
    shapely.prepare(room)
    shapely.prepare(closed)
    works = _works_area()
    blocks: list[Polygon] = []
    for s in streets:
        longest, depths = (80.0, (20.0, 34.0)) if s.line.intersects(works) else (48.0, (9.0, 13.0))
        for side in (1.0, -1.0):
            at = 17.0
            while at < s.line.length - 30.0:
                length = min(float(rng.uniform(14, longest)), s.line.length - 15.0 - at)
                depth = float(rng.uniform(*depths))
                front = s.road.width_m / 2.0 + float(rng.uniform(4.5, 8.0))
                block = _terrace(s.line, at, (length, depth), side * front)
                at += length + float(rng.uniform(5, 22))
                if length > 9.0 and not (room.intersects(block) or closed.intersects(block)):
                    blocks.append(block)
    return _apart(blocks)


def _works_area() -> Polygon:
    """The flat land between the railway and the river: sheds, not houses."""
    east = list(river().coords)  # from north to south
    return Polygon([*railway().coords, *east]).intersection(shapely.box(0, 0, 4000, 1300))


def _apart(blocks: list[Polygon]) -> list[Polygon]:
    """Leave out every block that comes within 4 m of an earlier one."""
    left, right = STRtree(blocks).query(blocks, predicate="dwithin", distance=4.0)
    later: dict[int, list[int]] = defaultdict(list)
    for i, j in zip(left, right, strict=True):
        if j < i:
            later[int(i)].append(int(j))
    dropped: set[int] = set()
    for i in range(len(blocks)):
        if any(j not in dropped for j in later[i]):
            dropped.add(i)
    return [b for i, b in enumerate(blocks) if i not in dropped]


def make_town(rng: np.random.Generator) -> Town:
    """Lay out the town."""
    names = list(_WORDS)
    main = _main_roads()
    roads = main + [road for grid in _GRIDS for road in _grid_roads(grid, main, names)]
    streets, junctions = node(roads)
    streets = _thinned(streets, junctions, rng)
    roads = [replace(s.road, line=s.line) for s in streets]
    roads += _closes(streets, names, rng)
    streets, junctions = node(roads)
    fields = _fields(streets)
    barriers = [railway().buffer(20.0), river().buffer(45.0), Polygon(_PARK), fields]
    blocks = _blocks(streets, shapely.union_all(barriers), rng)
    return Town(streets, junctions, roads, river(), railway(), Polygon(_PARK), blocks)


def _fields(streets: list[Street]) -> BaseGeometry:
    """Open country: everything away from the local streets."""
    built = shapely.union_all([s.line for s in streets if s.road.zone]).buffer(110.0)
    return shapely.box(-3000, -3000, 8000, 8000).difference(built)


__all__ = ["Road", "Street", "Town", "frame", "make_town", "node", "railway", "river", "smooth"]
