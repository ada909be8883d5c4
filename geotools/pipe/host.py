"""Bore of the old main: what it probably is, how far off that may be, what measurement says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe import bounds
from geotools.pipe._tables import rows
from geotools.pipe.factors import INCH, to_si
from geotools.pipe.names import PIT_CAST_CLASSES
from geotools.pipe.ranges import ChoiceError, FloatArray, check_choice, check_range
from geotools.pipe.words import kind_of

__all__ = [
    "CLOSED_M",
    "HAZARDOUS",
    "KINDS",
    "LININGS",
    "TUBERCLE_M",
    "HostBore",
    "gauged",
    "host_bore",
    "host_kind",
    "lining_m",
    "outside_at_most_m",
    "pit_cast_bore_m",
]

KINDS = (
    "pit_cast",
    "spun_cast",
    "ductile_iron",
    "asbestos_cement",
    "steel",
    "concrete",
    "pvc",
    "pe",
    "unknown",
)
# Kinds whose dust harms who cuts, breaks or cleans them: work and waste for those licensed alone.
HAZARDOUS = ("asbestos_cement",)
_METRIC = "ductile_iron_metric"
# Where a size is metric, the table it is looked up in, and how near, m, a size has to lie to a
# metric one: no inch size does (14 in of plastic is 0.6 mm more than dn 355). Ductile iron of a
# metric size has thicker walls and smaller outsides; of plastics it is the outside diameter.
_METRIC_TABLES = {
    "ductile_iron": (_METRIC, 0.001),
    "pvc": ("pvc_metric", 0.0005),
    "pe": ("pe_metric", 0.0005),
}
_DUCTILE_OUTSIDES = ("outside_diameters", "system", "DIPS")
# Grow tubercles where no lining covers them; most hosts nobody knows the material of are iron.
_RUSTING = ("pit_cast", "spun_cast", "ductile_iron", "steel", "unknown")
LININGS = ("default", "none", "single", "double")
SPUN_FROM_YEAR = 1930.0
LINED_FROM_YEAR = 1950.0
TUBERCLE_M = 0.0127  # 1/2 in; 1/4 to 1 1/2 in is met, from memory
_SAME_SIZE_M = 0.001  # what a size written in mm may differ from the one in inches
_K9_M = (0.006, 0.0045, 0.009)  # least wall of ductile iron, and 9 (0.5 + 0.001 DN) mm, in m
CLOSED_M = 0.001  # what is left at least of a bore that lining and tubercles fill: no pipe enters


@dataclass(frozen=True)
class HostBore:
    """Inside diameter of hosts, arrays of one shape.

    Attributes
    ----------
    low_m : ndarray of float
        For the fit, m.
    centre_m : ndarray of float
        For hydraulics, m: the clean bore; what tubercles cost in flow is in the aged C.
    high_m : ndarray of float
        For grout and annulus at their most, m.
    kind : ndarray of str
        Which of `KINDS` was assumed.
    measured : ndarray of bool
        True where a measured bore was taken.
    lined : ndarray of bool
        True where water runs on a cement lining, by kind, year and what was said of the lining;
        a measured bore says nothing of it.
    """

    low_m: FloatArray
    centre_m: FloatArray
    high_m: FloatArray
    kind: NDArray[np.str_]
    measured: NDArray[np.bool_]
    lined: NDArray[np.bool_]


def host_kind(material: str | NDArray[np.str_], installed: ArrayLike = np.nan) -> NDArray[np.str_]:
    """Read the material of a main as a layer writes it.

    Parameters
    ----------
    material : str or ndarray of str
        Words or the usual short forms in several languages, as `kind_of`; what is not known gives
        ``unknown``.
    installed : array_like, optional
        Year laid; cast iron up to 1929 or without a year is taken as pit-cast, later as spun.

    Returns
    -------
    ndarray of str
        One of `KINDS` each.
    """
    raw = np.asarray(material, dtype=np.str_)
    names, inverse = np.unique(raw, return_inverse=True)
    known = [kind_of(str(word)) or "unknown" for word in names]
    kinds = np.array(known, dtype="<U15")[inverse].reshape(raw.shape)
    year = np.asarray(installed, dtype=np.float64)
    spun = np.where(year >= SPUN_FROM_YEAR, "spun_cast", "pit_cast")
    return np.asarray(np.where(kinds == "cast_iron", spun, kinds), dtype=np.str_)


@cache
def _bore_table(kind: str) -> tuple[FloatArray, FloatArray]:
    """Nominal sizes, and what low, centre and high bore differ from them; m."""
    table = [row for row in rows("host_bores") if row["kind"] == kind]
    sizes = np.array([to_si(float(row["nominal"]), row["unit"]) for row in table])
    bores = np.array(
        [
            [to_si(float(row[part]), row["unit"]) for row in table]
            for part in ("low", "centre", "high")
        ]
    )
    return sizes, np.asarray(bores - sizes, dtype=np.float64)


def _kind_by_kind(
    kinds: NDArray[np.str_], nominal: FloatArray, value: Callable[[str, FloatArray], FloatArray]
) -> FloatArray:
    """Fill one array, each kind by its own table."""
    result = np.zeros(nominal.shape)
    for kind in np.unique(kinds):
        here = kinds == kind
        result[here] = value(str(kind), nominal[here])
    return result


def _tables_of(kinds: NDArray[np.str_], nominal: FloatArray) -> NDArray[np.str_]:
    """Name the table each host is looked up in: its kind, or that of its metric sizes."""
    tables = kinds.astype("<U19")
    for kind, (table, within) in _METRIC_TABLES.items():
        here = kinds == kind
        sizes, _ = _bore_table(table)
        near = np.abs(nominal[here][:, None] - sizes).min(axis=-1, initial=np.inf) <= within
        tables[here] = np.where(near, table, kind)
    return np.asarray(tables, dtype=np.str_)


def _bare(kinds: NDArray[np.str_], nominal: FloatArray, part: int) -> FloatArray:
    def of_kind(kind: str, sizes: FloatArray) -> FloatArray:
        table_sizes, differences = _bore_table(kind)
        return np.asarray(sizes + np.interp(sizes, table_sizes, differences[part]))

    return _kind_by_kind(kinds, nominal, of_kind)


@cache
def _lining_table(kind: str) -> tuple[FloatArray, FloatArray]:
    table = [row for row in rows("linings") if row["kind"] == kind]
    limits = np.array([to_si(float(row["nominal_up_to"]), row["unit"]) for row in table])
    return limits, np.array([to_si(float(row["thickness"]), row["unit"]) for row in table])


def lining_m(kind: str | NDArray[np.str_], nominal_m: ArrayLike) -> FloatArray:
    """Thickness of a single shop lining of cement mortar.

    Parameters
    ----------
    kind : str or ndarray of str
        Of `KINDS`; broadcasts with `nominal_m`.
    nominal_m : array_like
        Nominal size, m; 0.05 to 3.

    Returns
    -------
    ndarray of float
        Thickness, m; 0 for materials that are not lined or whose bore is given finished.

    Raises
    ------
    RangeError
        If a size lies outside its range or a kind is unknown.

    Notes
    -----
    AWWA C104 (iron) 1/16 in to 12 in, 3/32 to 24, 1/8 above; C205 (steel); ductile iron of a
    metric size by EN 545, 4 mm to DN 300, 5 to 600, 6 to 1200, 9 above; from memory.
    """
    size = check_range("nominal_m", nominal_m, 0.05, 3.0, "m")
    kinds, size = np.broadcast_arrays(np.asarray(kind, dtype=np.str_), size)
    for word in np.unique(kinds):
        check_choice("kind", str(word), KINDS)

    def of_kind(word: str, sizes: FloatArray) -> FloatArray:
        limits, thickness = _lining_table(word)
        if limits.size == 0:
            return np.zeros(sizes.shape)
        row = np.minimum(np.searchsorted(limits, sizes * (1 - 1e-12)), limits.size - 1)
        return np.asarray(thickness[row], dtype=np.float64)

    return _kind_by_kind(_tables_of(kinds, size), size, of_kind)


def _lining_layers(
    kinds: NDArray[np.str_], year: FloatArray, lining: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How many single linings to take off for the low, centre and high bore."""
    if lining != "default":
        count = np.full(kinds.shape, float(("none", "single", "double").index(lining)))
        return count, count, count
    always = np.isin(kinds, ("ductile_iron", _METRIC, "steel"))
    later = np.isin(kinds, ("spun_cast",)) & (year >= LINED_FROM_YEAR)
    lined = np.asarray(always | later, dtype=np.float64)
    # older linings by the inch are often of double thickness; an iron main may also be bare
    thickest = np.where(kinds == _METRIC, 1.0, 2.0)
    low = np.where(lined > 0, thickest, np.where(kinds == "spun_cast", 1.0, 0.0))
    return np.asarray(low, dtype=np.float64), lined, np.zeros(kinds.shape)


