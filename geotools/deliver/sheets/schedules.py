"""Schedules: the tables of a run and of the whole set, as words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geotools.cautions import AT_RATES
from geotools.deliver.items import kinds_together
from geotools.deliver.sheets.model import Plan
from geotools.deliver.sheets.ramp_lines import WAYS, foot_of
from geotools.deliver.sheets.tables import Table
from geotools.deliver.tails import head_left
from geotools.deliver.wording import chainage_text, figure, in_system, in_words, unit_of
from geotools.estimate.schedule import FUSING, PULLING, days_out
from geotools.lists import listed
from geotools.pipe.fusion import joint_count
from geotools.pipe.pulling import STOPPED_BY, stop_force_n, stop_forces_on_the_way_n
from geotools.pipe.testing import PE_TEST
from geotools.pulls.tested import less_head, some_pressure
from geotools.schema import OUTPUTS, UNIT_SIGNS, angle_text
from geotools.units import parse_quantity

__all__ = [
    "pulls_on_sheet",
    "quantities_of_all",
    "run_tables",
    "runs_drawn",
    "runs_without_plan",
]

Say = Callable[[Any], str]
_PLACE_DECIMALS, _DEGREE_DECIMALS = 2, 7  # about a centimetre
_SEVERE = ("error", "warning")
# Findings that tell of a value nobody measured, and warnings that concern every run.
_ASSUMPTIONS = (
    *("assumed-cover", "assumed-bore", "levels-filled", "levels-unknown"),
    "dug-below-groundwater",
)
_OF_ALL_RUNS = ("no-dem",)
_NAMED = 3  # features of a run that a row of findings names
_OF_PIT = ("pit_id", "role", "chainage", "before", "after", "length", "ahead_grid_deg",
           "behind_grid_deg")  # fmt: skip
_OF_RAMP = ("ramp", "drop", "host_slope", "rest_slope")
_LOGGED, _LOGGED_US = 25.0, 30.48  # m of pull from row to row of its log; 100 ft
_AT = 0.01  # m; a place of the forces that near to another is it: chainages are rounded
_CORNERS = 12  # of a pit that are listed
_BESIDE = "none; doors and footways there are kept open"  # where a string takes no lane


def _number(value: Any, digits: int = 1) -> str:
    """Return a number as text; a dash where it is not known."""
    if value is None or pd.isna(value):
        return "-"
    return f"{float(value):,.{digits}f}"


def _in(dimension: str, plan: Plan, digits: int = 1) -> Say:
    """Return how values of a dimension are written."""
    return lambda value: (
        "-" if pd.isna(value) else _number(in_system(float(value), dimension, plan.units), digits)
    )


def _figure(layer: str, name: str, plan: Plan) -> Say:
    """Return how a field of a row is written."""
    return lambda row: figure(row[name], layer, name, plan.units)


def _column(table: str, field: str, plan: Plan) -> str:
    """Return the unit of a field, for the head of its column."""
    dimension = OUTPUTS[table].field(field).dimension
    return "" if dimension is None else f", {unit_of(dimension, plan.units)}"


def _cost(plan: Plan) -> str:
    """Return the name of a column of costs, with their currency."""
    currency = plan.settings.get("rates.currency", "")
    return f"cost in {currency}" if currency else "cost"


def _table(
    heading: str,
    frame: Any,
    plan: Plan,
    columns: Sequence[tuple[str, Callable[[dict[str, Any]], str], bool]],
) -> Table:
    """Write a table: name, words and side of every column."""
    rows = frame.to_dict("records")
    return Table(
        heading,
        tuple(name for name, _, _ in columns),
        tuple(tuple(say(row) for _, say, _ in columns) for row in rows),
        frozenset(k for k, (_, _, right) in enumerate(columns) if right),
    )


def run_tables(plan: Plan, run_id: str) -> list[Table]:
    """Return the schedules of a run; those without rows are left out."""
    makers = (
        *(_run, _pulls, _in_bends, _while_pulling, _pits, _setting_out, _corners, _ramps, _bends),
        *(_sections, _while_testing, _strings, _fused, _log, _closures, _digs, _shutdown),
        _valves,
        *(_programme, _quantities, _findings, _assumptions),
    )
    tables = [maker(plan, run_id) for maker in makers]
    return [table for table in tables if table.rows]


def _run(plan: Plan, run_id: str) -> Table:
    run = plan.run(run_id)
    length = _in("length", plan)

    def bore(name: str) -> str:
        return figure(run[name], "runs", name, plan.units).removesuffix(".0")

    facts = (
        ("length", f"{length(run['length'])} {unit_of('length', plan.units)}"),
        ("host", f"{run['host_material']}, {bore('host_diameter')} "
                 f"{unit_of('bore', plan.units)} nominal, bore {bore('host_bore')} "
                 f"{unit_of('bore', plan.units)}"),
        ("carrier", str(run["carrier"])),
        ("pits, pulls", f"{run['pit_count']}, {run['pull_count']}"),
        ("flow after over before", _number(run["capacity_ratio"], 2)),
        ("source mains", str(run["main_ids"]).replace(",", ", ")),
    )  # fmt: skip
    return Table(f"Run {run_id}", ("what", "value"), facts)


def _pulls(plan: Plan, run_id: str) -> Table:
    length, unit = _in("length", plan), unit_of("force", plan.units)
    bare = _bare(run_id)
    return _table(
        "Pulls; stop at: force at the head, at the end of the pull, that brings head or a bend to "
        "its limit; on the way stop as the log says",
        plan.of("pulls", run_id),
        plan,
        (
            ("pull", lambda r: bare(r["pull_id"]), False),
            ("from", lambda r: bare(r["insertion_pit"]), False),
            ("to", lambda r: bare(r["receiving_pit"]), False),
            ("start", lambda r: chainage_text(r["start"], plan.units), True),
            ("end", lambda r: chainage_text(r["end"], plan.units), True),
            (f"length{_column('pulls', 'length', plan)}", lambda r: length(r["length"]), True),
            (f"force low, {unit}", _figure("pulls", "head_force_low", plan), True),
            ("planned", _figure("pulls", "head_force", plan), True),
            ("high", _figure("pulls", "head_force_high", plan), True),
            ("most at head", _figure("pulls", "allowable", plan), True),
            ("stop at", _stop_at(plan), True),
            ("of pipe's, %", _of_pipe, True),
            ("use, %", lambda r: _number(100 * r["utilisation"], 0), True),
            ("by", lambda r: str(r["governed_by"]), False),
            ("joints", lambda r: _number(r["joints"], 0), True),
            ("strings", lambda r: _number(r["strings"], 0), True),
            ("hours", lambda r: _number(r["hours"]), True),
        ),
    )


def _stop(pull: dict[str, Any]) -> float:
    """Return the force at the head at which to stop a pull at its end, N; nan if not known."""
    if pull["governed_by"] == "bend" and pd.isna(pull["governing_limit"]):  # of an older plan
        return float("nan")
    return float(stop_force_n(*(pull[name] for name in STOPPED_BY)))


def _stop_at(plan: Plan) -> Say:
    return lambda pull: figure(_stop(pull), "pulls", "allowable", plan.units)


def _of_pipe(pull: dict[str, Any]) -> str:
    """Return how much of what the carrier itself bears the force to stop at is, %."""
    return _number(100 * _stop(pull) / pull["pipe_strength"], 0)


def _high_at_bends(plan: Plan, run_id: str, pulls: Any) -> Any:
    """Return the force of the greatest friction where each pull is governed, N."""
    forces = plan.of("forces", run_id)
    out = np.full(len(pulls), np.nan)
    places = zip(pulls["pull_id"], pulls["governing_chainage"], strict=True)
    for row, (pull, at) in enumerate(places):
        own = forces[forces["pull_id"] == pull]
        off = (own["chainage"] - at).abs()
        if len(own) and off.min() < _AT:
            out[row] = own["head_force_high"].loc[off.idxmin()]
    return out


def _in_bends(plan: Plan, run_id: str) -> Table:
    """Return the pulls that a bend governs: less is allowed there than at the head."""
    pulls = plan.of("pulls", run_id)
    pulls = pulls.assign(high=_high_at_bends(plan, run_id, pulls))
    bare = _bare(run_id)
    return _table(
        "Pulls that a bend governs: the force with the head at the bend",
        pulls[(pulls["governed_by"] == "bend") & pulls["governing_limit"].notna()],
        plan,
        (
            ("pull", lambda r: bare(r["pull_id"]), False),
            ("bend at", lambda r: chainage_text(r["governing_chainage"], plan.units), True),
            (f"force there{_column('pulls', 'governing_force', plan)}",
             _figure("pulls", "governing_force", plan), True),
            ("high there",
             lambda r: figure(r["high"], "forces", "head_force_high", plan.units), True),
            ("limit there", _figure("pulls", "governing_limit", plan), True),
            ("use, %", lambda r: _number(100 * r["utilisation"], 0), True),
        ),
    )  # fmt: skip


def _of_run(plan: Plan, run_id: str, sections: Any) -> list[tuple[str, str]]:
    """Return how a run is filled and tested as one: from where, what a gauge reads, what passes."""
    bare, kpa = _bare(run_id), unit_of("pressure", plan.units)
    known = sections[sections["low_z"].notna() & (sections["test_pressure"] > 0)]
    ends = plan.of("pits", run_id).sort_values("chainage").iloc[[0, -1]]
    if not len(known) or ends["axis_z"].isna().any():
        return []
    low = known.loc[known["low_z"].idxmin()]
    ends = ends.sort_values("axis_z", kind="stable")
    rise = ends["axis_z"].to_numpy(dtype=float) - low["low_z"]
    reads = some_pressure(less_head(low["test_pressure"], rise))
    names, say = [bare(name) for name in ends["pit_id"]], _in("pressure", plan, 0)
    gauges = ", ".join(f"{n} {say(p)}" for n, p in zip(names, reads, strict=True))
    hours = _number(sections["fill_hours"].sum())
    rows = [
        ("fill", f"from {names[0]}, the lower end, {hours} h at least; vent at {names[1]} and at "
                 "every high point between"),
        ("gauge", f"{say(low['test_pressure'])} {kpa} at the lowest point of the pulls, "
                  f"{chainage_text(low['low_chainage'], plan.units)}; at the axis in {gauges}; no "
                  "more than that"),
    ]  # fmt: skip
    if (sections["test_rule"] == "PE").all():
        passes = f"within {PE_TEST.pass_share:.0%} over {PE_TEST.hold_hours:g} h, no water added"
        rows.append(("passes", f"{passes}, after the pipe has expanded and pressure was let off"))
    return rows


def _log(plan: Plan, run_id: str) -> Table:
    """Return what to hold a log of each pull against: forces every so far, and at every bend."""
    bare, forces = _bare(run_id), plan.of("forces", run_id)
    length = _in("length", plan)
    allowed = plan.of("pulls", run_id).set_index("pull_id")["allowable"]
    stops = pd.Series(np.nan, index=forces.index)
    for name, rows in forces.groupby("pull_id", sort=False):
        planned, limit = (rows[c].to_numpy(float) for c in ("head_force", "bend_limit"))
        stops[rows.index] = stop_forces_on_the_way_n(planned, limit, allowable=allowed[name])
    every = _LOGGED_US if plan.units == "us" else _LOGGED
    step = np.floor(forces["pulled"].to_numpy(dtype=float) / every + _AT / every)
    pull = forces["pull_id"].to_numpy(dtype=object)
    same = pull[1:] == pull[:-1]
    first, last = np.append(True, ~same), np.append(~same, True)
    further = np.append(True, (step[1:] > step[:-1]) | ~same)
    kept = first | last | further | forces["bend_limit"].notna().to_numpy()
    told = forces.assign(stop=stops)[kept[: len(forces)]]
    return _table(
        "Log of pulls: force expected with the head there, and that at which to stop there",
        told,
        plan,
        (
            ("pull", lambda r: bare(r["pull_id"]), False),
            ("head at", lambda r: chainage_text(r["chainage"], plan.units), True),
            (f"pulled in{_column('forces', 'pulled', plan)}", lambda r: length(r["pulled"]), True),
            (f"low{_column('forces', 'head_force', plan)}",
             _figure("forces", "head_force_low", plan), True),
            ("planned", _figure("forces", "head_force", plan), True),
            ("high", _figure("forces", "head_force_high", plan), True),
            ("stop", lambda r: figure(r["stop"], "pulls", "allowable", plan.units), True),
            ("in a bend", lambda r: "bend" if pd.notna(r["bend_limit"]) else "", False),
            ("read", lambda _: "", False),
        ),
    )  # fmt: skip


def _while_pulling(plan: Plan, run_id: str) -> Table:
    """Return where nobody is while a pull moves, and what holds before anybody cuts it."""
    bare, digs = _bare(run_id), _dug(plan, run_id)
    rows = []
    for pull in plan.of("pulls", run_id).to_dict("records"):
        pits = [pull["insertion_pit"], pull["receiving_pit"]]
        others = digs.loc[digs["pull_id"] == pull["pull_id"], "dig_id"]
        names = ", ".join(bare(name) for name in [*pits, *others])
        rows.append((bare(pull["pull_id"]), f"while it moves nobody in {names}"))
    rated = plan.settings.get("pulls.machine_capacity", "")
    most = _in("force", plan)(parse_quantity(rated, "force")) if rated else ""
    force = f", up to {most} {unit_of('force', plan.units)}" if rated else ""
    every = (
        "a stop signal works between both ends; pits and old main: permit and gas test before "
        "anybody enters",
        "the machine bears on its anchorage, or on the face of its pit, with all its force"
        f"{force}: have that designed, for no pit here is planned for it",
        "afterwards: winch slacked from outside; nobody enters, clamps or cuts until the tension "
        "is off and the rest of the test plan is over; then both ends held, then cut",
    )
    return Table(
        "While pulls move, and before anybody cuts",
        ("pull", "what holds"),
        (*rows, *(("each", words) for words in every)) if rows else (),
    )


def _while_testing(plan: Plan, run_id: str) -> Table:
    """Return what holds while a run is filled and tested, with the largest thrust on an end."""
    sections = plan.of("sections", run_id)
    thrusts, unit = sections["end_thrust"].dropna(), unit_of("force", plan.units)
    most = (
        f" ({_in('force', plan)(thrusts.max())} {unit} at the low point of the pulls)"
        if len(thrusts)
        else ""
    )
    water = _in("liquid", plan, 0)(sections["water_volume"].sum())
    rows = (
        *_of_run(plan, run_id, sections),
        ("ends", f"every end and cap restrained against the thrust on it{most}; people kept away"),
        ("water", f"{water} {unit_of('liquid', plan.units)} in the pulls alone; chlorinated and "
                  "test water is dechlorinated, and let off only where there is leave for it"),
    )  # fmt: skip
    return Table("While filling and testing", ("what", "what holds"), rows if len(sections) else ())


def pulls_on_sheet(plan: Plan, run_id: str, rows: Sequence[dict[str, Any]]) -> Table:
    """Return the short table of the pulls that a sheet shows."""
    length, unit = _in("length", plan), unit_of("force", plan.units)
    low, high = (_figure("pulls", f"head_force_{end}", plan) for end in ("low", "high"))
    bare = _bare(run_id)
    return _table(
        "Pulls on this sheet",
        pd.DataFrame(list(rows)),
        plan,
        (
            ("pull", lambda r: bare(r["pull_id"]), False),
            (unit_of("length", plan.units), lambda r: length(r["length"]), True),
            (f"force band, {unit}", lambda r: f"{low(r)} to {high(r)}", True),
            ("stop at", _stop_at(plan), True),
            ("use %", lambda r: _number(100 * r["utilisation"], 0), True),
            ("joints", lambda r: _number(r["joints"], 0), True),
            ("h", lambda r: _number(r["hours"]), True),
        ),
    )  # fmt: skip


def _bare(run_id: str) -> Say:
    """Return how names are written on the sheets of a run: without the run's own."""
    return lambda name: str(name).removeprefix(f"{run_id}-")


