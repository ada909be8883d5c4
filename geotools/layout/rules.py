"""What the brief asks for as the rooms take it: rules and rates of sites, strings and pulls."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.pipe.factors import DAY
from geotools.pipe.names import folded
from geotools.pipe.pulling import friction_band
from geotools.pulls.optimise import PullCosts, StringDays
from geotools.schema import length_text
from geotools.siting.candidates import PitRules
from geotools.siting.laydown import LaydownRules
from geotools.siting.works import SiteRates, WorkRates
from geotools.street.lanes import Passage
from geotools.units import percent_text

__all__ = [
    "friction_band_of",
    "least_between",
    "pit_rules",
    "pull_costs",
    "rates_set",
    "refusal_limits",
    "says_side",
    "set_up_rates",
    "site_rates",
    "string_rules",
    "work_rates",
]


def string_rules(brief: Brief) -> LaydownRules:
    """Return what strings are laid by."""
    return LaydownRules(
        piece=brief.pulls.piece_length,
        least=brief.street.least_string,
        rate=brief.pulls.rate,
        shift=brief.crew.shift,
        joint_time=brief.pulls.string_joint_hours,
        max_pull=brief.pulls.max_length,
        busy=_busy(brief),
    )


def pit_rules(brief: Brief) -> PitRules:
    """Return what pits are dug by."""
    pits = brief.pits
    return PitRules(
        max_depth=pits.max_depth,
        max_slope=pits.max_slope,
        clear=pits.clear_of_intersection,
        ramp=pits.ramp,
        resting_height=pits.resting_height,
        working=pits.working_length,
        receiving=pits.receiving_length,
        side_room=pits.side_room,
        bedding=pits.bedding,
        receive_in_intersection=pits.receive_in_intersection,
        support=pits.support,
        soil=pits.soil,
        spoil_setback=pits.spoil_setback,
        passage=Passage.of(brief.street),
        busy=_busy(brief),
    )


def _busy(brief: Brief) -> frozenset[str]:
    """Return the classes of street that may not be blocked."""
    return frozenset(map(folded, brief.street.no_block))


def refusal_limits(brief: Brief) -> dict[str, str]:
    """Return the limits on pits in words, by the names the refusals have for them."""
    pits, units = brief.pits, brief.output.units
    opened = "an end of the run or a bend that cannot be passed"
    receive = "" if pits.receive_in_intersection else "pits.receive_in_intersection"
    return {
        "max_depth": length_text(pits.max_depth, units),
        "clear": _clear_text(pits.clear_of_intersection, pits.spoil_setback, units),
        "max_slope": percent_text(pits.max_slope),
        "least_string": length_text(brief.street.least_string, units),
        "verge": length_text(brief.street.verge, units),
        "receive": receive and f", and at {opened} {receive}",
        "receive_across": receive and f", and where the main crosses at {opened} {receive}",
    }


def _clear_text(clear: float, setback: float, units: str) -> str:
    """Return how far pits keep from an intersection, m, in words: the room along their edge too."""
    whole = length_text(clear + setback, units)
    if setback <= 0:
        return whole
    parts = length_text(clear, units), length_text(setback, units)
    return f"{whole} ({parts[0]}, and {parts[1]} kept free along the edge)"


def work_rates(brief: Brief) -> WorkRates:
    """Return how fast a pit goes."""
    return WorkRates(
        pit_days=brief.crew.pit_days,
        tie_in_days=brief.crew.tie_in_days,
        dig_per_day=brief.crew.dig_per_day * DAY,
        restore_per_day=brief.crew.restore_per_day * DAY,
    )


def site_rates(brief: Brief) -> SiteRates:
    """Return the rates of a site."""
    rates = brief.rates
    lane_day = {folded(rate.street): rate.cost for rate in rates.lane_day}
    return SiteRates(
        setup=set_up_rates(brief),
        intersection_factor=rates.intersection_factor,
        excavation=rates.excavation,
        restoration=rates.restoration,
        open_laying=rates.open_laying,
        off_street=rates.off_street,
        support=rates.support,
        tie_in=rates.tie_in,
        temporary_service=rates.temporary_service,
        connection_in_pit=rates.connection * rates.in_pit_share,
        valve_in_pit=rates.valve * rates.in_pit_share,
        at_end=rates.end_connection,
        lane_day=lane_day,
        lane_day_other=rates.lane_day_other,
        full_closure_factor=rates.full_closure_factor,
    )


def friction_band_of(brief: Brief) -> dict[str, float]:
    """Return the band of friction; a friction named in the brief is its middle."""
    band = friction_band(brief.pulls.host)
    central = band.central if brief.pulls.friction is None else brief.pulls.friction
    return {
        "low": min(band.low, central),
        "central": central,
        "high": max(band.high, central),
    }


def _cleaning(brief: Brief) -> float:
    """Return the cost of cleaning the host, per m; nothing where it is pulled into as it is."""
    return brief.rates.cleaning if brief.service.host_cleaned else 0.0


def pull_costs(table: pd.DataFrame, brief: Brief) -> PullCosts:
    """Return what pulls cost with each run's carrier, but for digs and grout, which go by place."""
    pulls, rates = brief.pulls, brief.rates
    price = table["pipe_price"].to_numpy(dtype=float)
    return PullCosts(
        setup=rates.pull_setup,
        per_length=np.nan_to_num(price) + rates.pulling_hour / pulls.rate + _cleaning(brief),
        joint=rates.joint,
        piece_length=pulls.piece_length,
        connection=1.0,  # the digs come priced
        least_length=pulls.min_length,
        string_joint=rates.string_joint + rates.pulling_hour * pulls.string_joint_hours,
        days=StringDays(
            joint=1 / brief.crew.joints_per_day,
            length=1 / (pulls.rate * brief.crew.shift),
            standstill=pulls.string_joint_hours / brief.crew.shift,
            least=brief.crew.least_pull_days,
        ),
    )


def says_side(brief: Brief) -> bool:
    """Tell whether somebody said what side traffic keeps to, and it is not the default."""
    key = "street.keep_right"
    return not brief.street.keep_right or brief.origins.get(key, "default") != "default"


def rates_set(brief: Brief) -> frozenset[str]:
    """Return the rates that somebody set, be it to what stands in where nobody does."""
    head = "rates."
    set_ = (key for key, origin in brief.origins.items() if origin != "default")
    return frozenset(key.removeprefix(head) for key in set_ if key.startswith(head))


def least_between(brief: Brief) -> float:
    """Return the room two half pits and the shortest pull between them take, m.

    Bends nearer to each other share a pit; a shorter run is not worth a pull.
    """
    pits = brief.pits
    return pits.working_length + pits.receiving_length / 2 + brief.pulls.min_length


def set_up_rates(brief: Brief) -> tuple[float, float, float, float]:
    """Return the rate of setting up a pit in each role; the two one-way insertions cost alike."""
    rates = brief.rates
    return rates.receiving_pit, rates.insertion_pit, rates.insertion_pit, rates.two_way_pit
