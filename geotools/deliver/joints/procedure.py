"""Fusing procedures: the window every joint must be made in, by pipe."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pydantic
from pydantic import BaseModel, ConfigDict

from geotools.brief import Length, Pressure, Temperature, Time
from geotools.deliver.joints.records import read_toml
from geotools.errors import LayerError
from geotools.pipe.catalogue import Carrier
from geotools.pipe.fusion import (
    INTERFACIAL_PA,
    fusion_window,
    iso_cooling_s,
    iso_procedure,
)
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.names import Material
from geotools.pipe.ranges import RangeError

__all__ = ["TITLES", "OwnProcedure", "Windows", "read_procedure", "windows"]

_ISO = {"iso_shp": "single_high", "iso_slp": "single_low"}
TITLES = {
    "f2620": "ASTM F2620",
    "iso_shp": "ISO 21307 single high pressure",
    "iso_slp": "ISO 21307 single low pressure",
}
_NUMBERS = (
    "heater_low",
    "heater_high",
    "interfacial_low",
    "interfacial",
    "interfacial_high",
    "bead",
    "soak",
    "removal",
    "cool",
)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Size(_Strict):
    """The window of one pipe size, as the written procedure has it."""

    outside: Length
    dr: float | None = None
    heater_low: Temperature
    heater_high: Temperature
    interfacial_low: Pressure
    interfacial_high: Pressure
    interfacial: Pressure | None = None
    bead: Length | None = None
    soak: Time
    removal: Time
    cool: Time

    @pydantic.model_validator(mode="after")
    def in_order(self) -> Size:
        """Refuse limits that are the wrong way round or not more than 0."""
        aim = self.interfacial if self.interfacial is not None else self.interfacial_low
        if not self.heater_low < self.heater_high:
            raise ValueError("heater_low is not below heater_high")
        if not 0 < self.interfacial_low <= aim <= self.interfacial_high:
            raise ValueError("interfacial_low, interfacial, interfacial_high are not in order")
        if min(self.soak, self.bead or 0.0) < 0 or min(self.outside, self.removal, self.cool) <= 0:
            raise ValueError("sizes and times must be more than 0")
        return self


class OwnProcedure(_Strict):
    """The user's own qualified written procedure."""

    name: str = pydantic.Field(min_length=1, max_length=120)
    materials: list[Material] = ["PVC"]
    size: list[Size] = pydantic.Field(min_length=1)


@dataclass(frozen=True)
class Windows:
    """The windows of pipes.

    Attributes
    ----------
    table : DataFrame
        One row a pipe, in the order given: ``procedure`` (empty where none is known) and the
        limits, SI, NaN where there are none.
    gaps : tuple of str
        What is missing and what to give, one text a pipe.
    """

    table: pd.DataFrame
    gaps: tuple[str, ...]


def read_procedure(path: Path) -> OwnProcedure:
    """Read a written procedure from a TOML file.

    Parameters
    ----------
    path : Path
        ``name``, ``materials`` (PVC unless said) and a ``[[size]]`` for every pipe with its
        ``outside``, ``dr`` if it matters, and its limits with their units.

    Returns
    -------
    OwnProcedure
        As written; nothing is filled in.

    Raises
    ------
    LayerError
        With every fault of the file.
    """
    try:
        return OwnProcedure.model_validate(read_toml(path))
    except pydantic.ValidationError as error:
        raise LayerError(str(path), [_fault(item) for item in error.errors()]) from error


def _fault(item: object) -> str:
    parts = [str(int(p) + 1) if isinstance(p, int) else str(p) for p in item["loc"]]  # type: ignore[index]
    where, kind = " ".join(parts) or "procedure", item["type"]  # type: ignore[index]
    if kind == "extra_forbidden":
        known = sorted({*Size.model_fields, *OwnProcedure.model_fields})
        close = difflib.get_close_matches(parts[-1], known, n=1, cutoff=0.5)
        return f"{where}: no such key; " + (
            f"did you mean {close[0]}?" if close else f"known: {', '.join(known)}"
        )
    if kind == "missing":
        return f"{where}: must be given; take it from the written procedure"
    text = str(item["msg"]).removeprefix("Value error, ")  # type: ignore[index]
    return f"{where}: {text}"