def _pits(plan: Plan, run_id: str) -> Table:
    volume = _in("volume", plan, 0)
    bare = _bare(run_id)

    def size(name: str) -> Say:
        return _figure("pits", name, plan)

    return _table(
        "Pits; depth to the invert of the host, dug to the bottom of the pit, wide there",
        plan.of("pits", run_id),
        plan,
        (
            ("pit", lambda r: bare(r["pit_id"]), False),
            ("chainage", lambda r: chainage_text(r["chainage"], plan.units), True),
            (f"before{_column('pits', 'before', plan)}", size("before"), True),
            ("after", size("after"), True),
            ("length", size("length"), True),
            ("width", size("width"), True),
            ("depth", size("depth"), True),
            ("depth from", lambda r: str(r["depth_source"]) or "-", False),
            ("dug", size("dig_depth"), True),
            ("deepest", size("deepest"), True),
            (f"dig{_column('pits', 'volume', plan)}", lambda r: volume(r["volume"]), True),
            ("lanes", lambda r: _number(r["lanes_taken"], 0), True),
            ("days", lambda r: _number(r["days"]), True),
            ("role, street", lambda r: ", ".join(
                w for w in (in_words(r["role"]), str(r["street_name"])) if w), False),
        ),
    )  # fmt: skip


def _setting_out(plan: Plan, run_id: str) -> Table:
    """Return where the pits lie, how high, and which way the run goes on there."""
    bare = _bare(run_id)
    digits = _places(plan)

    def level(name: str) -> Say:
        return _figure("pits", name, plan)

    grid = f" of {plan.set_out_in}" if plan.set_out_in else ""
    return _table(
        "Setting out of pits at their stations; bearings in which chainage grows, from grid north"
        f"{grid}; sides: out for each up",
        plan.of("pits", run_id),
        plan,
        (
            ("pit", lambda r: bare(r["pit_id"]), False),
            (f"x, {plan.xy_unit}", lambda r: f"{r['x']:.{digits}f}", True),
            (f"y, {plan.xy_unit}", lambda r: f"{r['y']:.{digits}f}", True),
            (f"ground{_column('pits', 'ground_z', plan)}", level("ground_z"), True),
            ("host axis", level("axis_z"), True),
            ("bottom", level("bottom_z"), True),
            ("before it, °", lambda r: _number(r["behind_grid_deg"]), True),
            ("past it, °", lambda r: _number(r["ahead_grid_deg"]), True),
            ("sides", lambda r: _sides(r["side_slope"]), True),
        ),
    )