def _unmeasured(
    kinds: NDArray[np.str_], size: FloatArray, year: FloatArray, lining: str, grown: FloatArray
) -> HostBore:
    """Bores by the tables; ``grown`` narrows the low one of bare iron and steel, m."""
    skin = lining_m(kinds, size)
    tables = _tables_of(kinds, size)
    layers = _lining_layers(tables, year, lining)
    low, centre, high = (_bare(tables, size, k) - 2.0 * layers[k] * skin for k in range(3))
    rough = np.isin(kinds, _RUSTING) & (layers[1] == 0)
    low = np.maximum(low - 2.0 * np.where(rough, grown, 0.0), CLOSED_M)
    low, centre, high, kinds = np.broadcast_arrays(low, centre, high, kinds)
    # large steel has a row without thickness: its table's bore has the lining in it already
    lined = (layers[1] > 0) & np.isin(kinds, [row["kind"] for row in rows("linings")])
    return HostBore(low, centre, high, kinds, np.zeros(low.shape, dtype=np.bool_), lined)


def host_bore(
    material: str | NDArray[np.str_],
    nominal_m: ArrayLike,
    installed: ArrayLike = np.nan,
    *,
    lining: str = "default",
    cleaned: bool | NDArray[np.bool_] = True,
    tubercle_m: ArrayLike = TUBERCLE_M,
) -> HostBore:
    """Inside diameter of hosts nobody has gauged, with its uncertainty; see `gauged`.

    Parameters
    ----------
    material : str or ndarray of str
        As the layer writes it. All arguments broadcast.
    nominal_m : array_like
        Nominal size, m; 0.05 to 3. Sizes between two rows of the table are interpolated, beyond
        its ends the last difference from nominal is kept. Ductile iron within 1 mm of a metric
        size (DN 80 to 2000) is taken as such a pipe, PVC and PE within 0.5 mm of one (dn 63 to
        1000 and to 1200) as pipe of that outside diameter.
    installed : array_like, optional
        Year laid; not-a-number if not known.
    lining : {"default", "none", "single", "double"}, optional
        Shop lining. default: ductile iron and steel lined (of steel above 12 in the bore by the
        table is the lined one), spun iron lined from 1950 on,
        other iron bare; the low bore then allows for a double lining, of metric pipe for a
        thicker wall.
    cleaned : bool or ndarray of bool, optional
        The main is cleaned before the pull, so that tubercles do not narrow the low bore.
    tubercle_m : array_like, optional
        Height of tubercles in uncleaned iron or steel without a lining, and in hosts of unknown
        kind, m. Where they fill the bore, the low one is `CLOSED_M`.

    Returns
    -------
    HostBore
        Low, centre and high bore.

    Raises
    ------
    RangeError
        If a size lies outside its range.
    ChoiceError
        If `lining` is unknown.

    Notes
    -----
    Sources row by row in ``data/host_bores.csv`` and ``data/linings.csv``. Most are from memory:
    gauge the main before the carrier is ordered.
    """
    check_choice("lining", lining, LININGS)
    size = check_range("nominal_m", nominal_m, 0.05, 3.0, "m")
    year = np.asarray(installed, dtype=np.float64)
    bump = check_range("tubercle_m", tubercle_m, *bounds.TUBERCLE_M, "m")
    kinds, size, year = np.broadcast_arrays(host_kind(material, year), size, year)
    return _unmeasured(kinds, size, year, lining, np.where(cleaned, 0.0, bump))


