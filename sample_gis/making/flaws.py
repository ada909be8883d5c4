"""What is wrong with the records: every flaw is planted here, on purpose, and written down."""

from __future__ import annotations

from collections import defaultdict
from copy import deepcopy
from dataclasses import dataclass, replace

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point
from shapely.ops import substring

from .lines import Coords, heading_at
from .mains import OVERPASSES, Main, Tee
from .points import Fitting, Points
from .trunks import alignments

ODD_TEXT = 'WM "Älter" <b>7</b>'
NOISE_M = 0.35  # half the width of the band survey noise fills
NOISE_STEP_M = 3.0
GAPS_M = (0.03, 0.05, 0.08)
HOLE_ON = ("T5", 705.0)  # trunk main and chainage of the hole in the elevation model
HOLE_M = (40.0, 55.0)


@dataclass(frozen=True)
class Planted:
    """One planted flaw: what, in which layer, at which feature, and where (local metres)."""

    flaw: str
    layer: str
    feature: str
    x: float
    y: float
    text: str


def _note(main: Main, flaw: str, text: str, place: Point | None = None) -> Planted:
    at = place if place is not None else main.line.interpolate(0.5, normalized=True)
    main.flaws.append(flaw)
    return Planted(flaw, "mains", main.main_id, at.x, at.y, text)


def _plain(mains: list[Main], trunk: str) -> list[Main]:
    """Mains of a trunk (or of the streets: ``""``) that bear no flaw yet."""
    return [m for m in mains if m.trunk == trunk and m.status == "active" and not m.flaws]


def _straight(main: Main) -> bool:
    xy = np.asarray(main.line.coords)
    return bool(np.hypot(*(xy[-1] - xy[0])) > 0.9995 * main.line.length)


# -- geometry -----------------------------------------------------------------------------------


def _unsplit_tees(mains: list[Main], tees: list[Tee]) -> list[Planted]:
    """Tees on trunk mains that run on undivided were left so when the mains were cut."""
    notes = []
    for tee in tees:
        if not tee.splits:
            place = alignments()[tee.trunk].line.interpolate(tee.chainage)
            main = next(m for m in mains if m.trunk == tee.trunk and m.line.distance(place) < 0.01)
            notes.append(_note(main, "unsplit tee", "a branch ends on it, it runs on", place))
    return notes


def _unsplit_street_tees(mains: list[Main], wanted: int) -> list[Planted]:
    """Join the two through mains of some street tees into one feature."""
    ends: dict[tuple[float, float], list[Main]] = defaultdict(list)
    for m in _plain(mains, ""):
        for k in (0, -1):
            x, y = m.line.coords[k]
            ends[(round(x, 3), round(y, 3))].append(m)
    notes: list[Planted] = []
    for place, members in sorted(ends.items()):
        through = [m for m in members if sum(m.street == n.street for n in members) == 2]
        if len(members) != 3 or len(through) != 2 or any(m.flaws for m in through):
            continue
        a, b = through
        if a is b or len(notes) == wanted:
            continue
        a.geometry = _end_to_end(a.line, b.line, Point(place))
        a.breaks = (a.breaks or 0) + (b.breaks or 0)
        mains.remove(b)
        notes.append(_note(a, "unsplit tee", "a branch ends on it, it runs on", Point(place)))
        b.flaws.append("joined")
    return notes


def _end_to_end(a: LineString, b: LineString, at: Point) -> LineString:
    first = list(a.coords) if Point(a.coords[-1]).distance(at) < 0.01 else list(a.coords)[::-1]
    second = list(b.coords) if Point(b.coords[0]).distance(at) < 0.01 else list(b.coords)[::-1]
    return LineString(first + second[1:])


def _overpasses(mains: list[Main]) -> list[Planted]:
    """Street mains that pass over a trunk main with no connection were laid so."""
    notes = []
    for trunk, _ in OVERPASSES:
        line = alignments()[trunk].line
        for m in mains:
            if m.trunk or m.status != "active" or not m.line.crosses(line):
                continue
            point = m.line.intersection(line)
            ends = [Point(m.line.coords[k]).distance(line) for k in (0, -1)]
            if isinstance(point, Point) and min(ends) > 5.0:
                notes.append(_note(m, "crossing", "passes over a trunk main, no connection", point))
    return notes


def _gap(main: Main, width: float) -> Planted:
    """Draw back the end of a main from its joint."""
    joint = Point(main.line.coords[-1])
    main.geometry = substring(main.line, 0.0, main.line.length - width)
    return _note(main, "gap", f"ends {width * 100:.0f} cm short of the next main", joint)