def _places(plan: Plan) -> int:
    """Return the decimals of coordinates."""
    return _DEGREE_DECIMALS if plan.xy_unit == "degrees" else _PLACE_DECIMALS


def _corners(plan: Plan, run_id: str) -> Table:
    """Return the corners of the ground of every pit, one by one, if they are few."""
    bare, digits = _bare(run_id), _places(plan)
    rows = []
    for pit in plan.of("pit_footprints", run_id).to_dict("records"):
        name, corners = bare(pit["pit_id"]), pit["corners"]
        if 0 < len(corners) <= _CORNERS:
            rows += [
                (name, str(k), *(f"{value:.{digits}f}" for value in corner))
                for k, corner in enumerate(corners.tolist(), 1)
            ]
        else:
            rows.append((name, "see layer pit_footprints", "-", "-"))
    unit = plan.xy_unit
    return Table(
        "Corners of pits at street level, in order around each",
        ("pit", "corner", f"x, {unit}", f"y, {unit}"), tuple(rows), frozenset({2, 3}),
    )  # fmt: skip


def _ramps(plan: Plan, run_id: str) -> Table:
    """Return what the ramps of the insertion pits are built to, a row a ramp."""
    bare = _bare(run_id)

    def size(name: str) -> Say:
        return lambda ramp: figure(ramp[name], "pits", name, plan.units)

    def slope(name: str) -> Say:
        return lambda ramp: "-" if pd.isna(ramp[name]) else f"{100 * ramp[name]:+.2f}"

    pulls, long = plan.of("pulls", run_id), float(plan.run(run_id)["length"])
    return _table(
        "Setting out of ramps, from the host up to the ground; ahead, behind: way the pull goes",
        _each_ramp(plan.of("pits", run_id)),
        plan,
        (
            ("pit", lambda r: bare(r["pit_id"]), False),
            ("for the pull", lambda r: bare(_pull_of(pulls, r)), False),
            (f"ramp{_column('pits', 'ramp', plan)}", size("ramp"), True),
            ("top at", lambda r: _top_of_ramp(r, long, plan.units), True),
            ("towards, °", _towards, True),
            (f"drop to host axis{_column('pits', 'drop', plan)}", size("drop"), True),
            ("host rises, %", slope("host_slope"), True),
            ("ground rises, %", slope("rest_slope"), True),
        ),
    )