def windows(pipes: list[Carrier], *, procedure: str, own: OwnProcedure | None) -> Windows:
    """Return the window of every pipe.

    Parameters
    ----------
    pipes : list of Carrier
    procedure : {"f2620", "iso_shp", "iso_slp"}
        For polyethylene: ASTM F2620, or the single high or single low pressure procedure of
        ISO 21307.
    own : OwnProcedure, optional
        The user's procedure, for the materials it names. PVC has no open standard: without it
        there are no limits.

    Returns
    -------
    Windows
        Limits, and where there are none.

    Notes
    -----
    Of the ISO procedures the bead, soak and heater removal are not known to the program and
    stay empty; the limits known are from memory (see `geotools.pipe.fusion`).
    """
    rows: list[dict[str, object]] = []
    gaps: list[str] = []
    for pipe in pipes:
        try:
            row = _own_row(pipe, own) or _open_row(pipe, procedure)
        except RangeError as error:
            rows.append({"procedure": ""})
            gaps.append(f"{pipe.name}: no limits are known for this size ({error})")
            continue
        rows.append(row)
        if not row["procedure"]:
            gaps.append(_gap(pipe, own))
    return Windows(pd.DataFrame(rows, columns=["procedure", *_NUMBERS]), tuple(gaps))


def _gap(pipe: Carrier, own: OwnProcedure | None) -> str:
    if own is None or pipe.material not in own.materials:
        return (
            f"{pipe.name}: there is no open standard for fusing it; give your qualified written "
            "procedure with --procedure-file"
        )
    return f"{pipe.name}: the procedure {own.name!r} has no [[size]] for it"


def _own_row(pipe: Carrier, own: OwnProcedure | None) -> dict[str, object] | None:
    """Return the user's window of a pipe; None where the procedure is not for its material."""
    if own is None or pipe.material not in own.materials:
        return None
    fits = [
        size
        for size in own.size
        if np.isclose(size.outside, pipe.outside_m, rtol=0.005)
        and (size.dr is None or np.isclose(size.dr, pipe.dr, rtol=0.01))
    ]
    if len(fits) != 1:
        if fits:
            raise LayerError(own.name, f"{len(fits)} of its sizes fit {pipe.name}; one is due")
        return {"procedure": ""}
    given = fits[0].model_dump(exclude={"outside", "dr"})
    known = {name: value for name, value in given.items() if value is not None}
    return {"procedure": own.name, **known}


def _open_row(pipe: Carrier, procedure: str) -> dict[str, object]:
    """Return the window of a pipe by an open standard."""
    if not is_polyethylene(pipe.material):
        return {"procedure": ""}
    if procedure == "f2620":
        return {"procedure": TITLES[procedure], **_f2620(pipe)}
    iso = iso_procedure(_ISO[procedure])
    return {
        "procedure": TITLES[procedure],
        "heater_low": iso.heater_low_c,
        "heater_high": iso.heater_high_c,
        "interfacial_low": iso.fusion_pa - iso.tolerance_pa,
        "interfacial": iso.fusion_pa,
        "interfacial_high": iso.fusion_pa + iso.tolerance_pa,
        "cool": float(iso_cooling_s(pipe.wall_min_m, _ISO[procedure])),
    }


def _f2620(pipe: Carrier) -> dict[str, float]:
    window = fusion_window(pipe.outside_m, pipe.wall_min_m)
    low, aim, high = INTERFACIAL_PA
    return {
        "heater_low": window.heater_low_c,
        "heater_high": window.heater_high_c,
        "interfacial_low": low,
        "interfacial": aim,
        "interfacial_high": high,
        "bead": float(window.bead_m),
        "soak": float(window.soak_s),
        "removal": float(window.removal_s),
        "cool": float(window.cool_s),
    }
