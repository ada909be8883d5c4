"""What each run has to carry and stand, gathered from the records of its mains."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Service
from geotools.intake.findings import Findings
from geotools.intake.materials import bore_assumed
from geotools.lists import listed
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.host import CLOSED_M, HAZARDOUS, HostBore, gauged, host_bore
from geotools.pipe.hydraulics import aged_c, host_lining_class, in_series
from geotools.pipe.words import kind_of
from geotools.schema import quantity_text
from geotools.units import percent_text

__all__ = ["host_bores", "service_columns"]

DEFAULT_AGE = 50.0  # years, where no year is on record: common practice, no source
# What the highest on record is taken of, for a whole run: rule, how it is called, what is done.
IN_PART = {
    "flow": ("design-flow-in-part", "a design flow", "the highest of these is taken for all of it"),
    "pressure": (
        "pressure-in-part",
        "a working pressure",
        "the others are taken to work at service.working_pressure, and the run at the highest",
    ),
}
NAMED = 10  # words of a material that are named in a finding


def service_columns(
    mains: pd.DataFrame,
    pieces: pd.DataFrame,
    stations: pd.DataFrame,
    run_ids: list[str],
    service: Service,
    findings: Findings,
) -> pd.DataFrame:
    """Return one row a run: bores, C, pressure, flow and groundwater.

    Columns: ``bore_low`` (m, the narrowest main, low estimate), ``bore`` (m) and ``host_c`` (what
    loses the head of all its mains one after another), ``mean_bore`` (m, what holds their
    volume), ``working`` and ``least_working`` (Pa, the highest and the lowest of its mains, as
    assumed where none is on record), ``flow`` (m3/s, the highest, which the whole run is
    asked to carry; NaN where none is on record), ``head`` (m of groundwater above the deepest
    invert).
    """
    runs = len(run_ids)
    run = pieces["run"].to_numpy(dtype=np.int64)
    rows = mains.iloc[pieces["line"].to_numpy(dtype=np.int64)]
    material = rows["material"].fillna("").to_numpy(dtype=str)
    bore = _bores(rows, material, service)
    length = (pieces["end"] - pieces["start"]).to_numpy(dtype=float)
    effective, host_c = in_series(
        run, length, bore_m=bore.centre_m, c=_c_factor(rows, bore, service.year), runs=runs
    )
    recorded = rows["pressure"].to_numpy(dtype=float)
    pressure = np.where(np.isfinite(recorded), recorded, service.working_pressure)
    depth = stations["depth"].to_numpy(dtype=float)
    deepest = _highest(stations["run"].to_numpy(dtype=np.int64), depth, runs)
    flow = _highest(run, rows["flow"].to_numpy(dtype=float), runs)
    _report(_highest(run, recorded, runs), flow, run_ids, service, findings)
    for name, what in IN_PART.items():
        _report_in_part(pieces[["run", "line"]], mains[name], what, run_ids, findings)
    _report_age(rows, bore, run, run_ids, findings)
    _report_bores(run, length, material, bore, run_ids, findings)
    _report_closed(run, bore, run_ids, service, findings)
    _report_hazardous(run, length, bore, run_ids, findings)
    return pd.DataFrame(
        {
            "bore_low": -_highest(run, -bore.low_m, runs),
            "bore": effective,
            "mean_bore": _mean_bore(run, length, bore.centre_m, runs),
            "host_c": host_c,
            "working": _highest(run, pressure, runs),
            "least_working": -_highest(run, -pressure, runs),
            "flow": flow,
            "head": np.maximum(np.nan_to_num(deepest) - service.water_table, 0.0),
        }
    )


def host_bores(mains: pd.DataFrame, pieces: pd.DataFrame, service: Service) -> pd.DataFrame:
    """Return ``run``, ``start``, ``end`` and ``bore`` (middle estimate, m) of each piece of main.

    And its working ``pressure`` on record, Pa, NaN where none is. Sorted by run and start.
    """
    rows = mains.iloc[pieces["line"].to_numpy(dtype=np.int64)]
    bore = _bores(rows, rows["material"].fillna("").to_numpy(dtype=str), service)
    told = pieces[["run", "start", "end"]].assign(
        bore=bore.centre_m, pressure=rows["pressure"].to_numpy(dtype=float)
    )
    return told.sort_values(["run", "start"], kind="stable", ignore_index=True)


def _bores(rows: pd.DataFrame, material: npt.NDArray[np.str_], service: Service) -> HostBore:
    """Return the bore of each main: as gauged, or as estimated."""
    estimate = host_bore(
        material,
        rows["diameter"].to_numpy(dtype=float),
        rows["installed"].to_numpy(dtype=float),
        lining=service.host_lining,
        cleaned=service.host_cleaned,
        tubercle_m=service.tubercles,
    )
    return gauged(estimate, rows["bore"].to_numpy(dtype=float))


def _highest(run: IntArray, values: FloatArray, runs: int) -> FloatArray:
    """Return the highest value known in each run, NaN where none is."""
    out = np.full(runs, -np.inf)
    known = np.isfinite(values)
    np.maximum.at(out, run[known], values[known])
    return np.where(np.isfinite(out), out, np.nan)


def _mean_bore(run: IntArray, length: FloatArray, bore: FloatArray, runs: int) -> FloatArray:
    """Return the bore of each run that holds what its mains hold together, m."""
    length = np.maximum(length, 1e-6)
    area, whole = (np.bincount(run, w, minlength=runs) for w in (length * bore**2, length))
    with np.errstate(invalid="ignore"):
        mean = np.sqrt(area / whole)
    return np.clip(mean, -_highest(run, -bore, runs), _highest(run, bore, runs))


def _c_factor(rows: pd.DataFrame, bore: HostBore, year: int) -> FloatArray:
    """Return C as on record, or aged by surface and years."""
    surface = host_lining_class(bore.kind, bore.lined)
    recorded = rows["c_factor"].to_numpy(dtype=float)
    age = np.clip(year - rows["installed"].to_numpy(dtype=float), 0, 200)
    aged = aged_c(surface, np.where(np.isfinite(age), age, DEFAULT_AGE))
    return np.where(np.isfinite(recorded), recorded, aged.central)


def _report(
    pressure: FloatArray,
    flow: FloatArray,
    run_ids: list[str],
    service: Service,
    findings: Findings,
) -> None:
    """Say where a default stood in for a record."""
    names = np.array(run_ids, dtype=object)
    assumed = quantity_text(service.working_pressure, "pressure", findings.system, 0)
    findings.add_many(
        "info",
        "assumed-pressure",
        f"no working pressure on record; {assumed} was assumed (service.working_pressure)",
        layer="runs",
        features=_listed(names[~np.isfinite(pressure)]),
    )
    findings.add_many(
        "info",
        "no-design-flow",
        "no design flow on record: instead the carrier is asked to keep "
        f"{percent_text(service.least_capacity)} of the host's capacity at equal gradient "
        "(service.least_capacity)",
        layer="runs",
        features=_listed(names[~np.isfinite(flow)]),
    )


def _report_in_part(
    pieces: pd.DataFrame,
    values: pd.Series,
    what: tuple[str, str, str],
    run_ids: list[str],
    findings: Findings,
) -> None:
    """Say of which runs some mains alone have it on record; ``what`` as of `IN_PART`."""
    rule, name, done = what
    run, line = np.unique(pieces.to_numpy(dtype=np.int64), axis=0).T
    count = np.bincount(run, minlength=len(run_ids))
    recorded = np.isfinite(values.to_numpy(dtype=float))[line]
    known = np.bincount(run, recorded, minlength=len(run_ids)).astype(np.int64)
    for row in np.flatnonzero((known > 0) & (known < count)).tolist():
        findings.add(
            "warning",
            rule,
            f"{name} is on record on {known[row]} of {count[row]} mains of the run; {done}",
            layer="runs",
            feature=run_ids[row],
        )


def _report_age(
    rows: pd.DataFrame, bore: HostBore, run: IntArray, run_ids: list[str], findings: Findings
) -> None:
    """Say of which runs C was taken of an age that is not on record, where it hangs on that."""
    guessed = rows[["c_factor", "installed"]].isna().all(axis=1).to_numpy(dtype=bool)
    surface = host_lining_class(bore.kind, bore.lined)
    new, old = (aged_c(surface, np.full(len(rows), age)).central for age in (0.0, DEFAULT_AGE))
    guessed = guessed & (new != old)
    findings.add_many(
        "info",
        "assumed-age",
        f"neither C nor the year is on record for some of its mains or all: C is taken as of "
        f"{DEFAULT_AGE:g} years; give installed, or c_factor as measured",
        layer="runs",
        features=_listed(np.array(run_ids, dtype=object)[np.unique(run[guessed])]),
    )


def _report_bores(
    run: IntArray,
    length: FloatArray,
    material: npt.NDArray[np.str_],
    bore: HostBore,
    run_ids: list[str],
    findings: Findings,
) -> None:
    """Say of which runs the bore was not measured, and where the material did not help."""
    names = np.array(run_ids, dtype=object)
    guessed = ~bore.measured
    unknown = guessed & (bore.kind == "unknown")
    word = np.char.strip(material)
    told = "by size, year and lining, as of an unknown material; name the material or give bore"
    words, of = np.unique(word, return_inverse=True)
    named = np.array([kind_of(str(text)) != "" for text in words], dtype=np.bool_)[of]
    strange = unknown & (word != "")

    def of_words(chosen: npt.NDArray[np.bool_]) -> str:
        on = findings.length(float(length[chosen].sum()), 0)
        return f"material {_some(word[chosen])} of {on} of mains"

    for severity, rule, chosen, text in (
        (
            "info",
            "assumed-bore",
            guessed,
            "no measured bore on record for some of its mains or all: taken from tables by "
            "material, size, year and lining (host_bore of runs); gauge the main before the "
            "carrier is ordered, and give bore",
        ),
        (
            "info",
            "no-material",
            unknown & (word == ""),
            f"no material on record for some of its mains or all: their bore is taken {told}",
        ),
        (
            "warning",
            "unknown-material",
            strange & ~named,
            f"{of_words(strange & ~named)} is not among the words known, or of "
            f"several: {bore_assumed()}; write a usual word for the material, or give bore",
        ),
        (
            "warning",
            "unknown-material",
            strange & named,
            f"{of_words(strange & named)} is one whose bores are in no table here: "
            f"{bore_assumed()}; give bore",
        ),
    ):
        findings.add_many(
            severity, rule, text, layer="runs", features=_listed(names[np.unique(run[chosen])])
        )


def _report_closed(
    run: IntArray, bore: HostBore, run_ids: list[str], service: Service, findings: Findings
) -> None:
    """Say which runs no carrier enters because lining and tubercles fill the bore of a main."""
    closed = bore.low_m <= CLOSED_M
    high = quantity_text(service.tubercles, "bore", findings.system, 1)
    findings.add_many(
        "warning",
        "bore-closed",
        f"lining and tubercles of {high} (service.tubercles) leave no bore in some of its mains or "
        "all, and no carrier enters; give bore as measured, or have the host cleaned "
        "(service.host_cleaned)",
        layer="runs",
        features=_listed(np.array(run_ids, dtype=object)[np.unique(run[closed])]),
    )


def _report_hazardous(
    run: IntArray, length: FloatArray, bore: HostBore, run_ids: list[str], findings: Findings
) -> None:
    """Warn of every run with a host whose dust harms who cuts it, how much of it there is."""
    for kind in HAZARDOUS:
        of = bore.kind == kind
        metres = np.bincount(run, np.where(of, length, 0.0), minlength=len(run_ids))
        rows = np.unique(run[of])
        findings.add_many(
            "warning",
            "host-hazardous",
            [
                f"{findings.length(m, 0)} of its host are {kind.replace('_', ' ')}: opening, "
                "cutting, cleaning and inspecting it and carting off what is cut out can set "
                "fibres free that harm lungs for good: only by people licensed for it, kept wet, "
                "the waste packed and marked, as the local code says; neither priced nor in the "
                "programme"
                for m in metres[rows]
            ],
            layer="runs",
            features=np.array(run_ids, dtype=object)[rows],
        )


def _some(words: npt.NDArray[np.str_]) -> str:
    """Name the first of some words, and how many more there are."""
    every = np.unique(words).tolist()
    return listed([repr(word[:40]) for word in every], most=NAMED)


def _listed(names: npt.NDArray[np.object_]) -> list[str]:
    """Return all names in one, if there are any: what is said of each is the same."""
    return [",".join(map(str, names))] if len(names) else []
