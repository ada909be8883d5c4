"""The plan as a drawing: its layers drawn in DXF, each thing where the plan has it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geotools.deliver.cad.blocks import add_blocks, insert, position, text_width
from geotools.deliver.cad.labels import Labels
from geotools.deliver.cad.lines import add_area, add_axis, add_flat, flat_lines, with_levels
from geotools.deliver.cad.notes import add_notes
from geotools.deliver.cad.place import DrawingPlace, drawing_place, georeference
from geotools.deliver.cad.standard import (
    BLOCKS,
    LAYERS,
    LINETYPES,
    SMALL_TEXT,
    TEXT,
    TEXT_STYLE,
    plain,
)
from geotools.deliver.chosen_runs import near_runs, of_runs, wanted_runs
from geotools.deliver.digs import check_digs
from geotools.deliver.files import replacing
from geotools.deliver.layers import mover
from geotools.deliver.levels import Profile, levels_of_pulls
from geotools.deliver.read_plan import PlanFile
from geotools.deliver.shut import each_valve
from geotools.deliver.wording import (
    chainage_text,
    depth_words,
    dig_words,
    figure,
    in_words,
    measured,
    working_days,
)
from geotools.deliver.working_crs import working_crs_of
from geotools.network.ragged import FloatArray
from geotools.pipe.pulling import STOPPED_BY, stop_force_n
from geotools.schema import DIMENSIONS, angle_text, length_text

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts import Modelspace

__all__ = ["DRAWN", "Drawn", "draw_plan", "write_drawing"]

_RAMPS = {"ahead": "RAMP_AHEAD", "behind": "RAMP_BEHIND"}  # attributes
_LEVELS = {"ground_z": "GROUND_Z", "axis_z": "AXIS_Z", "bottom_z": "BOTTOM_Z"}
_TURNED = {
    "insertion_ahead": ("ahead_grid_deg", 0.0),
    "insertion_behind": ("behind_grid_deg", 180.0),
    "insertion_both": ("ahead_grid_deg", 0.0),
}
"""Symbols of pits that point the way their strings go in: bearing, and degrees from it."""
_OF_RAMP = ("ramp", "drop", "host_slope", "rest_slope")
# Layers of the plan that are drawn, and the fields wanted of each.
DRAWN: dict[str, tuple[str, ...]] = {
    "runs": ("run_id", "status", "length", "carrier"),
    "stations": ("run_id", "chainage", "axis_z"),
    "pulls": ("pull_id", "run_id", "start", "end", "length", "direction", "head_force", "allowable",
              "governed_by", "governing_chainage", "governing_force", "governing_limit",
              "z_source"),
    "pits": ("pit_id", "run_id", "chainage", "role", "depth", "depth_source", "dig_depth",
             "deepest", "length", "width", "street_name", "reasons",
             *(f"{name}_{way}" for way in _RAMPS for name in _OF_RAMP), *_LEVELS,
             "behind_grid_deg", "ahead_grid_deg"),
    "pit_footprints": ("pit_id", "run_id"),
    "bends": ("bend_id", "run_id", "chainage", "deflection", "kind", "passes"),
    "strings": ("string_id", "run_id"),
    "closures": ("closure_id", "run_id", "first_day", "last_day", "days"),
    "local_digs": ("dig_id", "run_id", "pull_id", "chainage", "kind", "spared"),
    "shutdowns": ("run_id", "valves", "valves_in_order"),
    "context": ("layer", "feature", "kind", "name", "angle", "width", "buffer"),
}  # fmt: skip
_PIT_BLOCKS = {"receiving": "LIN_PIT_RECEIVING", "insertion_both": "LIN_PIT_BOTH"}
_REFERENCE_BLOCKS = {
    "fittings": "LIN_FITTING",
    "valves": "LIN_VALVE",
    "hydrants": "LIN_HYDRANT",
    "laterals": "LIN_LATERAL",
    "avoid": "LIN_AVOID",
}
_REFERENCE_LAYERS = {
    "mains": "LIN-REF-MAIN",
    "streets": "LIN-REF-STREET",
    "avoid": "LIN-REF-AVOID",
    "laterals": "LIN-REF-LATERAL",
}
_SCREEN = 1.6  # width of a usual screen to its height
# On paper, mm: least distance of chainage marks, half their length, gap from line to lettering,
# half a symbol.
_MARKS_APART, _MARK, _OFF, _REACH = 80.0, 0.8, 1.2, 1.5


@dataclass
class Drawn:
    """A drawing on its way: the document, where it lies, what is taken or left flat, its runs.

    ``paper`` is the length in the drawing, in its unit, of one millimetre on paper.
    """

    doc: Drawing
    place: DrawingPlace
    units: str
    scale: float
    labels: Labels = field(default_factory=Labels)
    flat: int = 0
    runs: int = 0

    @property
    def paper(self) -> float:
        """Drawing units to a millimetre on paper."""
        return self.scale / 1000 / self.place.unit

    @property
    def space(self) -> Modelspace:
        """Where everything is drawn."""
        return self.doc.modelspace()

    def text(
        self,
        words: str,
        at: tuple[float, float],
        layer: str,
        *,
        height: float = SMALL_TEXT,
        turn: float = 0.0,
        middle: bool = False,
    ) -> None:
        """Write a line of text, its height in millimetres on paper."""
        from ezdxf.enums import TextEntityAlignment

        entity = self.space.add_text(
            plain(words),
            height=height * self.paper,
            rotation=turn,
            dxfattribs={"layer": layer, "style": TEXT_STYLE},
        )
        where = TextEntityAlignment.BOTTOM_CENTER if middle else TextEntityAlignment.LEFT
        entity.set_placement(at, align=where)

    def counts(self) -> dict[str, int]:
        """Return how many entities each layer holds."""
        found = Counter(entity.dxf.layer for entity in self.space)
        return {name: found[name] for name in LAYERS if found[name]}


def read_drawn(file: PlanFile, runs: Iterable[str] = ()) -> tuple[dict[str, Any], DrawingPlace]:
    """Read the layers that are drawn and move them to the CRS of the drawing.

    Of the runs named, or all: their rows, and of the source what lies near them. The CRS is that
    of a drawing of all. Levels come out in the unit of the drawing, as x and y do.
    """
    import geopandas

    tables = {name: file.table(name, fields) for name, fields in DRAWN.items()
              if name in file.layers}  # fmt: skip
    if "local_digs" in tables:
        check_digs(file, tables["local_digs"])
    every, names = tables["runs"], tuple(runs)
    wanted = wanted_runs(file, every, names)
    bounds = every.total_bounds if len(every) else np.zeros(4)
    xy = np.array(
        [bounds[:2], bounds[2:], bounds[[0, 3]], bounds[[2, 1]], bounds.reshape(2, 2).mean(axis=0)]
    )
    place = drawing_place(file.crs, xy, lambda: working_crs_of(file, xy))
    move = mover(file.crs, place.crs)  # x and y alone: a level may be missing
    tables = of_runs(tables, wanted) if names else tables
    for name, table in tables.items():
        if not hasattr(table, "geometry"):
            continue
        shapes = move(table.geometry.to_numpy())
        if name == "pulls":
            shapes = _in_unit(shapes, table["z_source"] == "none", place.unit)
        tables[name] = table.set_geometry(geopandas.GeoSeries(shapes, table.index, crs=place.crs))
    if names and "context" in tables:
        reach = file.setting("output.context") / place.unit
        tables["context"] = near_runs(tables["context"], tables["runs"], reach)
    return tables, place


def _in_unit(lines: Any, bare: Any, unit: float) -> Any:
    """Return lines with levels, m, in another unit; not-a-number where a line is bare of them."""
    lines = shapely.transform(lines, lambda p: p / (1.0, 1.0, unit), include_z=True)
    lines[bare] = shapely.transform(lines[bare], lambda p: p * (1.0, 1.0, np.nan), include_z=True)
    return lines


def draw_plan(file: PlanFile, *, scale: float, runs: Iterable[str] = ()) -> Drawn:
    """Draw a plan.

    Parameters
    ----------
    file : PlanFile
    scale : float
        Of the print lettering and symbols are sized for; 500 for 1:500.
    runs : iterable of str, optional
        Runs wanted; all if none is named.

    Raises
    ------
    LayerError
        If a layer of the plan cannot be used, or it has no such run.
    """
    tables, place = read_drawn(file, runs)
    tables = _of_work_planned(tables)
    hosts = tables["runs"]
    drawn = Drawn(_document(place, scale), place, file.units, scale, runs=len(hosts))
    bounds = hosts.total_bounds if len(hosts) else np.zeros(4)
    georeference(drawn.doc, place, (float(bounds[:2].mean()), float(bounds[2:].mean())))
    _draw_reference(drawn, tables.get("context"))
    for name, layer in (("strings", "LIN-STRING"), ("closures", "LIN-CLOSURE")):
        for shape in _shapes(tables, name):
            add_flat(drawn.space, shape, layer)
    _draw_grounds(drawn, tables)
    _take_symbols(drawn, tables)
    _draw_hosts(drawn, hosts, tables.get("stations"), tables["pulls"])
    _draw_pits(drawn, tables["pits"])
    _draw_bends(drawn, tables.get("bends"))
    _draw_pulls(drawn, tables["pulls"])
    _draw_digs(drawn, tables.get("local_digs"))
    _draw_fittings(drawn, tables.get("context"))
    _draw_shutdowns(drawn, tables.get("shutdowns"), tables.get("context"))
    _name_areas(drawn, tables)
    _draw_chainages(drawn, hosts)
    _draw_names(drawn, tables.get("context"))
    add_notes(drawn, file.path.name, _corner(tables, drawn.labels))
    return drawn


def _of_work_planned(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables with the shutdowns of runs that have a plan alone: no other is shut."""
    if "shutdowns" not in tables:
        return dict(tables)
    runs, shut = tables["runs"], tables["shutdowns"]
    planned = runs.loc[runs["status"] == "planned", "run_id"]
    return {**tables, "shutdowns": shut[shut["run_id"].isin(planned)]}