def _each_ramp(pits: Any) -> Any:
    """Return the ramps of pits one by one; of an earlier plan the one it tells of each pit."""
    rows = []
    for pit in pits.to_dict("records"):
        own = [
            {name: pit[f"{name}_{way}"] for name in _OF_RAMP} | {"way": way}
            for way in ("ahead", "behind")
            if pd.notna(pit[f"ramp_{way}"])
        ]
        if not own and pit["role"] != "receiving":
            way = pit["role"].removeprefix("insertion_")
            own = [{name: pit[name] for name in _OF_RAMP} | {"way": way}]
        rows += [{**{name: pit[name] for name in _OF_PIT}, **ramp} for ramp in own]
    return pd.DataFrame(rows, columns=[*_OF_PIT, "way", *_OF_RAMP])


def _top_of_ramp(ramp: dict[str, Any], length: float, units: str) -> str:
    """Return the chainage of a ramp's top; of one that leaves the run at a bend there is none."""
    way = WAYS.get(ramp["way"], np.nan)
    foot = foot_of(ramp, way, ramp["ramp"], length)
    if np.isfinite(way) and np.isnan(foot):
        return "beside the run"
    return chainage_text(foot + way * ramp["ramp"], units)


def _towards(ramp: dict[str, Any]) -> str:
    """Return the bearing in which a ramp lies from its pit: straight on from the host it serves."""
    back = {"ahead": ramp["ahead_grid_deg"] + 180.0, "behind": ramp["behind_grid_deg"]}
    return _number(back.get(ramp["way"], np.nan) % 360.0)