def _reverse(main: Main) -> Planted:
    main.geometry = LineString(list(main.line.coords)[::-1])
    main.invert_start_m, main.invert_end_m = main.invert_end_m, main.invert_start_m
    return _note(main, "reversed", "digitised against its neighbours")


def _noise(main: Main, rng: np.random.Generator) -> Planted:
    """Redraw a main with close vertices, each a little off the line."""
    line = main.line
    inner = np.arange(NOISE_STEP_M, line.length - NOISE_STEP_M / 2.0, NOISE_STEP_M)
    xy = [np.array(line.coords[0])]
    for c in inner:
        heading = heading_at(line, float(c))
        out = np.array([-np.sin(heading), np.cos(heading)]) * rng.uniform(-NOISE_M, NOISE_M)
        xy.append(np.array(line.interpolate(float(c)).coords[0]) + out)
    xy.append(np.array(line.coords[-1]))
    main.geometry = LineString(np.array(xy))
    return _note(main, "noisy", "walked survey, a vertex every 3 m")


def _two_parts(main: Main) -> Planted:
    """Store a main as two parts, the second one first."""
    line = main.line
    half = line.length * 0.45
    note = _note(main, "multi-part", "two parts that touch, stored in the wrong order")
    main.geometry = MultiLineString([substring(line, half, line.length), substring(line, 0, half)])
    return note


def _self_crossing(main: Main) -> Planted:
    """Digitise a small loop into a main."""
    line = main.line
    at = line.length * 0.4
    heading = heading_at(line, at)
    along = np.array([np.cos(heading), np.sin(heading)])
    left = np.array([-along[1], along[0]])
    middle = np.array(line.interpolate(at).coords[0])
    loop: list[Coords] = [middle + 4.0 * along + 1.5 * left, middle + 1.0 * along + 3.0 * left]
    loop.append(middle + 1.5 * along - 2.0 * left)
    before, after = substring(line, 0, at), substring(line, at + 8.0, line.length)
    main.geometry = LineString([*before.coords, *(tuple(p) for p in loop), *after.coords])
    return _note(main, "self-crossing", "a loop slipped in while digitising")


def _geometry(mains: list[Main], rng: np.random.Generator) -> list[Planted]:
    """Plant the flaws of shape, each on a main that has none yet."""
    notes = []
    for trunk, width in zip(("T3", "T1", "T3"), GAPS_M, strict=True):
        notes.append(_gap(_plain(mains, trunk)[1], width))
    for trunk, number in (("T1", 2), ("T4", 3), ("T6", 1)):
        notes.append(_reverse(_plain(mains, trunk)[number]))
    for trunk in ("T3", "T6b", "T2"):
        straight = [m for m in _plain(mains, trunk) if _straight(m)]
        notes.append(_noise(max(straight, key=lambda m: m.line.length), rng))
    notes.append(_two_parts(_plain(mains, "T5")[1]))
    streets = _plain(mains, "")
    picked = [streets[int(i)] for i in rng.permutation(len(streets))]
    notes += [_gap(m, float(rng.choice(GAPS_M))) for m in picked[:4]]
    notes += [_reverse(m) for m in picked[4:34]]
    notes += [_noise(m, rng) for m in picked[34:40]]
    notes.append(_self_crossing(next(m for m in picked[40:] if m.line.length > 120.0)))
    return notes


# -- features and attributes --------------------------------------------------------------------


def _extra_features(mains: list[Main], rng: np.random.Generator) -> list[Planted]:
    """Add a duplicate, a zero length and a main without geometry."""
    twin = deepcopy(_plain(mains, "T9")[1])
    twin.main_id = "WM9001"
    joint = _plain(mains, "T1")[0]
    dot = Point(joint.line.coords[-1])
    zero = replace(joint, main_id="WM9002", geometry=LineString([dot, dot]), flaws=[])
    empty = replace(_plain(mains, "")[7], main_id="WM9003", flaws=[])
    mains += [twin, zero, empty]
    notes = [
        _note(twin, "duplicate main", "the same main a second time under another id"),
        _note(zero, "zero length", "two vertices at one place", dot),
        _note(empty, "no geometry", "attributes only", Point(0.0, 0.0)),
    ]
    empty.geometry = None
    return notes