def _shapes(tables: Mapping[str, Any], name: str) -> list[Any]:
    return list(tables[name].geometry) if name in tables else []


def _take_symbols(drawn: Drawn, tables: Mapping[str, Any]) -> None:
    """Keep labels off symbols and pits, before the first label is placed."""
    reach = _REACH * drawn.paper
    for name in ("pits", "bends", "local_digs", "shutdowns"):
        for x, y in shapely.get_coordinates(_shapes(tables, name)):
            drawn.labels.take((x - reach, y - reach, x + reach, y + reach))
    for shape in _shapes(tables, "pit_footprints"):
        for part in shapely.get_parts(shape):
            drawn.labels.take(part.bounds)


def _document(place: DrawingPlace, scale: float) -> Drawing:
    """Return an empty drawing with linetypes, layers, blocks and the style of its texts."""
    import ezdxf

    with _fixed_dates():
        doc = ezdxf.new("R2010")
    for name, pattern in LINETYPES.items():
        doc.linetypes.add(name, [sum(map(abs, pattern)), *pattern], description=name)
    for layer in LAYERS.values():
        entry = doc.layers.add(
            layer.name, color=layer.colour, linetype=layer.linetype, lineweight=layer.width
        )
        entry.description = layer.text
    doc.styles.add(TEXT_STYLE, font="LiberationSans-Regular.ttf")
    doc.header["$LTSCALE"] = scale / 1000 / place.unit
    doc.header["$LWDISPLAY"] = 1
    add_blocks(doc)
    return doc


