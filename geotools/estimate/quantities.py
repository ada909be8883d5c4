"""Quantities of every pit, pull and run, priced; the cost of a plan is their sum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray
from geotools.pipe.factors import HOUR
from geotools.schema import DIMENSIONS

__all__ = [
    "Prices",
    "pit_quantities",
    "pull_quantities",
    "run_quantities",
    "shared_quantities",
    "shared_saving",
]

COLUMNS = ["scope", "ref", "run_id", "item", "quantity", "unit", "rate", "cost"]


@dataclass(frozen=True)
class Prices:
    """Rates of the brief per SI unit, in its currency."""

    setup: dict[str, float]  # by role
    excavation: float
    restoration: float
    open_laying: float
    off_street: float
    support: float
    temporary_service: float
    cleaning: float
    pull_setup: float
    joint: float
    string_joint: float
    pulling_hour: float  # per second
    connection: float
    valve: float
    grout: float


# An item: its name, how much (SI), its dimension or the word it is counted in, its rate per SI
# unit; NaN where there is no rate.
Item = tuple[str, FloatArray, str, npt.ArrayLike]


def _rows(scope: str, table: pd.DataFrame, items: list[Item], units: str) -> pd.DataFrame:
    """Return every item of each pit or pull in the units shown, one pit or pull after another."""
    count = len(table)
    names, unit_of, quantities, rates = [], [], [], []
    for item, quantity, dimension, rate in items:
        unit, size = _shown(dimension, units) if dimension in DIMENSIONS else (dimension, 1.0)
        names.append(item)
        unit_of.append(unit)
        quantities.append(quantity / size)
        rates.append(np.broadcast_to(np.asarray(rate, dtype=float) * size, count))
    quantity, rate = np.stack(quantities, axis=1).ravel(), np.stack(rates, axis=1).ravel()
    rows = {
        "scope": scope,
        "ref": np.repeat(table[f"{scope}_id"].to_numpy(dtype=object), len(items)),
        "run_id": np.repeat(table["run_id"].to_numpy(dtype=object), len(items)),
        "item": pd.Series(names * count, dtype="str"),
        "quantity": quantity,
        "unit": pd.Series(unit_of * count, dtype="str"),
        "rate": rate,
        "cost": quantity * rate,
    }
    return pd.DataFrame(rows)[COLUMNS]


def _shown(dimension: str, units: str) -> tuple[str, float]:
    """Return the unit a dimension is told in, and its size in SI."""
    kind = DIMENSIONS[dimension]
    suffix = kind.suffix(units)
    return suffix, kind.units[suffix]


def pit_quantities(pits: pd.DataFrame, prices: Prices, units: str) -> pd.DataFrame:
    """Return the quantities of the pits.

    Parameters
    ----------
    pits : DataFrame
        ``pit_id``, ``run_id``, ``role``, ``volume`` (m3), ``area``, ``off_street`` (m2),
        ``supported`` (m2), ``services`` (number), ``opened`` (m), ``days``, ``lanes_taken``,
        ``factor`` (on the site's cost), ``traffic_cost``.
    prices : Prices
    units : str
        ``si`` or ``us``.
    """

    def column(name: str) -> FloatArray:
        return pits[name].to_numpy(dtype=float)

    one = np.ones(len(pits))
    setup = pits["role"].map(prices.setup).to_numpy(dtype=float)
    site: list[Item] = [
        ("pit set up", one, "each", setup),
        ("excavation", column("volume"), "volume", prices.excavation),
        ("shored face", column("supported"), "area", prices.support),
        ("surface made good", column("area"), "area", prices.restoration),
        ("carrier laid in the open", column("opened"), "length", prices.open_laying),
        ("ground off the street", column("off_street"), "area", prices.off_street),
    ]
    base = sum(np.nan_to_num(quantity * np.asarray(rate)) for _, quantity, _, rate in site)
    lane_days, lane_rate = _lane_days(pits, "days")
    place: list[Item] = [
        ("lane closed for a day", lane_days, "lane-days", lane_rate),
        ("surcharge of the place", one, "sum", base * (column("factor") - 1.0)),
        ("service fed meanwhile", column("services"), "each", prices.temporary_service),
        ("carrier tied in or joined, not priced", one, "each", np.nan),
    ]
    return _rows("pit", pits, site + place, units)


def shared_quantities(shared: pd.DataFrame) -> pd.DataFrame:
    """Return what pairs of pits on one ground would save as one, below nothing.

    Parameters
    ----------
    shared : DataFrame
        ``pit_id``, ``other``, ``run_id``, ``saving``, ``counted`` (whether it may be added up with
        those of the other pairs).

    Notes
    -----
    Of no run's cost: runs are planned and let each for itself, and whether one hole serves both
    is a matter of when they are built.
    """
    rows = shared[shared["counted"].to_numpy(dtype=bool)]
    saving = rows["saving"].to_numpy(dtype=float)
    return pd.DataFrame(
        {
            "scope": "shared",
            "ref": rows["pit_id"].to_numpy(dtype=object),
            "run_id": rows["run_id"].to_numpy(dtype=object),
            "item": [f"saved if one pit with {other}, in no cost" for other in rows["other"]],
            "quantity": np.ones(len(rows)),
            "unit": "sum",
            "rate": -saving,
            "cost": -saving,
        },
        columns=COLUMNS,
    )


def _lane_days(table: pd.DataFrame, days: str) -> tuple[FloatArray, FloatArray]:
    """Return lanes times days, and what one costs."""
    lane_days = table["lanes_taken"].to_numpy(dtype=float) * table[days].to_numpy(dtype=float)
    cost = table["traffic_cost"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return lane_days, np.where(lane_days > 0, cost / lane_days, 0.0)


def shared_saving(
    first: pd.DataFrame, second: pd.DataFrame, overlap: FloatArray, prices: Prices
) -> FloatArray:
    """Return what pairs of pits would save as one: a set-up, and the ground of both once.

    Dug and made good once is the overlap (m2), as deep as the shallower of the two is dug in the
    mean over its ground, ramp and leaning sides included; the dearer set-up stays. Lanes closed
    together, support and surcharges are not counted: common practice, no source.

    Parameters
    ----------
    first, second : DataFrame
        ``role``, ``volume`` (m3), ``area`` (m2).
    overlap : ndarray
    prices : Prices
    """
    setups = np.stack(
        [pits["role"].map(prices.setup).to_numpy(dtype=float) for pits in (first, second)]
    )
    depth = np.minimum(*((pits["volume"] / pits["area"]).to_numpy() for pits in (first, second)))
    ground = prices.restoration + prices.excavation * depth
    return np.asarray(setups.min(axis=0) + overlap * ground, dtype=np.float64)


def pull_quantities(pulls: pd.DataFrame, prices: Prices, units: str) -> pd.DataFrame:
    """Return the quantities of the pulls.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``run_id``, ``length`` (m), ``joints``, ``strings``, ``connections``,
        ``valves`` (numbers dug up), ``services`` (number fed), ``cleaned`` (m), ``hours``,
        ``pipe_price`` (per m), ``grout`` (m3), ``tails`` (m left out at both ends),
        ``joint_hours``, ``lanes_taken``, ``string_days``, ``traffic_cost`` (of the lanes its
        strings take).
    prices : Prices
    units : str
    """

    def column(name: str) -> FloatArray:
        return pulls[name].to_numpy(dtype=float)

    length = column("length")
    between = column("strings") - 1
    moving = column("hours") - between * column("joint_hours")
    hour = prices.pulling_hour * HOUR
    standing = prices.string_joint + column("joint_hours") * hour
    lane_days, lane_rate = _lane_days(pulls, "string_days")
    items: list[Item] = [
        ("pull set up", np.ones(len(pulls)), "each", prices.pull_setup),
        ("carrier pulled", length, "length", column("pipe_price")),
        ("carrier in tails, not priced", column("tails"), "length", np.nan),
        ("fused joint", column("joints"), "each", prices.joint),
        ("string joined on, with standstill", between, "each", standing),
        ("pulling", moving, "hours", hour),
        ("connection dug up", column("connections"), "each", prices.connection),
        ("line valve cut out", column("valves"), "each", prices.valve),
        ("service fed meanwhile", column("services"), "each", prices.temporary_service),
        ("host cleaned", column("cleaned"), "length", prices.cleaning),
        ("grout", column("grout"), "volume", prices.grout),
        ("lane closed for a day", lane_days, "lane-days", lane_rate),
    ]
    return _rows("pull", pulls, items, units)


def run_quantities(pits: pd.DataFrame, pulls: pd.DataFrame) -> pd.DataFrame:
    """Sum the quantities of pits and pulls by run and item."""
    both = pd.concat([pits, pulls], ignore_index=True)
    sums = both.groupby(["run_id", "item", "unit"], sort=False, as_index=False).agg(
        quantity=("quantity", "sum"), cost=("cost", "sum"), priced=("rate", "count")
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(
            (sums["quantity"] > 0) & (sums["priced"] > 0), sums["cost"] / sums["quantity"], np.nan
        )
    cost = sums["cost"].where(sums["priced"] > 0)
    return sums.assign(scope="run", ref=sums["run_id"], rate=rate, cost=cost)[COLUMNS]
