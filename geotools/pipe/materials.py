"""Properties of the carrier materials."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe._tables import rows
from geotools.pipe.bounds import LOAD_H, TEMPERATURE_C
from geotools.pipe.factors import to_si
from geotools.pipe.names import MATERIALS
from geotools.pipe.ranges import FloatArray, check_choice, check_range

__all__ = [
    "PVC_FACTOR",
    "PVC_FAHRENHEIT",
    "apparent_modulus_pa",
    "by_material",
    "is_polyethylene",
    "material_property",
    "modulus_temperature_factor",
    "per_material",
    "tension_temperature_factor",
]

_VINYLS = ("PVC", "PVC-U")
# 23 C is 73.4 F; the tables are printed for 73 F and rounded
_PE_FAHRENHEIT = (73.4, 100.0, 120.0, 140.0)
_PE_FACTOR = (1.0, 0.78, 0.63, 0.50)
# Of the pressure class in warm water (C900), and taken for tension too.
PVC_FAHRENHEIT = (73.4, 80.0, 90.0, 100.0, 110.0, 120.0, 130.0, 140.0)
PVC_FACTOR = (1.0, 0.88, 0.75, 0.62, 0.50, 0.40, 0.30, 0.22)
_PE_STIFF_FAHRENHEIT = (
    -20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 73.4, 80.0, 90.0, 100.0, 110.0, 120.0,
    130.0, 140.0,
)  # fmt: skip
_PE_STIFF = (
    2.54, 2.36, 2.18, 2.00, 1.81, 1.65, 1.49, 1.32, 1.18, 1.00, 0.93, 0.82, 0.73, 0.64, 0.58, 0.50,
    0.43,
)  # fmt: skip
_PVC_KSI = (400.0, 396.0, 375.0, 354.0, 333.0, 312.0, 291.0, 270.0)  # at PVC_FAHRENHEIT


@cache
def _properties() -> dict[tuple[str, str], dict[str, str]]:
    return {(row["material"], row["property"]): row for row in rows("materials")}


@cache
def material_property(material: str, name: str) -> float:
    """Look one property up, in SI.

    Parameters
    ----------
    material : str
        One of `names.MATERIALS`.
    name : str
        Property as named in ``data/materials.csv``.

    Returns
    -------
    float
        The value in SI units.

    Raises
    ------
    ChoiceError
        If the material or the property is unknown.
    """
    check_choice("material", material, MATERIALS)
    known = [prop for mat, prop in _properties() if mat == material]
    check_choice(f"property of {material}", name, known)
    row = _properties()[material, name]
    return to_si(float(row["value"]), row["unit"])


def per_material(material: str | NDArray[np.str_], name: str) -> FloatArray:
    """Look one property up for a whole column of materials.

    Parameters
    ----------
    material : str or ndarray of str
        Any shape.
    name : str
        Property as named in ``data/materials.csv``.

    Returns
    -------
    ndarray of float
        SI values, the shape of `material`.

    Raises
    ------
    ChoiceError
        If a material or the property is unknown.
    """
    return by_material(material, lambda word: material_property(word, name))


def by_material(material: str | NDArray[np.str_], value_of: Callable[[str], float]) -> FloatArray:
    """Work out one number per material and spread it over a column.

    Parameters
    ----------
    material : str or ndarray of str
        Any shape.
    value_of : callable
        Gives the number of one material.

    Returns
    -------
    ndarray of float
        The shape of `material`.
    """
    names, inverse = np.unique(np.asarray(material, dtype=np.str_), return_inverse=True)
    values = np.array([value_of(str(word)) for word in names], dtype=np.float64)
    return np.asarray(values[inverse].reshape(np.shape(material)), dtype=np.float64)


def is_polyethylene(material: str | NDArray[np.str_]) -> NDArray[np.bool_]:
    """Tell polyethylene from PVC and PVC-U.

    Parameters
    ----------
    material : str or ndarray of str
        Any shape; each one of `names.MATERIALS`.

    Returns
    -------
    ndarray of bool
        True for polyethylene, the shape of `material`.

    Raises
    ------
    ChoiceError
        If a material is unknown.
    """
    words = np.asarray(material, dtype=np.str_)
    for word in np.unique(words):
        check_choice("material", str(word), MATERIALS)
    return np.asarray(~np.isin(words, _VINYLS), dtype=np.bool_)


@cache
def _modulus_table(material: str) -> tuple[FloatArray, FloatArray]:
    table = [row for row in rows("apparent_modulus") if row["material"] == material]
    hours = np.array([float(row["hours"]) for row in table])
    values = np.array([to_si(float(row["modulus"]), row["unit"]) for row in table])
    return np.log(hours), values


def apparent_modulus_pa(material: str | NDArray[np.str_], hours: ArrayLike) -> FloatArray:
    """Modulus that tells stress from strain after a load has stood for some hours, at 23 C.

    Straight lines against the logarithm of time between the tabulated durations; before the first
    and after the last one the table's end value holds.

    Parameters
    ----------
    material : str or ndarray of str
        One of `names.MATERIALS`; broadcasts with `hours`.
    hours : array_like
        Duration of the load, h; 0.01 h to 100 years.

    Returns
    -------
    ndarray of float
        Modulus, Pa.

    Raises
    ------
    RangeError
        If the duration lies outside the range, or the material is unknown.

    Notes
    -----
    Source: PPI Handbook of PE Pipe, ch. 3, Table B.1.1 (PE); PVC from memory, see
    ``data/apparent_modulus.csv``.
    """
    time = np.log(check_range("hours", hours, *LOAD_H, "h"))
    words, time = np.broadcast_arrays(np.asarray(material, dtype=np.str_), time)
    is_polyethylene(words)
    result = np.empty(time.shape)
    for word in np.unique(words):
        here = words == word
        result[here] = np.interp(time[here], *_modulus_table(str(word)))
    return result


def modulus_temperature_factor(
    material: str | NDArray[np.str_], temperature_c: ArrayLike
) -> FloatArray:
    """Modulus at a temperature over that at 23 C.

    Above 1 in the cold, below 1 in the warm. Which half of it is safe hangs on the question: a
    bend costs more stress in a stiff pipe, a soft one is pressed flat sooner. So a bend takes no
    factor below 1 and collapse none above 1.

    Parameters
    ----------
    material : str or ndarray of str
        One of `names.MATERIALS`; broadcasts with `temperature_c`.
    temperature_c : array_like
        Temperature of the pipe wall, C; -20 to 60.

    Returns
    -------
    ndarray of float
        Factor; straight lines between the rows of the tables.

    Raises
    ------
    RangeError
        If the temperature lies outside the range, or the material is unknown.

    Notes
    -----
    PE: PPI Handbook of PE Pipe, ch. 3, Table B.1.2. PVC and PVC-U: 400,000 psi at 73 F to 270,000
    at 140 F (AWWA M23, Uni-Bell); no figure is known for the cold, and 1 is taken. From memory;
    confirm against the standards.
    """
    warm = check_range("temperature_c", temperature_c, *TEMPERATURE_C, "C") * 1.8 + 32.0
    pe = np.interp(warm, _PE_STIFF_FAHRENHEIT, _PE_STIFF)
    pvc = np.interp(warm, PVC_FAHRENHEIT, np.array(_PVC_KSI) / _PVC_KSI[0])
    return np.asarray(np.where(is_polyethylene(material), pe, pvc), dtype=np.float64)


def tension_temperature_factor(
    material: str | NDArray[np.str_], temperature_c: ArrayLike
) -> FloatArray:
    """Share of the tensile strength at 23 C left when the pipe wall is warm.

    Never above 1: cold adds strength, but not safely.

    Parameters
    ----------
    material : str or ndarray of str
        One of `names.MATERIALS`; broadcasts with `temperature_c`.
    temperature_c : array_like
        Temperature of the pipe wall, C; -20 to 60. Dark pipe in the sun reaches 50 to 60.

    Returns
    -------
    ndarray of float
        Factor, 0 to 1.

    Raises
    ------
    RangeError
        If the temperature lies outside the range, or the material is unknown.

    Notes
    -----
    PE: 100 F 0.78, 120 F 0.63, 140 F 0.50. PVC and PVC-U: the pressure factors of
    C900 (80 F 0.88 ... 140 F 0.22), taken for tension too, which is on the safe side. From
    memory; confirm against AWWA M55 and C900.
    """
    warm = check_range("temperature_c", temperature_c, *TEMPERATURE_C, "C") * 1.8 + 32.0
    pe = np.interp(warm, _PE_FAHRENHEIT, _PE_FACTOR)
    pvc = np.interp(warm, PVC_FAHRENHEIT, PVC_FACTOR)
    return np.asarray(np.where(is_polyethylene(material), pe, pvc), dtype=np.float64)
