"""Settings, units, inputs, findings and the designer's edits."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pydantic
import pyproj
import pyproj.database
import pyproj.exceptions
import shapely

from geotools.brief import Brief, Setting, declared
from geotools.cautions import CAUTIONS
from geotools.deliver.verify.coverage import opened
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.deliver.working_crs import WORKING_CRS
from geotools.intake.crs import crs_name, horizontal
from geotools.lists import list_from_text
from geotools.program import PROGRAM
from geotools.schema import INPUTS, OUTPUTS, ROLES
from geotools.units import unit_of

__all__ = ["AT", "RULES", "honoured_edits"]

AT = 0.011  # m; a pit this near a fixed place is the one meant, and a hair for rounding
IN_MEMORY = "GeoDataFrame"  # the source of a layer that was in no file
ORIGINS = ("default", "brief", "command line")
_EDIT = re.compile(r"(fix|forbid) (.+) at [\d,.]+ \w+ of run (.+): honoured(?:; .*)?\Z")


def settings(plan: Plan) -> Tally:
    """Check that every setting is there, within its range, in its unit, with its origin."""
    tally = Tally("settings")
    rows = {row.name: row for row in plan.rows("settings")}
    for key, setting in declared().items():
        row = rows.get(key)
        if not tally.holds(row is not None, key, "is missing") or row is None:
            continue
        tally.holds(row.origin in ORIGINS, key, f"origin is {row.origin!r}")
        tally.holds(row.text == setting.text, key, "means something else")
        if setting.kind is not None and row.value != "none" and setting.type != "list":
            _quantity(tally, row, setting.kind)
    for name in set(rows) - set(declared()) - set(CAUTIONS) - {PROGRAM, WORKING_CRS}:
        tally.holds(False, name, "is no setting")
    _ranges(tally, rows)
    _measured_as_wanted(tally, rows)
    for name, text in CAUTIONS.items():
        tally.holds(name in rows and rows[name].text == text, name, "the caution is missing")
    return tally


def _measured_as_wanted(tally: Tally, rows: dict[str, Any]) -> None:
    """Check that lengths were taken in the CRS the brief wants, where it wants one."""
    key = "network.working_crs"
    if key not in rows or WORKING_CRS not in rows or rows[key].value == "none":
        return
    wanted, told = rows[key].value, rows[WORKING_CRS].value
    try:
        same = horizontal(pyproj.CRS(wanted)).equals(pyproj.CRS(told), ignore_axis_order=True)
    except pyproj.exceptions.CRSError:
        same = False
    tally.holds(same, WORKING_CRS, f"is {told}, and {key} is {wanted}")


def _ranges(tally: Tally, rows: dict[str, Any]) -> None:
    """Check that every value is one the brief takes."""
    data: dict[str, dict[str, object]] = {}
    for key, setting in declared().items():
        open_ = setting.written == "none"
        if key in rows and not (open_ and rows[key].value == "none"):
            section, _, name = key.partition(".")
            data.setdefault(section, {})[name] = _as_given(setting, rows[key].value)
    try:
        Brief.model_validate(data)
    except pydantic.ValidationError as error:
        for fault in error.errors():
            key = ".".join(str(part) for part in fault["loc"][:2])
            tally.holds(False, key, f"{fault['input']!r}: {fault['msg']}")
    tally.checked += len(data)


def _as_given(setting: Setting, text: str) -> object:
    """Return a value as a brief would give it; what cannot be read stays text and is refused."""
    if setting.type == "list":
        try:
            return list_from_text(text)
        except ValueError:
            return text
    if setting.type == "flag":
        return {"true": True, "false": False}.get(text, text)
    if setting.kind == "per_item" or setting.type in ("integer", "number"):
        try:
            return float(text)
        except ValueError:
            return text
    return text


def _quantity(tally: Tally, row: Any, kind: str) -> None:
    """Check that a quantity is written in the unit its row names."""
    try:
        unit = unit_of(row.value, kind)
    except ValueError as error:
        tally.holds(False, row.name, str(error))
        return
    tally.holds(unit == row.unit, row.name, f"{row.value!r} is not in {row.unit or 'no unit'}")


def units(plan: Plan) -> Tally:
    """Check that every column bears the unit of the system the settings name."""
    tally = Tally()
    for name in plan.layers:
        if name not in plan.columns:
            continue
        for wanted in OUTPUTS[name].fields:
            if wanted.dimension is not None and (not wanted.later or plan.holds(name, wanted.name)):
                due = wanted.column(plan.units)
                tally.holds(due in plan.columns[name], due, "no such column", layer=name)
                others = set(wanted.spellings()) - {due}
                twice = sorted(others & set(plan.columns[name]))
                tally.holds(not twice, due, f"also stands as {', '.join(twice)}", layer=name)
    stated = plan.setting("output.units")
    tally.holds(stated == plan.units, "output.units", f"is {stated}", layer="settings")
    return tally


def inputs(plan: Plan) -> Tally:
    """Check that every file read is told with its hash, its CRS and sound counts.

    What is allowed from afar has no hash, nor had what earlier versions read from memory: of the
    first it is said that none is told.
    """
    tally = Tally("inputs")
    rows = plan.rows("inputs")
    tally.holds(
        "mains" in {row.layer for row in rows}, "mains", "nothing is told of the mains read"
    )
    hashed = {row.source for row in rows if row.sha256 and row.layer != "dem"}
    for row in rows:
        tally.holds(row.layer in {*INPUTS, "dem"}, row.layer, "is no layer a plan reads")
        tally.holds(row.source, row.layer, "what was read is not told")
        if row.sha256:
            tally.holds(re.fullmatch(r"[0-9a-f]{64}", row.sha256), row.layer, "hash is none")
        else:
            text = f"has no hash, and other layers of {row.source} have one"
            tally.holds(row.layer == "dem" or row.source not in hashed, row.layer, text)
            if row.source != IN_MEMORY:
                tally.skip(f"hash of {row.source}: none is told, as of no local file")
        if _crs_known(tally, row) and row.layer == "mains":
            _written_in(plan, tally, row)
        _counted(plan, tally, row)
    return tally


def _crs_known(tally: Tally, row: Any) -> bool:
    """Check that a CRS is told, and if by a code, that it is one; others have names alone."""
    told = tally.holds(row.crs, row.layer, "its CRS is not told")
    if not _coded(row.crs):
        return told
    try:
        pyproj.CRS.from_user_input(row.crs)
    except pyproj.exceptions.CRSError:
        return tally.holds(False, row.layer, f"{row.crs} is no CRS")
    return True


def _coded(name: str) -> bool:
    """Say whether a CRS is told by a code."""
    return name.partition(":")[0] in pyproj.database.get_authorities()


def _written_in(plan: Plan, tally: Tally, row: Any) -> None:
    """Check that the plan lies in the CRS of the mains: by the horizontal parts.

    One that has no code is told by its name, and bears in the file whatever name keeps its places
    there; nor can it be looked up.
    """
    if plan.written is None:
        return
    name = crs_name(plan.written)
    if name == row.crs:
        tally.holds(True, row.layer, "")
    elif not _coded(row.crs) or not _coded(name):
        text = f"the CRS of the plan, {name}, against that of the mains, {row.crs}"
        tally.skip(f"{text}: one without a code cannot be looked up")
    else:
        due, found = (horizontal(crs) for crs in (pyproj.CRS(row.crs), plan.written))
        same = due.equals(found, ignore_axis_order=True)
        tally.holds(same, row.layer, f"are in {row.crs}, and the plan is in {name}")


def _counted(plan: Plan, tally: Tally, row: Any) -> None:
    """Check the counts of features: none is used that was not read, and of the mains some are."""
    read, used = row.features_read, row.features_used
    tally.holds(not read < 0, row.layer, "read fewer features than none")
    tally.holds(not used < 0, row.layer, "used fewer features than none")
    tally.holds(not used > read, row.layer, f"{used:.0f} features used of {read:.0f} read")
    if row.layer == "mains" and plan.rows("runs"):
        tally.holds(not used < 1, row.layer, "no main was used, and there are runs")


def findings_form(plan: Plan) -> Tally:
    """Check that every finding has a severity, a rule, a layer and says something."""
    tally = Tally("findings")
    for row in plan.rows("findings"):
        name = row.rule or row.text[:40]
        tally.holds(row.severity in ("info", "warning", "error"), name, "has no severity")
        tally.holds(re.fullmatch(r"[a-z]+(-[a-z]+)*", row.rule), name, "its rule has no name")
        tally.holds(len(row.text.split()) > 1, name, "says nothing")
    return tally


def findings_due(plan: Plan) -> Tally:
    """Check that assumed cover, unknown ground, runs without plan, layers not given are told."""
    tally = Tally("findings")
    told = {(row.rule, row.feature) for row in plan.rows("findings")}
    for run in plan.rows("runs"):
        due = {"no_plan": "no-plan", "not_suitable": "no-carrier"}.get(run.status)
        if due is not None:
            there = (due, run.run_id) in told
            tally.holds(there, run.run_id, f"is {run.status}, and no finding says so")
    read = {row.layer for row in plan.rows("inputs")}
    absent = {
        name
        for row in plan.rows("findings")
        if row.rule in ("layer-not-given", "no-dem", "empty-layer")
        for name in (row.layer, row.feature)
    }
    for name in (
        "dem",
        "streets",
        "valves",
        "fittings",
        "laterals",
        "hydrants",
        "sources",
        "avoid",
    ):
        tally.holds(name in read | absent, name, "was not read, and no finding says so")
    bare, unlimited = (
        {f for rule, names in told if rule == wanted for f in names.split(",")}
        for wanted in ("levels-unknown", "grout-limit-unknown")
    )
    for pull in plan.rows("pulls"):
        there = {
            "filled": ("levels-filled", pull.pull_id) in told,
            "none": pull.pull_id in bare,
        }.get(pull.z_source, True)
        tally.holds(there, pull.pull_id, "levels are not known, and no finding says so")
    if plan.setting("pulls.grouted"):
        for section in plan.rows("sections"):
            if math.isnan(section.grout_limit):
                there = section.pull_id in unlimited
            else:
                there = section.grout_limit > 0
                there |= ("grout-beyond-limit", section.pull_id) in told
            tally.holds(there, section.pull_id, "may not be grouted, and no finding says so")
    if "stations" not in plan.tables:
        tally.skip("findings on stations: the plan was written without them")
        return tally
    _stations_due(plan, tally, told)
    return tally


def _stations_due(plan: Plan, tally: Tally, told: set[tuple[str, str]]) -> None:
    """Check that stations of assumed depth, and stations and pits of unknown ground, are told.

    Of the first it is told with the second where the ground filled in gives the depth.
    """
    table = plan.tables["stations"]
    unknown = ~np.isfinite(table["ground_z"].to_numpy(dtype=float))
    assumed = (table["depth_source"] == "assumed").to_numpy(dtype=bool)
    known_runs = set(table.loc[~unknown, "run_id"])
    bridged = unknown & np.isfinite(table["axis_z"].to_numpy(dtype=float))
    bridged &= table["run_id"].isin(known_runs).to_numpy(dtype=bool)
    for rows, rule in ((assumed & ~bridged, "assumed-cover"), (assumed & bridged, "no-ground")):
        of = table.loc[rows, ["run_id", "main_id"]]
        for run_id, main in sorted(set(of.itertuples(index=False, name=None))):
            there = bool({(rule, main), (rule, run_id)} & told)
            tally.holds(there, run_id, f"the depth of {main} is assumed, and no finding says so")
    dem = any(rule == "no-dem" for rule, _ in told)
    for run_id in sorted(set(table.loc[unknown, "run_id"])):
        there = dem or ("no-ground", run_id) in told
        tally.holds(there, run_id, "has no ground level in places, and no finding says so")
    places = {run: list(rows) for run, rows in table.loc[unknown].groupby("run_id")["chainage"]}
    for pit in plan.rows("pits"):
        low, high = pit.chainage - pit.before + CLOSE, pit.chainage + pit.after - CLOSE
        lost = places.get(pit.run_id, ()) if pit.run_id in known_runs else ()
        bare = any(low <= place <= high or abs(place - pit.chainage) <= CLOSE for place in lost)
        there = not bare or ("pit-ground-unknown", pit.pit_id) in told
        tally.holds(there, pit.pit_id, "stands where no ground level is known, and none says so")


def honoured_edits(plan: Plan) -> list[tuple[str, str, str, float, str]]:
    """Return the edits told to be honoured: run, action, role or empty, chainage, text."""
    lines = {run.run_id: run.geometry for run in plan.rows("runs")}
    out = []
    for row in plan.rows("findings"):
        found = _EDIT.match(row.text) if row.rule == "edit-honoured" else None
        if found is not None and found[3] in lines:
            line = shapely.line_merge(lines[found[3]])
            at = float(shapely.line_locate_point(line, row.geometry))
            role = found[2] if found[2] in ROLES else ""
            out.append((found[3], found[1], role, at, row.text))
    return out


def edits(plan: Plan) -> Tally:
    """Check that edits are answered, and those told to be honoured are."""
    tally = Tally("pit_edits")
    answered = sum(row.layer == "pit_edits" for row in plan.rows("findings"))
    given = sum(row.features_used for row in plan.rows("inputs") if row.layer == "pit_edits")
    tally.holds(answered >= given, "", f"{answered} of {given:.0f} edits are answered")
    said = sum(row.rule == "edit-honoured" for row in plan.rows("findings"))
    known = honoured_edits(plan)
    tally.holds(len(known) == said, "", "an edit is told of in words nobody can follow")
    reach = plan.setting("pits.forbid_reach")
    for run_id, action, role, at, text in known:
        pits = plan.by("pits", "run_id").get(run_id, [])
        meant = [pit for pit in pits if not role or pit.role == role]
        if action == "forbid":
            clear = all(
                start >= at + reach - AT or end <= at - reach + AT
                for start, end in map(opened, meant)
            )
            tally.holds(clear, run_id, f"a pit opens the main there: {text}")
        else:
            there = any(abs(pit.chainage - at) <= AT for pit in meant)
            tally.holds(there, run_id, f"no such pit: {text}")
    return tally


RULES = (
    Rule("settings", "settings and cautions: all there, in range and unit", settings),
    Rule("units", "every column is in the unit its name says", units),
    Rule("inputs", "files read are told with hash, CRS (the plan's too) and counts", inputs),
    Rule("findings", "findings have severity, rule and text", findings_form),
    Rule("findings-due", "what was assumed or refused is a finding", findings_due),
    Rule("edits", "the designer's edits are answered and honoured", edits),
)