def _pull_of(pulls: Any, ramp: dict[str, Any]) -> str:
    """Return the pull a ramp is for, and its way; of both ways, in an earlier plan, the longer."""
    own = pulls[(pulls["insertion_pit"] == ramp["pit_id"]) & (pulls["direction"] == ramp["way"])]
    way = "the longer of both" if ramp["way"] == "both" else str(ramp["way"])
    return ", ".join([*map(str, own["pull_id"]), way])


def _sides(slope: float) -> str:
    """Return how the sides of a pit lean, out for each up."""
    return "upright" if slope == 0 else _number(slope, 2)


def _bends(plan: Plan, run_id: str) -> Table:
    length = _in("length", plan)
    radius = _column("bends", "needed_radius", plan)
    bare = _bare(run_id)
    return _table(
        "Bends",
        plan.of("bends", run_id),
        plan,
        (
            ("bend", lambda r: bare(r["bend_id"]), False),
            ("chainage", lambda r: chainage_text(r["chainage"], plan.units), True),
            ("angle, °", lambda r: angle_text(r["deflection"]), True),
            ("kind", lambda r: str(r["kind"]), False),
            (f"radius that passes{radius}", lambda r: length(r["passing_radius"]), True),
            (f"radius needed{radius}", lambda r: length(r["needed_radius"]), True),
            ("angle from", lambda r: str(r["angle_source"]), False),
            ("passed", lambda r: _passed(plan, r), False),
        ),
    )


def _passed(plan: Plan, bend: dict[str, Any]) -> str:
    """Say whether the carrier is pulled through a bend or laid in it, in an open pit."""
    pit, whole = plan.pit_of_bend(bend)
    name = pit.removeprefix(f"{bend['run_id']}-")
    if pit and whole:
        return f"in pit {name}"
    passes = "pulled through" if bend["passes"] else "not passed"
    return f"{passes}, in part in pit {name}" if pit else passes


def _not_to_be_grouted(plan: Plan) -> set[str]:
    """Return the pulls whose grout would crush the carrier, or be let in by no pressure allowed."""
    told = plan.tables["findings"]
    return set(told.loc[told["rule"] == "grout-beyond-limit", "feature"])


def _sections(plan: Plan, run_id: str) -> Table:
    level = _in("length", plan, 1)
    us = plan.units == "us"
    water, added = _in("liquid", plan, 0 if us else 1), _in("liquid", plan, 1 if us else 3)

    def column(name: str) -> str:
        return _column("sections", name, plan)

    def place(chainage: float) -> str:
        return "-" if pd.isna(chainage) else chainage_text(chainage, plan.units)

    bare, rows, warned = _bare(run_id), plan.of("sections", run_id), _not_to_be_grouted(plan)
    rows = rows.assign(leave_head=head_left(rows))
    grouted = plan.settings.get("pulls.grouted") == "true"
    staged = bool(rows["pull_id"].isin(warned).any())
    return _table(
        f"Test {'and grout ' if grouted else ''}plan, the run as one; of a pull tested alone "
        "fill from the end nearer its low point",
        rows,
        plan,
        (
            ("pull", lambda r: bare(r["pull_id"]), False),
            (f"beyond host, head{column('leave')}", _figure("sections", "leave_head", plan), True),
            ("tail", lambda r: figure(r["leave"] - r["leave_head"], "sections", "leave",
                                      plan.units), True),
            ("rest, h", lambda r: _number(r["wait_hours"], 0), True),
            (f"water{column('water_volume')}", lambda r: water(r["water_volume"]), True),
            ("fill, h", lambda r: _number(r["fill_hours"], 2), True),
            ("low at", lambda r: place(r["low_chainage"]), True),
            (f"level{column('low_z')}", lambda r: level(r["low_z"]), True),
            (f"test there{column('test_pressure')}",
             _figure("sections", "test_pressure", plan), True),
            (f"thrust on a cap{column('end_thrust')}",
             _figure("sections", "end_thrust", plan), True),
            ("high at", lambda r: place(r["high_chainage"]), True),
            ("level", lambda r: level(r["high_z"]), True),
            ("test there", _figure("sections", "test_pressure_high", plan), True),
            ("rule", lambda r: str(r["test_rule"]), False),
            (f"{_added_words(rows)}{column('make_up')}", lambda r: added(r["make_up"]), True),
            *(_grout(plan, warned, staged=staged) if grouted else ()),
        ),
    )  # fmt: skip