def _draw_hosts(drawn: Drawn, runs: Any, stations: Any, pulls: Any) -> None:
    """Draw the axis of every run, with the levels of its stations where they are written."""
    levels = {} if stations is None else dict(list(stations.groupby("run_id")))
    of_run = dict(list(pulls.groupby("run_id")))
    for run in runs.itertuples():
        layer = "LIN-HOST" if run.status == "planned" else "LIN-HOST-UNPLANNED"
        own = levels.get(run.run_id)
        lines = flat_lines(run.geometry)
        for xy in lines:
            if own is None or len(lines) > 1:
                xyz = np.column_stack([xy, np.full(len(xy), np.nan)])
            else:
                at, z = _host_levels(own, of_run.get(run.run_id), drawn.place.unit)
                xyz = with_levels(xy, run.length, at, z)
            drawn.flat += not add_axis(drawn.space, xyz, layer)


def _host_levels(stations: Any, pulls: Any, unit: float) -> tuple[FloatArray, FloatArray]:
    """Return chainages, m, and levels of a run in the unit of the drawing.

    Where a pull has levels filled in, the host has the same: one lies in the other.
    """
    own = stations.sort_values("chainage", kind="stable")
    at, z = own["chainage"].to_numpy(dtype=float), own["axis_z"].to_numpy(dtype=float) / unit
    if pulls is None or not (pulls["z_source"] == "filled").any():
        return at, z
    profiles = []
    for pull in pulls.sort_values("start", kind="stable").itertuples():
        xyz = shapely.get_coordinates(pull.geometry, include_z=True)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xyz[:, :2], axis=0).T))])
        share = along / along[-1]
        profiles.append(Profile(pull.start + share * (pull.end - pull.start), xyz[:, 2]))
    return levels_of_pulls(at, z, profiles)