def gauged(estimate: HostBore, measured_m: ArrayLike) -> HostBore:
    """Put measured bores in the place of estimated ones: a measurement wins.

    Parameters
    ----------
    estimate : HostBore
        From `host_bore`. All arguments broadcast.
    measured_m : array_like
        Bore found by gauge or proving pig, m; 0.03 to 4, not-a-number where there is none.

    Returns
    -------
    HostBore
        Low, centre and high bore, measured where they were.

    Raises
    ------
    RangeError
        If a measurement lies outside its range.
    """
    measured = np.asarray(measured_m, dtype=np.float64)
    there = ~np.isnan(measured)
    check_range("measured_m", np.where(there, measured, 1.0), 0.03, 4.0, "m")
    return HostBore(
        low_m=np.where(there, measured, estimate.low_m),
        centre_m=np.where(there, measured, estimate.centre_m),
        high_m=np.where(there, measured, estimate.high_m),
        kind=estimate.kind,
        measured=there | estimate.measured,
        lined=estimate.lined,
    )


@cache
def _iron_outsides(stoutest: bool) -> tuple[FloatArray, FloatArray]:
    """Nominal sizes of iron, and what its outside diameter is more, no less than of smaller; m."""
    name, key, word = ("pit_cast_1908", "class", "D") if stoutest else _DUCTILE_OUTSIDES
    table = [row for row in rows(name) if row[key] == word]
    sizes = np.array([float(row["nominal"].removesuffix(" in")) * INCH for row in table])
    outside = np.array([to_si(float(row["outside"]), row["unit"]) for row in table])
    return sizes, np.asarray(np.maximum.accumulate(outside - sizes), dtype=np.float64)