def _added_words(sections: Any) -> str:
    """Say what the water is that may be added: of polyethylene none of it in the test."""
    if (sections["test_rule"] == "PE").all():
        return "taken up while expanding, before the test; none in it"
    return "may be added in the test"


def _grout(
    plan: Plan, warned: set[str], *, staged: bool
) -> tuple[tuple[str, Callable[[dict[str, Any]], str], bool], ...]:
    """Return the columns on grout; one on stages where there are any."""
    volume, limit = _in("volume", plan), _figure("sections", "grout_limit", plan)

    def column(name: str) -> str:
        return _column("sections", name, plan)

    def stages(row: dict[str, Any]) -> str:
        return _stages(row["grout_stages"], warned=row["pull_id"] in warned)

    return (
        (f"grout{column('annulus_volume')}", lambda r: volume(r["annulus_volume"]), True),
        (f"grout limit{column('grout_limit')}", limit, True),
        *([("stages", stages, True)] if staged else []),
        ("lifts", lambda r: _lifts(r["grout_lifts"]), True),
    )  # fmt: skip


def _lifts(lifts: float) -> str:
    """Return the lifts of grout of a pull, or that lifts do not hold the carrier down."""
    return "none" if pd.isna(lifts) else _number(lifts, 0)


def _stages(stages: Any, *, warned: bool) -> str:
    """Return in how many stages a pull is to be grouted; of an earlier plan a warning says it."""
    if pd.isna(stages):
        return "see warning" if warned else "-"
    return {0: "not grouted", 1: "at once"}.get(int(stages), _number(stages, 0))


def _closures(plan: Plan, run_id: str) -> Table:
    length = _in("length", plan, 0)
    bare = _bare(run_id)
    leans = (plan.of("pits", run_id)["side_slope"] > 0).any()
    leaning = ", open where sides lean" if leans else ""
    return _table(
        f"Lane closures; days of work{leaning}, or that strings lie, and working days of the run, "
        "whose start is 0",
        plan.of("closures", run_id),
        plan,
        (
            ("closure", lambda r: bare(r["closure_id"]), False),
            ("lanes shut", lambda r: _number(r["lanes_closed"], 0), True),
            ("open that way", lambda r: _number(r["lanes_left"], 0), True),
            (f"speed{_column('closures', 'speed', plan)}",
             lambda r: _in("speed", plan, 0)(r["speed"]), True),
            (f"taper{_column('closures', 'taper', plan)}", lambda r: length(r["taper"]), True),
            ("buffer", lambda r: length(r["buffer"]), True),
            ("work space", lambda r: length(r["work_length"]), True),
            ("days", lambda r: _number(r["days"]), True),
            ("from day", lambda r: _number(r["first_day"]), True),
            ("to day", lambda r: _number(r["last_day"]), True),
            ("street", lambda r: str(r["street"]), False),
        ),
    )  # fmt: skip


def _programme(plan: Plan, run_id: str) -> Table:
    """Return what is done when and by whom: pits opened and refilled, pulls, tie-ins."""
    bare = _bare(run_id)
    return _table(
        "Programme; working days of the run, whose start is 0; critical: a day lost there is lost "
        "on the run",
        plan.of("schedule", run_id).sort_values("start_day", kind="stable"),
        plan,
        (
            ("from day", lambda r: _number(r["start_day"]), True),
            ("to day", lambda r: _number(r["start_day"] + r["days"]), True),
            ("days", lambda r: _number(r["days"]), True),
            ("task", lambda r: str(r["task"]), False),
            ("at", lambda r: bare(r["ref"]), False),
            ("crew", lambda r: "-" if r["crew"] == "none" else str(r["crew"]), False),
            ("critical", lambda r: "yes" if _is(r["critical"]) else "", False),
        ),
    )


def _is(flag: Any) -> bool:
    """Return a flag that may be missing."""
    return bool(pd.notna(flag) and flag)


def _strings(plan: Plan, run_id: str) -> Table:
    """Return the strings, with the middle of both their ends."""
    bare, digits = _bare(run_id), _places(plan)

    def place(name: str) -> Say:
        return lambda string: "-" if pd.isna(string[name]) else f"{string[name]:.{digits}f}"

    return _table(
        "Strings laid out, in the order they are joined on; from: the end at the pit",
        plan.of("strings", run_id).sort_values(["pull_id", "number"], kind="stable"),
        plan,
        (
            ("string", lambda r: bare(r["string_id"]), False),
            ("pull", lambda r: bare(r["pull_id"]), False),
            (f"length{_column('strings', 'length', plan)}",
             _figure("strings", "length", plan), True),
            ("joints in it", lambda r: _number(r["joints"], 0), True),
            (f"from x, {plan.xy_unit}", place("x"), True),
            ("from y", place("y"), True),
            ("to x", place("end_x"), True),
            ("to y", place("end_y"), True),
            ("street", lambda r: str(r["street"]), False),
        ),
    )  # fmt: skip