def _draw_grounds(drawn: Drawn, tables: Mapping[str, Any]) -> None:
    """Draw the ground of every pit at its level at the station, at 0 where that is not known."""
    if "pit_footprints" not in tables:
        return
    levels = {pit.pit_id: _level(drawn, pit) for pit in tables["pits"].itertuples()}
    for ground in tables["pit_footprints"].itertuples():
        level = levels.get(ground.pit_id, 0.0)
        add_area(drawn.space, ground.geometry, "LIN-PIT-AREA", paper=drawn.paper, level=level)


def _level(drawn: Drawn, pit: Any) -> float:
    """Return the ground at a pit in the unit of the drawing; 0 where it is not known."""
    return float(pit.ground_z) / drawn.place.unit if np.isfinite(pit.ground_z) else 0.0


def _draw_pits(drawn: Drawn, pits: Any) -> None:
    """Draw the pits at their ground, those of insertion turned the way their strings go in."""
    for pit in pits.itertuples():
        values = {
            "PIT_ID": pit.pit_id,
            "ROLE": in_words(pit.role),
            "CHAINAGE": "at " + chainage_text(pit.chainage, drawn.units),
            "DEPTH": depth_words(pit.depth, pit.depth_source, drawn.units),
            "DIG_DEPTH": f"dug {dig_words(pit.dig_depth, pit.deepest, drawn.units) or 'not known'}",
            "RUN_ID": pit.run_id,
            "DEPTH_SOURCE": pit.depth_source,
            "LENGTH": measured(pit.length, "pits", "length", drawn.units),
            "WIDTH": measured(pit.width, "pits", "width", drawn.units),
            "STREET": pit.street_name,
            "REASON": pit.reasons,
            **{tag: _ramp_words(pit, way, drawn.units) for way, tag in _RAMPS.items()},
            **{tag: _level_words(pit, name, drawn.units) for name, tag in _LEVELS.items()},
        }
        values["GRID_BEARING"] = _bearing_words(pit)
        block = _PIT_BLOCKS.get(pit.role, "LIN_PIT_INSERTION")
        _labelled(drawn, block, pit.geometry, values, rotation=_turn(pit), level=_level(drawn, pit))


