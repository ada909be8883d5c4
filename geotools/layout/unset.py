"""Rates nobody set: which of those that price a plan are left as they come, invented."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.estimate.quantities import TESTED
from geotools.intake.findings import Findings
from geotools.layout.rules import rates_set, site_rates
from geotools.lists import listed
from geotools.network.ragged import BoolArray, FloatArray
from geotools.pipe.names import folded
from geotools.schema import ROLES

__all__ = ["BY_ITEM", "SPLIT", "Rated", "bare", "report_unset", "share_unset"]

# Items of `quantities` and the rates that price them.
BY_ITEM: dict[str, tuple[str, ...]] = {
    "excavation": ("excavation",),
    "shored face": ("support",),
    "surface made good": ("restoration",),
    "laying and bedding in the open": ("open_laying",),
    "ground off the street": ("off_street",),
    "carrier tied in or joined": ("tie_in",),
    "service fed meanwhile": ("temporary_service",),
    "pull set up": ("pull_setup",),
    "fused joint": ("joint",),
    "string joined on, with standstill": ("string_joint", "pulling_hour"),
    "pulling": ("pulling_hour",),
    "connection dug up": ("connection",),
    "line valve cut out and replaced": ("valve",),
    "main at the end reconnected": ("end_connection",),
    "connection remade in the pit": ("connection", "in_pit_share"),
    "line valve cut out and replaced in the pit": ("valve", "in_pit_share"),
    "host cleaned": ("cleaning",),
    TESTED: ("testing",),
    "grout": ("grout",),
}
# Those whose rate hangs on the role, the pipe, the street or the place: see `_split`.
SET_UP, LANES, SURCHARGE = "pit set up", "lane closed for a day", "surcharge of the place"
PIPE = ("carrier pulled", "carrier in the open")
SPLIT = (SET_UP, *PIPE, LANES, SURCHARGE)
SITE = (
    *("excavation", "shored face", "surface made good", "laying and bedding in the open"),
    "ground off the street",
)
_SET_UPS = dict(
    zip(ROLES, ("receiving_pit", "insertion_pit", "insertion_pit", "two_way_pit"), strict=True)
)
NAMES = 6  # of rates told, those that most of the cost is counted with
SAME = 1e-9  # share by which two rates may differ and be one


def bare(item: str) -> str:
    """Return an item without the pipe it names."""
    return next((name for name in PIPE if item.startswith(f"{name},")), item)


@dataclass(frozen=True)
class Rated:
    """Cost counted with some rates together, by their names without ``rates.``."""

    rates: tuple[str, ...]
    cost: float


@dataclass(frozen=True)
class Share:
    """What of a plan is counted with rates that nobody set.

    ``unset`` are those rates, that with most of the cost first, ``rates`` how many price the plan.
    """

    unset: list[str]
    rates: int
    cost: float
    total: float


def share_unset(rated: list[Rated], given: frozenset[str]) -> Share:
    """Return what is counted with rates nobody set; with one of several is enough.

    Parameters
    ----------
    rated : list of Rated
        All that the plan costs; what costs nothing tells nothing of its rates.
    given : frozenset of str
        Rates that were set.
    """
    some = [one for one in rated if one.cost]
    each: dict[str, float] = {}
    for one in some:
        for name in one.rates:
            each[name] = each.get(name, 0.0) + one.cost
    unset = sorted(set(each) - given, key=lambda name: (-each[name], name))
    left = sum(one.cost for one in some if set(one.rates) & set(unset))
    return Share(unset, len(each), left, sum(one.cost for one in some))


def report_unset(
    quantities: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    plastic: pd.Series,
    brief: Brief,
    findings: Findings,
) -> None:
    """Say how much of the plan's cost is counted with rates that nobody set, in one finding.

    Parameters
    ----------
    quantities : DataFrame
        ``scope``, ``ref``, ``run_id``, ``item``, ``rate``, ``cost``.
    pits, pulls : DataFrame
        ``pit_id``, ``role``, ``street_class``, ``factor``; ``pull_id``, ``insertion_pit``.
    plastic : Series of bool
        By ``run_id``: the carrier is priced as polyethylene, not as PVC.
    brief : Brief
    findings : Findings
    """
    counted = quantities["scope"].isin(["pit", "pull"])
    counted |= (quantities["scope"] == "run") & (quantities["item"] == TESTED)
    rows = quantities[counted & (quantities["cost"] != 0.0)]
    rows = rows[rows["cost"].notna()]
    code, words = pd.factorize(rows["item"].astype(object))
    rows = rows.assign(item=np.array([bare(word) for word in words], dtype=object)[code])
    whole = rows.groupby("item")["cost"].sum()
    rated = [
        Rated(BY_ITEM.get(str(item), ()), float(cost))
        for item, cost in whole.items()
        if item not in SPLIT
    ]
    rated += _split(rows, pits, pulls, plastic, brief)
    share = share_unset(rated, rates_set(brief))
    if not share.unset or share.total <= 0:
        return
    names = listed([f"rates.{name}" for name in share.unset], most=NAMES)
    many = len(share.unset)
    findings.add(
        "info",
        "rates-invented",
        f"{many} of the {share.rates} rates that price this plan "
        f"{'was' if many == 1 else 'were'} set by nobody, and what stands in is invented: "
        f"{names}. {share.cost:,.0f} of its {share.total:,.0f} {brief.rates.currency} "
        f"({share.cost / share.total:.0%}) is counted with {'it' if many == 1 else 'them'}"
        "; set your own in the brief. The origin of each is told in settings",
        layer="quantities",
    )


def _split(
    rows: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame, plastic: pd.Series, brief: Brief
) -> Iterator[Rated]:
    """Yield what items cost whose rate hangs on what they are of."""
    by_pit = pits.set_index("pit_id")
    of = {item: rows[rows["item"] == item] for item in SPLIT}
    pipe = rows[rows["item"].isin(PIPE)]
    yield from _summed(of[SET_UP], of[SET_UP]["ref"].map(by_pit["role"]).map(_SET_UPS))
    melted = pipe["run_id"].astype(object).map(plastic).astype(bool)
    yield from _summed(pipe, pd.Series(np.where(melted, "pe_pipe", "pvc_pipe"), pipe.index))
    factor = of[SURCHARGE]["ref"].map(by_pit["factor"]).to_numpy(dtype=float)
    at = {name: getattr(brief.rates, name) for name in ("intersection_factor", "soft_place_factor")}
    # a factor that is neither came with the place
    which = [np.where(_alike(factor, rate), f"{name} ", "") for name, rate in at.items()]
    base = of[SURCHARGE]["ref"].astype(object).map(_site_rates(rows, by_pit)).to_numpy(dtype=object)
    yield from _summed(of[SURCHARGE], pd.Series(which[0] + which[1] + base))
    yield from _lanes(of[LANES], by_pit, pulls, brief)


def _site_rates(rows: pd.DataFrame, by_pit: pd.DataFrame) -> pd.Series:
    """Return by pit the rates that price its site, of which a surcharge is a share."""
    site = rows[rows["item"].isin([SET_UP, *SITE])]
    item, pit = site["item"].astype(object), site["ref"].astype(object)
    names = item.map({name: " ".join(rates) for name, rates in BY_ITEM.items()})
    names = names.where(item != SET_UP, pit.map(by_pit["role"]).map(_SET_UPS))
    return names.groupby(pit).agg(" ".join)


def _lanes(
    rows: pd.DataFrame, by_pit: pd.DataFrame, pulls: pd.DataFrame, brief: Brief
) -> Iterator[Rated]:
    """Yield what lanes cost; those of strings by the street of the pit they go into."""
    rates = site_rates(brief)
    pit = rows["ref"].astype(object)
    into = pd.Series(pulls["insertion_pit"].to_numpy(dtype=object), pulls["pull_id"].to_numpy())
    own = (rows["scope"] == "pit").to_numpy(dtype=bool)
    street = pit.where(own, pit.map(into)).map(by_pit["street_class"]).astype(object)
    street = street.map(folded, na_action="ignore")
    known = street.isin(list(rates.lane_day)).to_numpy(dtype=bool)
    day = street.map(rates.lane_day).fillna(rates.lane_day_other).to_numpy(dtype=float)
    rate = rows["rate"].to_numpy(dtype=float)
    # a string's may be that of a dearer street than its pit's
    whole = np.isclose(rate, day * rates.full_closure_factor, rtol=SAME, atol=0.0)
    shut = np.where(own, rate > day * (1 + SAME), whole)
    names = np.where(known, "lane_day", "lane_day_other").astype(object)
    yield from _summed(rows, pd.Series(names + np.where(shut, " full_closure_factor", "")))


def _alike(values: FloatArray, rate: float) -> BoolArray:
    return np.asarray(np.isclose(values, rate, rtol=SAME, atol=0.0))


def _summed(rows: pd.DataFrame, names: pd.Series) -> Iterator[Rated]:
    """Yield the cost of rows by the names of their rates, with a space between them."""
    cost = rows["cost"].to_numpy(dtype=float)
    sums = pd.Series(cost).groupby(names.to_numpy(dtype=object)).sum()
    for name, each in sums.items():
        yield Rated(tuple(str(name).split()), float(each))
