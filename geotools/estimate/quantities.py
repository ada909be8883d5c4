"""Quantities of every pit, pull and run, priced; the cost of a plan is their sum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray
from geotools.schema import DIMENSIONS

__all__ = ["Prices", "pit_quantities", "pull_quantities", "run_quantities"]

COLUMNS = ["scope", "ref", "run_id", "item", "quantity", "unit", "rate", "cost"]


@dataclass(frozen=True)
class Prices:
    """Rates of the brief per SI unit, in its currency."""

    setup: dict[str, float]  # by role
    excavation: float
    restoration: float
    open_laying: float
    off_street: float
    pull_setup: float
    joint: float
    string_joint: float
    pulling_hour: float  # per second
    connection: float
    valve: float
    grout: float


def _rows(
    scope: str,
    ref: pd.Series,
    run_id: pd.Series,
    item: str,
    quantity: FloatArray,
    unit: str,
    rate: npt.ArrayLike,
) -> pd.DataFrame:
    """Return one item for every pit, pull or run; without a cost where the rate is NaN."""
    rates = np.broadcast_to(np.asarray(rate, dtype=float), np.shape(quantity))
    return pd.DataFrame(
        {
            "scope": scope,
            "ref": ref.to_numpy(dtype=object),
            "run_id": run_id.to_numpy(dtype=object),
            "item": item,
            "quantity": quantity,
            "unit": unit,
            "rate": rates,
            "cost": quantity * rates,
        }
    )


def _gathered(parts: list[pd.DataFrame]) -> pd.DataFrame:
    table = pd.concat(parts, ignore_index=True)
    order = table.groupby("ref", sort=False).ngroup()
    return table.iloc[np.argsort(order, kind="stable")][COLUMNS].reset_index(drop=True)


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
        ``length``, ``width``, ``depth``, ``opened`` (m), ``side_slope``, ``days``,
        ``lanes_taken``, ``factor`` (on the site's cost), ``traffic_cost``.
    prices : Prices
    units : str
        ``si`` or ``us``.
    """
    m, size = _shown("length", units)
    m2, square = _shown("area", units)
    m3, cube = _shown("volume", units)
    ref, run = pits["pit_id"], pits["run_id"]

    def column(name: str) -> FloatArray:
        return pits[name].to_numpy(dtype=float)

    upright = column("side_slope") == 0
    shored = np.where(upright, 2 * (column("length") + column("width")) * column("depth"), 0.0)
    setup = pits["role"].map(prices.setup).to_numpy(dtype=float)
    parts = [
        _rows("pit", ref, run, "pit set up", np.ones(len(pits)), "each", setup),
        _rows("pit", ref, run, "excavation", column("volume") / cube, m3, prices.excavation * cube),
        _rows("pit", ref, run, "shored face", shored / square, m2, np.nan),
        _rows(
            "pit",
            ref,
            run,
            "surface made good",
            column("area") / square,
            m2,
            prices.restoration * square,
        ),
        _rows(
            "pit",
            ref,
            run,
            "carrier laid in the open",
            column("opened") / size,
            m,
            prices.open_laying * size,
        ),
        _rows(
            "pit",
            ref,
            run,
            "ground off the street",
            column("off_street") / square,
            m2,
            prices.off_street * square,
        ),
    ]
    base = sum(part["cost"].fillna(0.0).to_numpy(dtype=float) for part in parts)
    lane_days = column("lanes_taken") * column("days")
    traffic = column("traffic_cost")
    surcharge = base * (column("factor") - 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        lane_rate = np.where(lane_days > 0, traffic / lane_days, 0.0)
    parts += [
        _rows("pit", ref, run, "lane closed for a day", lane_days, "lane-days", lane_rate),
        _rows(
            "pit",
            ref,
            run,
            "surcharge of the place",
            np.ones(len(pits)),
            "sum",
            surcharge,
        ),
    ]
    return _gathered(parts)


def pull_quantities(pulls: pd.DataFrame, prices: Prices, units: str) -> pd.DataFrame:
    """Return the quantities of the pulls.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``run_id``, ``length`` (m), ``joints``, ``strings``, ``connections``,
        ``valves`` (numbers dug up), ``hours``, ``pipe_price`` (per m), ``annulus`` (m3 per m,
        0 where it is not grouted), ``tails`` (m left out at both ends), ``joint_hours``.
    prices : Prices
    units : str
    """
    m, size = _shown("length", units)
    m3, cube = _shown("volume", units)
    ref, run = pulls["pull_id"], pulls["run_id"]

    def column(name: str) -> FloatArray:
        return pulls[name].to_numpy(dtype=float)

    length = column("length")
    between = column("strings") - 1
    moving = column("hours") - between * column("joint_hours")
    hour = prices.pulling_hour * 3600
    standing = prices.string_joint + column("joint_hours") * hour
    return _gathered(
        [
            _rows("pull", ref, run, "pull set up", np.ones(len(pulls)), "each", prices.pull_setup),
            _rows(
                "pull", ref, run, "carrier pulled", length / size, m, column("pipe_price") * size
            ),
            _rows(
                "pull", ref, run, "carrier in tails, not priced", column("tails") / size, m, np.nan
            ),
            _rows("pull", ref, run, "fused joint", column("joints"), "each", prices.joint),
            _rows("pull", ref, run, "string joined on, with standstill", between, "each", standing),
            _rows("pull", ref, run, "pulling", moving, "hours", hour),
            _rows(
                "pull",
                ref,
                run,
                "connection dug up",
                column("connections"),
                "each",
                prices.connection,
            ),
            _rows("pull", ref, run, "line valve cut out", column("valves"), "each", prices.valve),
            _rows(
                "pull",
                ref,
                run,
                "grout",
                column("annulus") * length / cube,
                m3,
                prices.grout * cube,
            ),
        ]
    )


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