def _fused(plan: Plan, run_id: str) -> Table:
    """Return the strings as they are made, tails with them, and when they lie there."""
    bare, strings = _bare(run_id), plan.of("strings", run_id)
    strings = strings.sort_values(["pull_id", "number"], kind="stable", ignore_index=True)
    last = ~strings["pull_id"].duplicated(keep="last")
    leave = plan.of("sections", run_id).set_index("pull_id")["leave"]
    tails = strings["pull_id"].map(leave[~leave.index.duplicated()]).fillna(0.0).where(last, 0.0)
    made = strings["length"] + tails.astype(float)
    piece = plan.settings.get("pulls.piece_length", "")
    joints = joint_count(made, parse_quantity(piece, "length")) if piece else np.nan
    tasks = plan.of("schedule", run_id).set_index("ref")
    begun = tasks.loc[tasks["task"] == FUSING, "start_day"]
    pulled = tasks.loc[tasks["task"] == PULLING, ["start_day", "days"]].sum(axis=1)
    lanes = plan.of("pulls", run_id).set_index("pull_id")["lanes_taken"]
    told = strings.assign(
        made=made,
        made_joints=joints,
        in_pit=strings["pull_id"].duplicated().astype(int),
        **{name: strings["pull_id"].map(of) for name, of in
           (("from_day", begun), ("to_day", pulled), ("lanes", lanes))},
    )  # fmt: skip
    return _table(
        "Strings as fused, the last with the tails; joints in the pit: to the string before it",
        told,
        plan,
        (
            ("string", lambda r: bare(r["string_id"]), False),
            (f"with tails{_column('strings', 'length', plan)}",
             lambda r: figure(r["made"], "strings", "length", plan.units), True),
            ("joints in it", lambda r: _number(r["made_joints"], 0), True),
            ("joints in the pit", lambda r: _number(r["in_pit"], 0), True),
            ("first fused day", lambda r: _number(r["from_day"]), True),
            ("pulled in by day", lambda r: _number(r["to_day"]), True),
            ("lanes taken", lambda r: _number(r["lanes"], 0) if r["lanes"] else _BESIDE, False),
        ),
    )  # fmt: skip


def _dug(plan: Plan, run_id: str) -> Any:
    """Return the digs of a run that have a hole of their own."""
    frame = plan.of("local_digs", run_id)
    return frame[~frame["spared"].astype(bool)] if len(frame) else frame


def _digs(plan: Plan, run_id: str) -> Table:
    bare = _bare(run_id)
    return _table(
        "Local digs between the pits; depth to the invert of the host, dug below it as a pit is",
        _dug(plan, run_id),
        plan,
        (
            ("dig", lambda r: bare(r["dig_id"]), False),
            ("chainage", lambda r: chainage_text(r["chainage"], plan.units), True),
            ("pull", lambda r: bare(r["pull_id"]), False),
            ("what is dug up", lambda r: in_words(r["kind"]), False),
            (f"depth{_column('local_digs', 'depth', plan)}",
             _figure("local_digs", "depth", plan), True),
            ("depth from", lambda r: str(r["depth_source"]) or "-", False),
            ("dug", _figure("local_digs", "dig_depth", plan), True),
        ),
    )  # fmt: skip


def _shutdown(plan: Plan, run_id: str) -> Table:
    rows = []
    length = _in("length", plan, 0)
    unit = unit_of("length", plan.units)
    out = days_out(plan.of("schedule", run_id)).to_dict()
    for row in plan.of("shutdowns", run_id).to_dict("records"):
        rows += [
            ("valves to close", str(row["valves"]).replace(",", ", ") or "none"),
            ("main that goes dry", f"{length(row['main_length'])} {unit}"),
            *([("cut off besides", f"{length(row['cut_off_length'])} {unit} of mains beyond it")]
              if row["cut_off_length"] > 0 else []),
            ("customers without water", _without_water(row, "customers")),
            *([("critical among them",
                f"{_without_water(row, 'critical')}: supply agreed beforehand")]
              if _some(row["critical"]) else []),
            ("services without water", _without_water(row, "services")),
            ("hydrants without water", _without_water(row, "hydrants")
             + (": tell the fire service" if _some(row["hydrants"]) else "")),
            *([("out of service", f"{_number(out[run_id])} working days, by the programme")]
              if run_id in out else []),
            ("temporary supply", f"{length(row['temporary_supply'])} {unit}, "
                                 f"{_number(row['temporary_services'], 0)} services"),
            *([("remarks", str(row["remarks"]))] if row["remarks"] else []),
        ]  # fmt: skip
    return Table("Shutdown", ("what", "value"), tuple(rows))


def _valves(plan: Plan, run_id: str) -> Table:
    """Return where the valves to close lie."""
    digits, unit = _places(plan), plan.xy_unit
    rows = [
        (name or "-", f"{x:.{digits}f}", f"{y:.{digits}f}")
        for closed in plan.of("shutdowns", run_id)["closed"]
        for name, x, y in closed
    ]
    return Table(
        "Valves to close", ("valve", f"x, {unit}", f"y, {unit}"), tuple(rows), frozenset({1, 2})
    )


def _some(count: Any) -> bool:
    """Say whether a number is known and above 0."""
    return bool(pd.notna(count) and count > 0)


def _without_water(row: dict[str, Any], name: str) -> str:
    """Return a count of a shutdown; of one of which it is not known what is cut off the least."""
    least = pd.isna(row["cut_off_nodes"]) and not pd.isna(row[name])
    return ("at least " if least else "") + _number(row[name], 0)


def _summed(frame: Any) -> Any:
    """Add up quantities of the same item and unit, in the order they come."""
    runs = frame[frame["scope"] == "run"]
    return runs.groupby(["item", "unit"], sort=False, as_index=False)[["quantity", "cost"]].agg(
        lambda values: values.sum(min_count=1)
    )


