"""Quantities of every pit, pull and run, priced; the cost of a plan is their sum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray
from geotools.pipe.factors import HOUR
from geotools.pipe.fusion import piece_count
from geotools.schema import DIMENSIONS

__all__ = [
    "TESTED",
    "Prices",
    "order_quantities",
    "pit_quantities",
    "pull_quantities",
    "run_quantities",
    "shared_quantities",
    "shared_saving",
]

NOT_PRICED = ", not priced"
NOT_PLANNED = ", not in the programme"
BY_LENGTH = ", priced by length"
TESTED = "filled, tested and disinfected"  # an item of runs that is of no pit or pull
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
    tie_in: float
    temporary_service: float
    cleaning: float
    testing: float
    pull_setup: float
    joint: float
    string_joint: float
    pulling_hour: float  # per second
    connection: float
    valve: float
    end_connection: float
    in_pit_share: float
    grout: float


# An item: its name, one or one a row, how much (SI), its dimension or the word it is counted in,
# its rate per SI unit; NaN where there is no rate.
Item = tuple[npt.ArrayLike, FloatArray, str, npt.ArrayLike]


def _rows(scope: str, table: pd.DataFrame, items: list[Item], units: str) -> pd.DataFrame:
    """Return every item of each pit or pull in the units shown, one pit or pull after another."""
    count = len(table)
    names, unit_of, quantities, rates = [], [], [], []
    for item, quantity, dimension, rate in items:
        unit, size = _shown(dimension, units) if dimension in DIMENSIONS else (dimension, 1.0)
        names.append(np.broadcast_to(np.asarray(item, dtype=object), count))
        unit_of.append(unit)
        quantities.append(quantity / size)
        rates.append(np.broadcast_to(np.asarray(rate, dtype=float) * size, count))
    quantity, rate = np.stack(quantities, axis=1).ravel(), np.stack(rates, axis=1).ravel()
    rows = {
        "scope": scope,
        "ref": np.repeat(table[f"{scope}_id"].to_numpy(dtype=object), len(items)),
        "run_id": np.repeat(table["run_id"].to_numpy(dtype=object), len(items)),
        "item": pd.Series(np.stack(names, axis=1).ravel(), dtype="str"),
        "quantity": quantity,
        "unit": pd.Series(unit_of * count, dtype="str"),
        "rate": rate,
        "cost": quantity * rate,
    }
    return pd.DataFrame(rows)[COLUMNS]


def _named(before: str, table: pd.DataFrame, after: str = "") -> npt.NDArray[np.object_]:
    """Return the name of an item of pipe in every row: each pipe is a line of its own."""
    return np.asarray(before + ", " + table["carrier"].astype(object) + after, dtype=object)


def _if_priced(item: str, quantity: FloatArray, dimension: str, rate: float) -> Item:
    """Return an item at its rate; one without a price, and so called, where the rate is 0."""
    if rate > 0:
        return item, quantity, dimension, rate
    return item + NOT_PRICED, quantity, dimension, np.nan


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
        ``pit_id``, ``run_id``, ``carrier`` (its name), ``role``, ``volume`` (m3), ``area``,
        ``off_street`` (m2),
        ``supported`` (m2), ``services``, ``remade``, ``valves``, ``tied`` (numbers of services fed,
        of connections, of line valves in it, and of what the run is tied in to there), ``opened``
        (m), ``pipe_price`` (per m), ``days``, ``lanes_taken``, ``factor`` (on the site's cost),
        ``traffic_cost``.
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
        ("laying and bedding in the open", column("opened"), "length", prices.open_laying),
        ("ground off the street", column("off_street"), "area", prices.off_street),
    ]
    base = sum(np.nan_to_num(quantity * np.asarray(rate)) for _, quantity, _, rate in site)
    lane_days, lane_rate = _lane_days(pits, "days")
    more = base * (column("factor") - 1.0)
    share = prices.in_pit_share
    place: list[Item] = [
        (_named("carrier in the open", pits), column("opened"), "length", column("pipe_price")),
        ("lane closed for a day", lane_days, "lane-days", lane_rate),
        ("surcharge of the place", (more > 0).astype(float), "sum", more),
        ("service fed meanwhile", column("services"), "each", prices.temporary_service),
        ("connection remade in the pit", column("remade"), "each", share * prices.connection),
        (
            "line valve cut out and replaced in the pit",
            column("valves"),
            "each",
            share * prices.valve,
        ),
        _if_priced("carrier tied in or joined", one, "each", prices.tie_in),
    ]
    if prices.end_connection > 0:
        place.append(("main at the end reconnected", column("tied"), "each", prices.end_connection))
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
        ``pull_id``, ``run_id``, ``carrier`` (its name), ``length`` (m), ``joints``, ``strings``,
        ``connections``, ``valves`` (numbers dug up), ``services`` (number fed), ``cleaned`` (m),
        ``hours``,
        ``pipe_price`` (per m), ``grout`` (m3), ``stages`` (of grouting; 0 where it may not be),
        ``ports`` (midway, of those),
        ``tails`` (m left out at both ends),
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
        (_named("carrier pulled", pulls), length, "length", column("pipe_price")),
        (_named("carrier in tails", pulls, NOT_PRICED), column("tails"), "length", np.nan),
        ("fused joint", column("joints"), "each", prices.joint),
        ("string joined on, with standstill", between, "each", standing),
        ("pulling", moving, "hours", hour),
        ("connection dug up", column("connections"), "each", prices.connection),
        ("line valve cut out and replaced", column("valves"), "each", prices.valve),
        ("service fed meanwhile", column("services"), "each", prices.temporary_service),
        ("host cleaned", column("cleaned"), "length", prices.cleaning),
        ("grout", column("grout"), "volume", prices.grout),
        ("lane closed for a day", lane_days, "lane-days", lane_rate),
    ]
    rare = _stages(column("stages"), column("ports"))
    rows = _rows("pull", pulls, items + rare, units)
    none = rows["item"].isin([str(item) for item, *_ in rare]) & (rows["quantity"] == 0)
    return rows[~none].reset_index(drop=True)


def _stages(stages: FloatArray, ports: FloatArray) -> list[Item]:
    """Return what is told of grout that may not be placed at once; of most pulls there is none."""
    return [
        (f"port midway for a stage of grout{NOT_PRICED}", ports, "each", np.nan),
        (f"grouting{NOT_PLANNED}", (stages == 0).astype(float), "each", np.nan),
    ]


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


def order_quantities(
    pits: pd.DataFrame, pulls: pd.DataFrame, prices: Prices, *, piece: float, units: str
) -> pd.DataFrame:
    """Return what is told of every run beside the sums of its pits and pulls.

    Whole pipes to order, which are priced by length elsewhere, and what is cut off them, without a
    cost: each pull, tails included, and each pit is of pipes of its own, and what is cut off serves
    nowhere else. Then the length that is filled, tested and disinfected, as a whole.

    Parameters
    ----------
    pits, pulls : DataFrame
        As for `pit_quantities` and `pull_quantities`.
    prices : Prices
    piece : float
        Length of a pipe, m.
    units : str
        ``si`` or ``us``.
    """
    laid = pd.concat(
        [
            pits[["run_id", "carrier"]].assign(length=pits["opened"], tails=0.0),
            pulls[["run_id", "carrier", "length", "tails"]],
        ],
        ignore_index=True,
    )
    needed = laid["length"] + laid["tails"]
    pipes = np.where(needed > 0, piece_count(needed, piece), 0.0)
    rows = laid.assign(pipes=pipes, cut_off=np.maximum(pipes * piece - needed, 0.0))
    each = ["run_id", "carrier"]
    runs = rows.groupby(each, sort=False, as_index=False)[["length", "pipes", "cut_off"]].sum()

    def column(name: str) -> FloatArray:
        return runs[name].to_numpy(dtype=float)

    items: list[Item] = [
        (_named("whole pipes to order", runs, BY_LENGTH), column("pipes"), "each", np.nan),
        (_named("cut off whole pipes", runs, NOT_PRICED), column("cut_off"), "length", np.nan),
        _if_priced(TESTED, column("length"), "length", prices.testing),
    ]
    return _rows("run", runs, items, units)