def _attributes(mains: list[Main]) -> list[Planted]:
    """Plant the flaws of attributes."""
    streets = _plain(mains, "")
    nameless, again, year_zero, odd_words = streets[20], streets[60], streets[90], streets[120:126]
    nameless.diameter_mm = None
    notes = [_note(nameless, "no diameter", "size not on record")]
    again.main_id = streets[61].main_id
    notes.append(_note(again, "duplicate id", "two mains share this id"))
    streets[61].flaws.append("duplicate id")
    year_zero.installed = 0
    notes.append(_note(year_zero, "year 0", "year laid entered as 0"))
    for m, word in zip(odd_words, ("CI", "Cast Iron", "AC", "unknown", "DI", "?"), strict=True):
        m.material = word
        notes.append(_note(m, "odd material", f"material written as {word!r}"))
    odd = _plain(mains, "T7")[1]
    odd.main_id = ODD_TEXT
    notes.append(_note(odd, "odd text", "quotes, an umlaut and a tag in the id"))
    far = _plain(mains, "T9")[-1]
    notes.append(_note(far, "off the elevation model", "lies beyond the elevation model"))
    return notes


# -- fittings and connections -------------------------------------------------------------------


def _fittings(points: Points, rng: np.random.Generator) -> list[Planted]:
    """Plant flaws in the fittings; those of bends first, so that two are missing."""
    bends = [f for f in points.fittings if f.kind == "bend"]
    wrong = _bend_at(points, "T2", 1)
    wrong.angle_deg, wrong.planted = 45.0, "angle disagrees"
    notes = [_about(wrong.geometry, "angle disagrees", "says 45 degrees, the drawing 22.5")]
    for trunk, number in (("T5", 0), ("T9", 1)):
        blank = _bend_at(points, trunk, number)
        blank.angle_deg, blank.planted = None, "no angle"
        notes.append(_about(blank.geometry, "no angle", "a bend whose angle is not on record"))
    for trunk, number in (("T4", 0), ("T3", 0)):
        gone = _bend_at(points, trunk, number)
        points.fittings.remove(gone)
        notes.append(_about(gone.geometry, "missing fitting", "a bend in the drawing, no fitting"))
    sharp = next(f for f in bends if f.angle_deg == 90.0)
    notes.append(_about(sharp.geometry, "impassable bend", "90 degrees: no string passes"))
    for f in points.fittings[::9]:
        if f.planted:
            continue
        angle, off = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.1, 0.5)
        f.geometry = affinity.translate(f.geometry, off * np.cos(angle), off * np.sin(angle))
        f.planted = "off the main"
        notes.append(_about(f.geometry, "off the main", "decimetres beside its main"))
    return notes


def _bend_at(points: Points, trunk: str, number: int) -> Fitting:
    x, y, _ = alignments()[trunk].bends[number]
    return next(f for f in points.fittings if f.geometry.distance(Point(x, y)) < 0.01)


def _about(place: Point, flaw: str, text: str, layer: str = "fittings") -> Planted:
    return Planted(flaw, layer, "", place.x, place.y, text)


def _stray_lateral(points: Points) -> list[Planted]:
    lateral = points.laterals[300]
    lateral.geometry = affinity.translate(lateral.geometry, 14.0, 9.0)
    lateral.customers = None
    return [_about(lateral.geometry, "stray connection", "16 m from any main", "laterals")]


def hole() -> tuple[float, float]:
    """The middle of the hole in the elevation model."""
    key, at = HOLE_ON
    point = alignments()[key].line.interpolate(at)
    return point.x, point.y


def plant(
    mains: list[Main], tees: list[Tee], points: Points, rng: np.random.Generator
) -> list[Planted]:
    """Spoil faultless records the way real ones are; return what was done."""
    notes = _unsplit_tees(mains, tees) + _overpasses(mains) + _unsplit_street_tees(mains, 10)
    notes += _attributes(mains)
    notes += _extra_features(mains, rng)
    notes += _geometry(mains, rng)
    notes += _fittings(points, rng) + _stray_lateral(points)
    closed = next(v for v in points.valves if not v.open and v.kind == "gate")
    notes.append(_about(closed.geometry, "closed valve", "normally closed", "valves"))
    notes.append(Planted("hole", "dem", "", *hole(), "no data for 40 m by 55 m"))
    dead = next(m for m in mains if m.status == "abandoned")
    notes.append(_note(dead, "abandoned main", "beside the live one, both ends cut off"))
    return notes


__all__ = ["Planted", "hole", "plant"]