def _turn(pit: Any) -> float:
    """Return by how much the block of a pit is turned, degrees; 0 where no string goes in."""
    name, more = _TURNED.get(pit.role, ("", 0.0))
    bearing = float(getattr(pit, name, np.nan))
    return (round(90.0 - bearing, 1) + more) % 360.0 if np.isfinite(bearing) else 0.0


def _bearing_words(pit: Any) -> str:
    """Return which way the run goes on at a pit, from either side where it turns in it."""
    behind, ahead = float(pit.behind_grid_deg), float(pit.ahead_grid_deg)
    if not np.isfinite(ahead):
        return ""
    before = f"behind {behind:.1f}°, " if np.isfinite(behind) and behind != ahead else ""
    return f"run {before}ahead {ahead:.1f}° from grid north"


def _level_words(pit: Any, name: str, units: str) -> str:
    """Return a level of a pit with its unit; nothing where it is not known."""
    level = getattr(pit, name)
    return measured(level, "pits", name, units) if np.isfinite(level) else ""


def _ramp_words(pit: Any, way: str, units: str) -> str:
    """Return what the ramp of the pull ahead or behind is built to; nothing where none is told."""
    length, drop, host, rest = (getattr(pit, f"{name}_{way}") for name in _OF_RAMP)
    if not np.isfinite(length):
        return ""
    long, deep = (measured(v, "pits", n, units) for v, n in ((length, "ramp"), (drop, "drop")))
    return f"{long}, drop {deep}, host {100 * host:+.2f} %, pipe rests {100 * rest:+.2f} %"


def _labelled(
    drawn: Drawn,
    block: str,
    point: Any,
    values: Mapping[str, str],
    layer: str | None = None,
    *,
    rotation: float = 0.0,
    level: float = 0.0,
) -> None:
    """Set a block and find a place beside it for the attributes that are shown."""
    kind = BLOCKS[block]
    boxes = position(kind, values).boxes()
    paper = drawn.paper
    x, y = point.x, point.y
    here = [(x + a * paper, y + b * paper, x + c * paper, y + d * paper) for a, b, c, d in boxes]
    corner = boxes[drawn.labels.choose(here)][:2] if kind.shown else None
    insert(
        drawn.space, kind, (x, y), values, paper=paper, corner=corner, layer=layer,
        rotation=rotation, level=level,
    )  # fmt: skip


def _draw_bends(drawn: Drawn, bends: Any) -> None:
    if bends is None:
        return
    for bend in bends.itertuples():
        values = {
            "ANGLE": _degrees(bend.deflection),
            "BEND_ID": bend.bend_id,
            "RUN_ID": bend.run_id,
            "KIND": bend.kind,
            "CHAINAGE": chainage_text(bend.chainage, drawn.units),
            "PASSES": "yes" if bend.passes else "no",
        }
        _labelled(drawn, "LIN_BEND" if bend.passes else "LIN_BEND_STOP", bend.geometry, values)


def _degrees(angle: float) -> str:
    return f"{angle_text(angle)}°"