COUNTED = ("each", "sum")
"""Units of items that come in whole numbers."""


def quantity_text(quantity: float, unit: str) -> str:
    """Return a quantity as text: what is counted whole, what is measured to a tenth."""
    return _number(quantity, 0 if unit in COUNTED else 1)


def _quantity_table(heading: str, frame: Any, plan: Plan) -> Table:
    return _table(
        heading,
        frame,
        plan,
        (
            ("item", lambda r: str(r["item"]), False),
            ("quantity", lambda r: quantity_text(r["quantity"], r["unit"]), True),
            ("unit", lambda r: UNIT_SIGNS.get(str(r["unit"]), str(r["unit"])), False),
            (f"{_cost(plan)} {AT_RATES}", lambda r: _number(r["cost"], 0), True),
        ),
    )


def _quantities(plan: Plan, run_id: str) -> Table:
    return _quantity_table("Quantities", _summed(plan.of("quantities", run_id)), plan)


def quantities_of_all(plan: Plan) -> Table:
    """Return the quantities of all runs that are drawn."""
    frame = plan.tables["quantities"]
    summed = kinds_together(_summed(frame[frame["run_id"].isin(list(plan.axes))]))
    table = _quantity_table("Quantities of the runs drawn", summed, plan)
    total = float(np.nansum(summed["cost"].to_numpy(dtype=np.float64))) if len(summed) else 0.0
    last = ("total", "", "", _number(total, 0))
    return Table(table.heading, table.columns, (*table.rows, last), table.right)


def runs_drawn(plan: Plan) -> Table:
    """Return the runs that have sheets."""
    frame = plan.tables["runs"]
    length = _in("length", plan)
    return _table(
        "Runs",
        frame[frame["run_id"].isin(list(plan.axes))],
        plan,
        (
            ("run", lambda r: str(r["run_id"]), False),
            (f"length{_column('runs', 'length', plan)}", lambda r: length(r["length"]), True),
            (f"host{_column('runs', 'host_diameter', plan)}",
             _figure("runs", "host_diameter", plan), True),
            ("pits", lambda r: _number(r["pit_count"], 0), True),
            ("pulls", lambda r: _number(r["pull_count"], 0), True),
            ("longest", lambda r: length(r["longest_pull"]), True),
            (_cost(plan), lambda r: _number(r["cost"], 0), True),
            ("carrier", lambda r: str(r["carrier"]), False),
        ),
    )  # fmt: skip


def runs_without_plan(plan: Plan) -> Table:
    """Return the runs that have no sheets, and why."""
    frame = plan.tables["runs"]
    length = _in("length", plan)
    return _table(
        "Runs without sheets",
        frame[frame["run_id"].isin(plan.wanted - set(plan.axes))],
        plan,
        (
            ("run", lambda r: str(r["run_id"]), False),
            (f"length{_column('runs', 'length', plan)}", lambda r: length(r["length"]), True),
            ("reason", lambda r: ": ".join(
                w for w in (in_words(r["status"]), str(r["reason"])) if w), False),
        ),
    )  # fmt: skip


def _findings(plan: Plan, run_id: str) -> Table:
    """Return warnings and errors that concern the run or one of its mains, pits or pulls."""
    frame = plan.tables["findings"]
    frame = frame[frame["severity"].isin(_SEVERE)]
    return _told("Warnings to settle before work starts", frame, plan, run_id, of_all=_OF_ALL_RUNS)


def _assumptions(plan: Plan, run_id: str) -> Table:
    """Return what was assumed for the run, or filled in."""
    frame = plan.tables["findings"]
    frame = frame[~frame["severity"].isin(_SEVERE) & frame["rule"].isin(_ASSUMPTIONS)]
    return _told("What was assumed; prove it before work starts", frame, plan, run_id)


def _told(
    heading: str, frame: Any, plan: Plan, run_id: str, *, of_all: tuple[str, ...] = ()
) -> Table:
    """Return the findings of those given that concern a run; of some rules they concern all."""
    mains = set(str(plan.run(run_id)["main_ids"]).split(","))
    about = [
        rule in of_all
        or _names(feature, run_id, mains)
        or f"run {run_id} " in text
        or f"run {run_id}:" in text
        for rule, feature, text in zip(frame["rule"], frame["feature"], frame["text"], strict=True)
    ]
    return _table(
        heading,
        frame[np.array(about, dtype=bool)],
        plan,
        (
            ("rule", lambda r: str(r["rule"]), False),
            ("of", lambda r: _concerned(str(r["feature"]), run_id, mains), False),
            ("what was found", lambda r: str(r["text"]), False),
        ),
    )


def _concerned(feature: str, run_id: str, mains: set[str]) -> str:
    """Return which of a run a finding is of; of many the first, a feature of no run as it is."""
    several = [] if feature in mains else feature.split(",")
    own = [name for name in several if _names(name, run_id, mains)] or [feature]
    bare = _bare(run_id)
    return listed(["run" if name == run_id else bare(name) for name in own], most=_NAMED)


def _names(feature: str, run_id: str, mains: set[str]) -> bool:
    """Say whether a finding's feature, or one of several, is of a run."""
    return feature in mains or any(
        name in mains or name == run_id or name.startswith(f"{run_id}-")
        for name in feature.split(",")
    )