def outside_at_most_m(
    material: str | NDArray[np.str_], nominal_m: ArrayLike, installed: ArrayLike = np.nan
) -> FloatArray:
    """Outside diameter of hosts, the greatest their kind is made with: no bore is as wide.

    Parameters
    ----------
    material, nominal_m, installed
        As of `host_bore`.

    Returns
    -------
    ndarray of float
        Outside diameter, m. That of plastics of metric sizes is their nominal one; of ductile iron
        of metric sizes the bore of EN 545 and two walls K9, of other ductile iron and plastics
        that of ductile iron by the inch. All else is at most as wide as the stoutest pit-cast
        iron of its size, or has a bore no wider than its nominal size (concrete, asbestos cement).

    Raises
    ------
    RangeError
        If a size lies outside its range.

    Notes
    -----
    Iron by the inch and pit-cast iron of 1908 by ``data/outside_diameters.csv`` and
    ``data/pit_cast_1908.csv``, interpolated; beyond their ends the greatest difference from
    nominal is kept.
    """
    size = check_range("nominal_m", nominal_m, 0.05, 3.0, "m")
    kinds = host_kind(material, installed)
    kinds, size = np.broadcast_arrays(kinds, size)
    tables = _tables_of(kinds, size)

    def of_table(table: str, sizes: FloatArray) -> FloatArray:
        if table in ("pvc_metric", "pe_metric"):
            return sizes
        if table == _METRIC:
            least, constant, share = _K9_M
            wall = np.maximum(least, constant + share * sizes)
            return np.asarray(_bare(np.full(sizes.shape, table), sizes, 1) + 2.0 * wall)
        known, more = _iron_outsides(table not in ("ductile_iron", "pvc", "pe"))
        return np.asarray(sizes + np.interp(sizes, known, more))

    return _kind_by_kind(tables, size, of_table)


def pit_cast_bore_m(nominal_m: float, pressure_class: str) -> float:
    """Clean bore of pit-cast iron whose class is known from records or the bell.

    Parameters
    ----------
    nominal_m : float
        Nominal size, m; one of the standard's, 4 to 48 in.
    pressure_class : {"A", "B", "C", "D"}
        Class of the 1908 standard.

    Returns
    -------
    float
        Outside diameter less twice the wall, m.

    Raises
    ------
    ChoiceError
        If the standard has no such pipe.

    Notes
    -----
    Pit-cast pipe standard of 1908; numbers from memory, see ``data/pit_cast_1908.csv``.
    """
    check_choice("pressure_class", pressure_class, PIT_CAST_CLASSES)
    for row in rows("pit_cast_1908"):
        inches = float(row["nominal"].removesuffix(" in"))
        if row["class"] == pressure_class and abs(nominal_m - inches * INCH) <= _SAME_SIZE_M:
            return to_si(float(row["outside"]) - 2.0 * float(row["wall"]), row["unit"])
    sizes = ", ".join(dict.fromkeys(row["nominal"] for row in rows("pit_cast_1908")))
    raise ChoiceError("nominal_m of pit-cast iron", f"{nominal_m:.4g} m", sizes)