def _draw_pulls(drawn: Drawn, pulls: Any) -> None:
    for pull in pulls.itertuples():
        xyz = shapely.get_coordinates(pull.geometry, include_z=True)
        drawn.flat += not add_axis(drawn.space, xyz, "LIN-PULL")
        line = shapely.force_2d(pull.geometry)
        way = 0.0 if pull.direction == "ahead" else 180.0
        middle, turn = _along(line, line.length / 2)
        insert(drawn.space, BLOCKS["LIN_ARROW"], middle, {}, paper=drawn.paper, rotation=turn + way)
        words = f"{pull.pull_id}  {length_text(pull.length, drawn.units)}"
        words += f"  {_force(pull.head_force, pull.allowable, drawn.units)}"
        if pull.governed_by == "bend" and np.isfinite(pull.governing_limit):
            there = _force(pull.governing_force, pull.governing_limit, drawn.units)
            place = chainage_text(pull.governing_chainage, drawn.units)
            words += f" at the head, {there} in the bend at {place}"
            stop = float(stop_force_n(*(getattr(pull, name) for name in STOPPED_BY)))
            most = measured(stop, "pulls", "allowable", drawn.units)
            words += f", stop at {most} at the head at the end"
        _beside(drawn, line, words, "LIN-PULL-TEXT", shares=(0.5, 0.35, 0.65, 0.2, 0.8))


def _force(force: float, limit: float, units: str) -> str:
    """Say the force planned and the one allowed."""
    planned = figure(force, "pulls", "head_force", units)
    return f"{planned} of {measured(limit, 'pulls', 'allowable', units)}"


def _along(line: Any, at: float) -> tuple[tuple[float, float], float]:
    """Return the place at a distance along a line, and which way the line runs there, degrees."""
    step = min(1e-3, 1e-3 * line.length)
    a, b = line.interpolate(max(at - step, 0.0)), line.interpolate(min(at + step, line.length))
    here = line.interpolate(at)
    return (here.x, here.y), float(np.degrees(np.arctan2(b.y - a.y, b.x - a.x)))


def _beside(
    drawn: Drawn,
    line: Any,
    words: str,
    layer: str,
    *,
    shares: tuple[float, ...],
    height: float = SMALL_TEXT,
    must: bool = True,
) -> None:
    """Write along a line, off it and never upside down, where most room is."""
    paper = drawn.paper
    width, high = text_width(words, height) * paper, height * paper
    spots, boxes = [], []
    for side in (1.0, -1.0):
        for share in shares:
            (x, y), turn = _along(line, line.length * share)
            turn = (turn + 90.0) % 180.0 - 90.0
            across = np.radians(turn + 90.0)
            off = _OFF * paper if side > 0 else -_OFF * paper - high
            x, y = x + off * np.cos(across), y + off * np.sin(across)
            spots.append(((float(x), float(y)), turn))
            boxes.append(_turned_box(x, y, width, high, np.radians(turn)))
    if not must and not any(drawn.labels.free(box) for box in boxes):
        return
    at, turn = spots[drawn.labels.choose(boxes)]
    drawn.text(words, at, layer, height=height, turn=turn, middle=True)


def _turned_box(
    x: float, y: float, width: float, high: float, turn: float
) -> tuple[float, float, float, float]:
    """Return the box around a text that is turned about the middle of its foot."""
    along = np.array([-width / 2, width / 2, width / 2, -width / 2])
    across = np.array([0.0, 0.0, high, high])
    px = x + along * np.cos(turn) - across * np.sin(turn)
    py = y + along * np.sin(turn) + across * np.cos(turn)
    return float(px.min()), float(py.min()), float(px.max()), float(py.max())


def _draw_digs(drawn: Drawn, digs: Any) -> None:
    if digs is None:
        return
    for dig in digs.itertuples():
        values = {
            "DIG_ID": dig.dig_id,
            "RUN_ID": dig.run_id,
            "PULL_ID": dig.pull_id,
            "KIND": dig.kind,
            "CHAINAGE": chainage_text(dig.chainage, drawn.units),
        }
        layer = "LIN-DIG-SPARED" if dig.spared else "LIN-DIG"
        _labelled(drawn, f"LIN_DIG_{dig.kind.upper()}", dig.geometry, values, layer)


