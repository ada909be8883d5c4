"""Why runs have no plan: each limit lifted alone, and what blocks them told."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import pandas as pd

from geotools.brief import Brief
from geotools.layout.attempt import Attempt, must_be_held, profile_of
from geotools.layout.rules import friction_band_of, refusal_limits
from geotools.layout.shared import Shared
from geotools.network.ragged import IntArray
from geotools.pipe.factors import HOUR
from geotools.pulls.explain import Limits, explain_run
from geotools.pulls.lifted import BENDS, FORCE, LENGTH, SHIFT, SHORT, TENSION, lift_limits
from geotools.schema import length_text, quantity_text

__all__ = ["explain_blocked"]


def explain_blocked(
    ground: Shared, attempt: Attempt, runs: IntArray, *, lead: Callable[[int], str]
) -> Iterator[tuple[int, str, float]]:
    """Yield each run, why it has no plan, and the chainage, m, where it is blocked.

    ``lead`` gives the words about the carriers tried that go before.
    """
    table, brief = attempt.table, ground.brief
    lifted = lift_limits(
        attempt.candidates,
        profile_of(ground, table, attempt.bends, friction_band_of(brief)["central"]),
        attempt.must,
        attempt.costs,
        runs,
        lengths=table["length"].to_numpy(dtype=float),
        limit=table["allowable"].fillna(0.0).to_numpy(dtype=float),
        max_length=brief.pulls.max_length,
        digs=ground.digs,
    )
    held = must_be_held(ground, attempt.bends)
    for place, run in enumerate(runs.tolist()):
        blocked = explain_run(
            attempt.sites,
            attempt.candidates,
            attempt.must,
            attempt.costs,
            run=run,
            covered=float(attempt.figures["covered"].iloc[run]),
            held=held,
            lifted={limit: lifts[place] for limit, lifts in lifted.items()},
            limits=_limits(brief, table.iloc[run]),
        )
        yield run, lead(run) + blocked.text, blocked.low


def _limits(brief: Brief, run: pd.Series) -> Limits:
    """Put the limits a run's pits and pulls are held to into words."""
    units, pulls = brief.output.units, brief.pulls
    say = partial(length_text, system=units)
    most = quantity_text(float(run["allowable"]), "force", units)
    machine = run["governed_by"] == "machine"
    share = "machine_capacity, pulls.machine_share" if machine else "force_share"
    return Limits(
        pulls={
            LENGTH: f"the longest pull of {say(pulls.max_length)} [pulls.max_length]",
            FORCE: f"the pull force of at most {most} for {run['carrier']} "
            f"[pulls.{share}, pulls.friction]",
            TENSION: f"the tension {run['carrier']} may have where it is bent [pulls.force_share]",
            SHIFT: f"the shift of {brief.crew.shift / HOUR:g} h a pull must fit, with the strings "
            "joined on [crew.shift, pulls.rate]",
            SHORT: f"the shortest pull of {say(pulls.min_length)} [pulls.min_length]",
            BENDS: f"bends that {run['carrier']} does not pass, or valves, that must lie in a pit "
            "[carrier, bends.fitting_radius, pulls.valves]",
        },
        pits=refusal_limits(brief),
        max_length=pulls.max_length,
        say=say,
    )
