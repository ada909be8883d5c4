"""The carrier of every run, and what follows from it for bends and pulls."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import CarrierChoice, Pulls
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import Carrier, as_columns, carrier, contenders
from geotools.pipe.fit import fit
from geotools.pipe.host import host_bore
from geotools.pipe.pulling import allowable_tension_n, machine_capacity_n, weight_n_per_m

__all__ = ["assign_carriers", "carrier_columns", "host_bores"]

STANDARD_GRAVITY = 9.80665  # m/s2


def host_bores(mains: pd.DataFrame, pieces: pd.DataFrame, runs: int) -> FloatArray:
    """Return the least bore met along every run, m: the low estimate, or the measured bore."""
    line = pieces["line"].to_numpy(dtype=np.int64)
    rows = mains.iloc[line]
    bore = host_bore(
        rows["material"].fillna("").to_numpy(dtype=str),
        rows["diameter"].to_numpy(dtype=float),
        rows["installed"].to_numpy(dtype=float),
        measured_m=rows["bore"].to_numpy(dtype=float),
    )
    least = np.full(runs, np.inf)
    np.minimum.at(least, pieces["run"].to_numpy(dtype=np.int64), bore.low_m)
    return least


def assign_carriers(
    bores: FloatArray, choice: CarrierChoice
) -> tuple[list[Carrier], IntArray, npt.NDArray[np.object_]]:
    """Give every run the carrier named in the brief, or the largest of its kind that clears.

    Returns
    -------
    carriers : list of Carrier
        The pipes used.
    index : ndarray of int64, shape (runs,)
        Row of `carriers` for each run; -1 where none clears.
    reason : ndarray of str, shape (runs,)
        Why a run has none.
    """
    if choice.nominal is not None:
        pipes = [
            carrier(
                system=choice.system, nominal=choice.nominal, material=choice.material, dr=choice.dr
            )
        ]
    else:
        pipes = contenders(systems=[choice.system], materials=[choice.material], drs=[choice.dr])
        pipes.sort(key=lambda pipe: pipe.outside_m)
    if not pipes:
        reason = (
            f"the catalogue has no {choice.material} pipe of DR {choice.dr:g} in {choice.system}"
        )
        return [], np.full(len(bores), -1), np.full(len(bores), reason, dtype=object)
    columns = as_columns(pipes)
    clears = fit(
        bores[:, None],
        np.asarray(columns.outside_m)[None, :],
        share=choice.clearance_share,
        bead_m=choice.bead_height,
    ).passes
    index = np.where(clears.any(axis=1), len(pipes) - 1 - clears[:, ::-1].argmax(axis=1), -1)
    smallest = pipes[0].name
    reasons = [
        ""
        if row >= 0
        else f"{smallest} does not clear the bore of {bore * 1000:.0f} mm by "
        f"{choice.clearance_share:.0%} (carrier.clearance_share)"
        for row, bore in zip(index, bores, strict=True)
    ]
    return pipes, index.astype(np.int64), np.array(reasons, dtype=object)


def carrier_columns(
    pipes: list[Carrier], index: IntArray, bores: FloatArray, choice: CarrierChoice, pulls: Pulls
) -> pd.DataFrame:
    """Return what the plan needs to know of each run's carrier; NaN where it has none.

    Columns: ``carrier``, ``outside``, ``clearance``, ``radius`` (m), ``weight`` (N/m),
    ``mass`` (kg/m), ``allowable`` (N), ``governed_by``.
    """
    known = index >= 0
    safe = np.maximum(index, 0)
    if not pipes:
        return _no_carriers(len(index))
    columns = as_columns(pipes)
    outside = np.asarray(columns.outside_m)[safe]
    radius = least_radius_m(
        columns.material, columns.dr, columns.outside_m, temperature_c=choice.temperature
    )[safe]
    weight = weight_n_per_m(columns)[safe]
    tension = pulls.force_share * allowable_tension_n(
        columns, hours=pulls.duration / 3600, temperature_c=choice.temperature
    )
    machine = float(machine_capacity_n(pulls.machine_capacity, usable=pulls.machine_share))
    pipe_limit = tension[safe]
    return pd.DataFrame(
        {
            "carrier": np.where(known, columns.name[safe].astype(object), ""),
            "outside": np.where(known, outside, np.nan),
            "clearance": np.where(known, bores - outside - 2 * choice.bead_height, np.nan),
            "radius": np.where(known, radius, np.nan),
            "weight": np.where(known, weight, np.nan),
            "mass": np.where(known, weight / STANDARD_GRAVITY, np.nan),
            "allowable": np.where(known, np.minimum(pipe_limit, machine), np.nan),
            "governed_by": np.where(pipe_limit <= machine, "pipe", "machine").astype(object),
        }
    )


def _no_carriers(runs: int) -> pd.DataFrame:
    numbers = ("outside", "clearance", "radius", "weight", "mass", "allowable")
    table = pd.DataFrame({name: np.full(runs, np.nan) for name in numbers})
    return table.assign(carrier="", governed_by="")