def _draw_shutdowns(drawn: Drawn, shutdowns: Any, context: Any) -> None:
    if shutdowns is None:
        return
    for valve in each_valve(shutdowns, context):
        runs, alls = ",".join(valve.runs), "; ".join(valve.all_of_run)
        values = {"VALVE": valve.name, "RUN_ID": runs, "ALL_OF_RUN": alls}
        _labelled(drawn, "LIN_SHUT", valve.point, values)


def _name_areas(drawn: Drawn, tables: Mapping[str, Any]) -> None:
    """Write on strings and closures which they are; a closure also when it stands."""
    if "strings" in tables:
        for row in tables["strings"].itertuples():
            _name_area(drawn, row.geometry, row.string_id, "LIN-STRING-TEXT")
    if "closures" in tables:
        for row in tables["closures"].itertuples():
            days = working_days(row.first_day, row.last_day, row.days)
            words = row.closure_id + (f"  {days}" if days else "")
            _name_area(drawn, row.geometry, words, "LIN-CLOSURE-TEXT")


def _name_area(drawn: Drawn, area: Any, words: str, layer: str) -> None:
    parts = [part for part in shapely.get_parts(area) if part.area > 0]
    if parts:
        side = _long_side(max(parts, key=lambda part: part.area))
        _beside(drawn, side, words, layer, shares=(0.5, 0.35, 0.65, 0.2, 0.8))


def _long_side(area: Any) -> Any:
    """Return one side of an area from end to end, along which its name is never far from it."""
    ring = shapely.get_coordinates(area.exterior)[:-1]
    ends = shapely.get_coordinates(shapely.convex_hull(area))[:-1]
    apart = np.hypot(*(ends[:, None] - ends[None, :]).transpose(2, 0, 1))
    first, last = (ends[k] for k in np.unravel_index(np.argmax(apart), apart.shape))
    start, stop = (int(np.argmin(np.hypot(*(ring - end).T))) for end in (first, last))
    turned = np.roll(ring, -start, axis=0)
    there = (stop - start) % len(ring)
    return shapely.LineString(turned[: there + 1])


def _draw_chainages(drawn: Drawn, runs: Any) -> None:
    """Mark round chainages across the axis of every planned run."""
    unit = DIMENSIONS["length"].units[DIMENSIONS["length"].suffix(drawn.units)]
    step = _round_step(_MARKS_APART * drawn.scale / 1000 / unit) * unit
    half = _MARK * drawn.paper
    for run in runs[runs["status"] == "planned"].itertuples():
        lines = shapely.get_parts(run.geometry)
        if len(lines) != 1:
            continue
        for chainage in np.arange(step, run.length, step):
            at = chainage / run.length * lines[0].length
            (x, y), turn = _along(lines[0], at)
            a, b = half * -np.sin(np.radians(turn)), half * np.cos(np.radians(turn))
            drawn.space.add_line(
                (x - a, y - b), (x + a, y + b), dxfattribs={"layer": "LIN-CHAINAGE"}
            )
            share = (at / lines[0].length,)
            words = chainage_text(chainage, drawn.units).removesuffix(".0")
            _beside(drawn, lines[0], words, "LIN-CHAINAGE", shares=share, must=False)


def _round_step(least: float) -> float:
    """Return the least of 1, 2, 5, 10, ... that is not below a number."""
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(power * n for n in (1, 2, 5, 10) if power * n >= least * (1 - 1e-9)))


def _draw_reference(drawn: Drawn, context: Any) -> None:
    """Draw what the plan lies on: mains, streets, places to avoid, fittings and the like."""
    if context is None:
        return
    _draw_kerbs(drawn, context[context["layer"] == "streets"])
    for thing in context.itertuples():
        if thing.geometry is None or thing.geometry.is_empty:
            continue
        if thing.layer in _REFERENCE_LAYERS:
            add_flat(drawn.space, thing.geometry, _REFERENCE_LAYERS[thing.layer])
        if thing.layer == "avoid" and thing.buffer > 0:
            around = shapely.buffer(thing.geometry, thing.buffer / drawn.place.unit)
            add_flat(drawn.space, around, _REFERENCE_LAYERS["avoid"])


