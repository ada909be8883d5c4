"""Carrier pipes that are made: outside diameters, walls, bores."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe import bounds
from geotools.pipe._tables import rows
from geotools.pipe.factors import to_si
from geotools.pipe.materials import is_polyethylene, material_property
from geotools.pipe.names import MATERIALS, SYSTEMS
from geotools.pipe.ranges import ChoiceError, FloatArray, check_choice, check_range

__all__ = [
    "Carrier",
    "CarrierColumns",
    "CarrierLike",
    "as_columns",
    "carrier",
    "closest_names",
    "contenders",
    "custom_carrier",
    "iso_wall_m",
    "own_ratios",
]

# ISO 4065: the pipe series S are Renard numbers; the SDR is only their rounded name.
_ISO_EXPONENT = {
    7.4: 0.5, 9.0: 0.6, 11.0: 0.7, 13.6: 0.8, 17.0: 0.9, 21.0: 1.0, 26.0: 1.1, 33.0: 1.2, 41.0: 1.3
}  # fmt: skip
_SIZED = re.compile(r"(\d+(?:\.\d+)?) ?((?:mm|in) .+)\Z")
_PVC_U_FROM_M = 0.110  # below, C is 2.5 and not the 2.0 its design stress is taken with


class CarrierLike(Protocol):
    """One carrier, or columns of them: what the formulas need to know of the pipe."""

    @property
    def material(self) -> str | NDArray[np.str_]:
        """Material, one of `names.MATERIALS`."""

    @property
    def dr(self) -> float | FloatArray:
        """Outside diameter over minimum wall, as named."""

    @property
    def outside_m(self) -> float | FloatArray:
        """Outside diameter, m."""

    @property
    def wall_min_m(self) -> float | FloatArray:
        """Minimum wall, m: strength."""

    @property
    def wall_average_m(self) -> float | FloatArray:
        """Average wall, m: weight and bore."""

    @property
    def bore_m(self) -> float | FloatArray:
        """Average inside diameter, m: flow."""

    @property
    def density(self) -> float | FloatArray:
        """Density of the material, kg/m3."""


@dataclass(frozen=True)
class Carrier:
    """One carrier pipe, SI units.

    Attributes
    ----------
    name : str
        Unique in a catalogue, e.g. ``20 in DIPS DR 17 PE4710``.
    system : str
        Outside-diameter system: DIPS, IPS, METRIC, or a user's own.
    nominal : str
        Nominal size with its unit, e.g. ``20 in`` or ``560 mm``.
    material : str
        One of `names.MATERIALS`.
    dr : float
        Dimension ratio as named.
    outside_m, wall_min_m, wall_average_m, bore_m : float
        Outside diameter, minimum and average wall, average bore, m.
    density : float
        kg/m3.
    """

    name: str
    system: str
    nominal: str
    material: str
    dr: float
    outside_m: float
    wall_min_m: float
    wall_average_m: float
    bore_m: float
    density: float


@dataclass(frozen=True)
class CarrierColumns:
    """Carriers as columns of arrays, one element per carrier, in the order given.

    Attributes
    ----------
    name, system, nominal, material : ndarray of str
        As in `Carrier`.
    dr, outside_m, wall_min_m, wall_average_m, bore_m, density : ndarray of float
        As in `Carrier`.
    """

    name: NDArray[np.str_]
    system: NDArray[np.str_]
    nominal: NDArray[np.str_]
    material: NDArray[np.str_]
    dr: FloatArray
    outside_m: FloatArray
    wall_min_m: FloatArray
    wall_average_m: FloatArray
    bore_m: FloatArray
    density: FloatArray

    def __len__(self) -> int:
        return int(self.name.size)


@cache
def _outside_table() -> dict[tuple[str, str], float]:
    return {
        (row["system"], row["nominal"]): to_si(float(row["outside"]), row["unit"])
        for row in rows("outside_diameters")
    }


def _nominals(system: str) -> list[str]:
    return [nominal for known, nominal in _outside_table() if known == system]


def _tidy_nominal(system: str, nominal: str) -> str:
    """Bring '20', '20in', '20 in' and 'dn 560' to the spelling of the table."""
    unit = "mm" if system == "METRIC" else "in"
    found = re.fullmatch(rf"\s*(?:dn|DN)?\s*(\d+(?:\.0+)?)\s*(?:{unit})?\s*", nominal)
    tidy = f"{float(found.group(1)):g} {unit}" if found else nominal
    return check_choice(f"nominal ({system})", tidy, _nominals(system))


def _number(nominal: str) -> float:
    return float(nominal.split()[0])


def _made(system: str, material: str) -> dict[float, tuple[float, float]]:
    """Dimension ratios made in this system and material, each with its smallest, largest size."""
    return {
        float(row["dr"]): (_number(row["smallest"]), _number(row["largest"]))
        for row in rows("dimension_ratios")
        if row["system"] == system and row["material"] == material
    }


def iso_wall_m(outside_m: ArrayLike, sdr: float) -> FloatArray:
    """Minimum wall of a metric pipe.

    Parameters
    ----------
    outside_m : array_like
        Outside diameter dn, m; 0.016 to 2.0.
    sdr : float
        7.4, 9, 11, 13.6, 17, 21, 26, 33 or 41.

    Returns
    -------
    ndarray of float
        Wall e_min, m.

    Raises
    ------
    RangeError
        If the diameter or the SDR is outside the series.

    Notes
    -----
    ISO 4065 / ISO 4427-2 / ISO 1452-2: e = dn/(2 S + 1), S the exact preferred number (not the
    rounded SDR), rounded up to 0.1 mm; an excess under 0.005 mm is dropped. Rule from memory; it
    reproduces the printed columns as remembered up to dn 900; dn 1000 and above is weak. Confirm
    against the standard.
    """
    dn = check_range("outside_m", outside_m, 0.016, 2.0, "m")
    if sdr not in _ISO_EXPONENT:
        raise ChoiceError("sdr", sdr, "one of " + ", ".join(f"{k:g}" for k in _ISO_EXPONENT))
    series = 10.0 ** _ISO_EXPONENT[sdr]
    wall_mm = dn * 1e3 / (2.0 * series + 1.0)
    return np.asarray(np.ceil((wall_mm - 0.005) * 10.0) / 10.0 / 1e3, dtype=np.float64)


def _build(system: str, nominal: str, material: str, dr: float) -> Carrier:
    outside = _outside_table()[system, nominal]
    wall = float(iso_wall_m(outside, dr)) if system == "METRIC" else outside / dr
    label = f"SDR {dr:g}" if system == "METRIC" else f"{system} DR {dr:g}"
    return _finish(f"{nominal} {label} {material}", system, nominal, material, dr, outside, wall)


def _finish(
    name: str,
    system: str,
    nominal: str,
    material: str,
    dr: float,
    outside: float,
    wall: float,
) -> Carrier:
    average = wall * material_property(material, "wall_average_factor")
    return Carrier(
        name=name,
        system=system,
        nominal=nominal,
        material=material,
        dr=float(dr),
        outside_m=outside,
        wall_min_m=wall,
        wall_average_m=average,
        bore_m=outside - 2.0 * average,
        density=material_property(material, "density"),
    )


def carrier(*, system: str, nominal: str, material: str, dr: float) -> Carrier:
    """Take one pipe from the catalogue.

    Parameters
    ----------
    system : str
        DIPS, IPS or METRIC.
    nominal : str
        ``"20 in"``, ``"560 mm"``; the unit may be left out.
    material : str
        One of `names.MATERIALS`.
    dr : float
        Dimension ratio (SDR for METRIC).

    Returns
    -------
    Carrier
        The pipe.

    Raises
    ------
    ChoiceError
        If the catalogue has no such pipe; the message lists what there is.

    Notes
    -----
    Minimum wall: OD/DR, for METRIC the rule of `iso_wall_m`. Average wall, and with it weight and
    bore: minimum wall x 1.06 for PE (PPI Handbook, AWWA M55: bore = OD - 2.12 OD/DR) and for PVC-U
    (half the tolerance of ISO 1452-2), and x 1.03 for PVC (trade-association data book: bore =
    OD - 2.06 t). Tables that print OD - 2 t give a
    slightly larger bore.
    """
    check_choice("system", system, SYSTEMS)
    check_choice("material", material, MATERIALS)
    size = _tidy_nominal(system, nominal)
    made = _made(system, material)
    if not made:
        pairs = sorted({f"{row['system']} {row['material']}" for row in rows("dimension_ratios")})
        wanted = "one of " + ", ".join(pairs)
        raise ChoiceError("system and material", f"{system} {material}", wanted)
    if float(dr) not in made:
        listed = ", ".join(f"{ratio:g}" for ratio in made)
        raise ChoiceError("dr", f"{dr:g}", f"for {system} {material} one of {listed}")
    low, high = made[float(dr)]
    if not low <= _number(size) <= high:
        raise ChoiceError(
            "nominal", size, f"for {system} {material} DR {dr:g} from {low:g} to {high:g}"
        )
    return _build(system, size, material, float(dr))


def custom_carrier(
    name: str,
    *,
    material: str,
    outside_m: float,
    wall_min_m: float,
) -> Carrier:
    """Describe a pipe that is not in the catalogue.

    Parameters
    ----------
    name : str
        The user's name for it.
    material : str
        One of `names.MATERIALS`.
    outside_m, wall_min_m : float
        Outside diameter and minimum wall, m.

    Returns
    -------
    Carrier
        The pipe, of the system "own", its outside diameter in mm as nominal size, with the average
        wall of its material.

    Raises
    ------
    RangeError
        If the diameter is outside 0.02 to 3 m (PVC-U 0.11 to 3 m: below, its design coefficient is
        another) or OD/wall outside `own_ratios`.
    """
    check_choice("material", material, MATERIALS)
    least, most = bounds.OUTSIDE_M
    least = _PVC_U_FROM_M if material == "PVC-U" else least
    outside = float(check_range("outside_m", outside_m, least, most, "m"))
    thick, thin = own_ratios(material)
    wall = float(check_range("wall_min_m", wall_min_m, outside / thin, outside / thick, "m"))
    ratio = round(outside / wall, 6)
    return _finish(name, "own", f"{outside * 1e3:g} mm", material, ratio, outside, wall)


def own_ratios(material: str) -> tuple[float, float]:
    """Return the least and greatest OD/wall of a pipe of one's own: what formulas hold for.

    Parameters
    ----------
    material : str
        One of `names.MATERIALS`.

    Returns
    -------
    tuple of float
        5 and 41 for polyethylene, 5 and 100 otherwise.

    Raises
    ------
    ChoiceError
        If the material is unknown.
    """
    return bounds.PE_RATIO if is_polyethylene(material) else bounds.OWN_RATIO


def closest_names(name: str, names: Iterable[str]) -> list[str]:
    """Find the pipes most likely meant by a name that none bears.

    Parameters
    ----------
    name : str
        What was written.
    names : iterable of str
        Names of pipes, at least one.

    Returns
    -------
    list of str
        Where only the size is not made, the next smaller and larger of the same system, DR and
        material; else the first that goes on from what was written, or the most alike.
    """
    known = list(names)
    size, rest = _sized(name)
    sizes = sorted((s, other) for other in known for s, r in [_sized(other)] if rest and r == rest)
    smaller, larger = ([o for s, o in sizes if s < size], [o for s, o in sizes if s > size])
    if sizes and len(smaller) + len(larger) == len(sizes):
        return smaller[-1:] + larger[:1]
    start = " ".join(name.lower().split())
    for other in known:
        if start and other.lower().startswith(start):
            return [other]
    return difflib.get_close_matches(name, known, n=1, cutoff=0.0)


def _sized(name: str) -> tuple[float, str]:
    """Return the size in the name of a pipe and the rest of it; no rest where it has no size."""
    found = _SIZED.match(" ".join(name.lower().split()))
    return (float(found[1]), found[2]) if found else (0.0, "")


def contenders(
    *,
    systems: Iterable[str] = SYSTEMS,
    materials: Iterable[str] = MATERIALS,
    drs: Iterable[float] | None = None,
    extra: Sequence[Carrier] = (),
) -> list[Carrier]:
    """List the catalogue, or the part of it wanted, and the user's own pipes.

    Parameters
    ----------
    systems, materials : iterable of str, optional
        Keep only these.
    drs : iterable of float, optional
        Keep only these dimension ratios.
    extra : sequence of Carrier, optional
        The user's own pipes; appended whole, not filtered.

    Returns
    -------
    list of Carrier
        By system, material, dimension ratio and size; then `extra`.

    Raises
    ------
    ChoiceError
        If a system or material is unknown, or two pipes share a name.
    """
    wanted = None if drs is None else {float(ratio) for ratio in drs}
    found = [
        pipe
        for system in systems
        for material in materials
        for pipe in _range_of(check_choice("systems", system, SYSTEMS), material)
        if wanted is None or pipe.dr in wanted
    ]
    found.extend(extra)
    names = Counter(pipe.name for pipe in found)
    twice = sorted(name for name, times in names.items() if times > 1)
    if twice:
        raise ChoiceError("extra", ", ".join(twice), "names not used before")
    return found


@cache
def _range_of(system: str, material: str) -> tuple[Carrier, ...]:
    check_choice("materials", material, MATERIALS)
    return tuple(
        _build(system, nominal, material, ratio)
        for ratio, (low, high) in _made(system, material).items()
        for nominal in _nominals(system)
        if low <= _number(nominal) <= high
    )


def as_columns(carriers: Sequence[Carrier]) -> CarrierColumns:
    """Turn a list of pipes into columns of arrays.

    Parameters
    ----------
    carriers : sequence of Carrier
        Any number, also none.

    Returns
    -------
    CarrierColumns
        One element per pipe, same order.
    """

    def text(field: str) -> NDArray[np.str_]:
        return np.array([getattr(pipe, field) for pipe in carriers], dtype=np.str_)

    def number(field: str) -> FloatArray:
        return np.array([getattr(pipe, field) for pipe in carriers], dtype=np.float64)

    return CarrierColumns(
        name=text("name"),
        system=text("system"),
        nominal=text("nominal"),
        material=text("material"),
        dr=number("dr"),
        outside_m=number("outside_m"),
        wall_min_m=number("wall_min_m"),
        wall_average_m=number("wall_average_m"),
        bore_m=number("bore_m"),
        density=number("density"),
    )