def _draw_fittings(drawn: Drawn, context: Any) -> None:
    """Draw what is a point on record; its words give way to those of the plan."""
    if context is None:
        return
    for thing in context[context["layer"].isin(list(_REFERENCE_BLOCKS))].itertuples():
        if thing.geometry is None:
            continue
        values = {"KIND": thing.kind, "FEATURE": thing.feature}
        if np.isfinite(thing.angle):
            values["ANGLE"] = _degrees(thing.angle)
        parts = shapely.get_parts(thing.geometry)
        for point in parts[shapely.get_type_id(parts) == shapely.GeometryType.POINT]:
            _labelled(drawn, _REFERENCE_BLOCKS[thing.layer], point, values)


def _draw_kerbs(drawn: Drawn, streets: Any) -> None:
    """Draw the edges of the streets whose width is on record, open where streets meet."""
    width = streets["width"].to_numpy(dtype=float)
    wide = np.isfinite(width) & (width > 0.0)
    if not wide.any():
        return
    lines = shapely.force_2d(streets.geometry.to_numpy()[wide])
    strips = shapely.buffer(lines, width[wide] / 2 / drawn.place.unit, cap_style="flat")
    add_flat(drawn.space, shapely.union_all(strips), "LIN-REF-KERB")


def _draw_names(drawn: Drawn, context: Any) -> None:
    """Write the names of streets along them, once a street, where there is room."""
    if context is None:
        return
    streets = context[(context["layer"] == "streets") & (context["name"] != "")]
    for name, parts in streets.groupby("name", sort=True):
        lines = [line for shape in parts.geometry for line in shapely.get_parts(shape)]
        longest = max(lines, key=lambda line: line.length)
        shares = (0.5, 0.3, 0.7, 0.15, 0.85)
        _beside(drawn, longest, str(name), "LIN-REF-TEXT", shares=shares, height=TEXT, must=False)


def _corner(tables: Mapping[str, Any], labels: Labels) -> tuple[float, float]:
    """Return the lower left corner of all that is drawn; the reference may reach further."""
    own = [t for name, t in tables.items() if name != "context" and hasattr(t, "geometry")]
    bounds = [table.total_bounds[:2] for table in own if len(table)]
    x, y = np.nanmin(np.array([*bounds, labels.lowest]), axis=0)
    return (float(x), float(y)) if np.isfinite([x, y]).all() else (0.0, 0.0)


@contextmanager
def _fixed_dates() -> Iterator[None]:
    """Leave out dates and random identifiers: the same plan gives the same file."""
    import ezdxf

    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def write_drawing(target: Path, drawn: Drawn, *, overwrite: bool = True) -> None:
    """Write a drawing, all or nothing; ``overwrite`` as of `replacing`.

    Raises
    ------
    OutputError
        If the system refuses to write; an old file is untouched.
    """
    _order_classes(drawn.doc)
    _open_on(drawn)
    with _fixed_dates(), replacing(target, overwrite=overwrite) as part:
        drawn.doc.saveas(part)


def _open_on(drawn: Drawn) -> None:
    """Say how far the drawing reaches, and open it on all of that."""
    from ezdxf import bbox

    reach = bbox.extents(drawn.space, fast=True)
    if not reach.has_data:
        return
    drawn.space.reset_extents(reach.extmin, reach.extmax)  # ezdxf takes the header's from there
    height = max(reach.size.y, reach.size.x / _SCREEN)
    drawn.doc.set_modelspace_vport(1.05 * height, center=(reach.center.x, reach.center.y))


def _order_classes(doc: Any) -> None:
    """Name the classes the file uses in one order; ezdxf has them in that of a set."""
    section = doc.classes
    section.add_required_classes(doc.dxfversion)
    for key in sorted(section.classes):
        section.classes.move_to_end(key)
