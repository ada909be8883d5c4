"""The pull force of every pull, marched again along the stations, and its limits.

From the tail to the head ``F <- (F + ds (mu |w| cos a + w sin a)) exp(mu t)``; a stretch that
would run by itself counts as zero. At the tail the rest of the string still drags on its rollers,
so the force with the head s into a pull of length L begins with ``mu_r g m (L - s)``, which every
turn on the way multiplies like the rest; the greatest of all is the pull's. A bend turns evenly
between its first and its last metre, or, where these are one place, at the station nearest to it.
On the way round ``dF/ds = load + mu F / R``, which comes to
``F e^(mu s / R) + load (e^(mu s / R) - 1) R / mu``.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from geotools.deliver.verify.carriers import carriers, pipe_of
from geotools.deliver.verify.formulas import Pipe, bend_tension, tension, weight
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally, Unreadable
from geotools.pipe.factors import HOUR
from geotools.pipe.pulling import friction_band

__all__ = [
    *("MARCHED", "RULES", "Path", "Pulled", "allowed", "frictions", "march", "mean_force"),
    *("path_of", "pulled_of"),
]

MARCHED = 1e-6  # share; two ways of summing the same stretches
BANDS = ("low", "central", "high")


@dataclass(frozen=True)
class Path:
    """What the points of one run hold for a pull: chainage, grade after, turn, bend limit.

    The points are the stations and the ends of what turns on the way, of which ``curves`` holds
    first and last chainage, m, the turn to a metre, rad, and the limit, N.
    """

    at: list[float]
    grade: list[float]
    turn: list[float]
    limit: list[float]
    curves: list[tuple[float, float, float, float]]


@dataclass(frozen=True)
class Pulled:
    """The carrier as it is pulled: weight on the host, and drag on the rollers, N/m."""

    weight: float
    rollers: float


def frictions(plan: Plan) -> dict[str, float]:
    """Return the friction in the host: the band of its state about the value planned with."""
    band, given = friction_band(plan.setting("pulls.host")), plan.setting("pulls.friction")
    central = band.central if given is None else given
    return {
        "low": min(band.low, central),
        "central": central,
        "high": max(band.high, central),
    }


def pulled_of(plan: Plan, pipe: Pipe) -> Pulled:
    """Return the weights of a carrier under the settings."""
    filled, flooded = plan.setting("pulls.filled"), plan.setting("pulls.flooded")
    return Pulled(
        weight(pipe, filled=filled, flooded=flooded),
        plan.setting("pulls.roller_friction") * weight(pipe, filled=False, flooded=False),
    )


def allowed(plan: Plan, pipe: Pipe) -> tuple[float, str]:
    """Return the force at the head that may not be passed, N, and whose it is."""
    hours, warm = plan.setting("pulls.duration") / HOUR, plan.setting("carrier.temperature")
    pipes = plan.setting("pulls.force_share") * tension(pipe, hours=hours, warm=warm)
    machine = plan.setting("pulls.machine_capacity") * plan.setting("pulls.machine_share")
    return (pipes, "pipe") if pipes <= machine else (machine, "machine")


def path_of(plan: Plan, run_id: str, pipe: Pipe) -> Path:
    """Return what a pull meets along a run."""
    return plan.once(f"path {run_id}", lambda: _path(plan, run_id, pipe))


def _path(plan: Plan, run_id: str, pipe: Pipe) -> Path:
    stations = plan.by("stations", "run_id", "chainage").get(run_id, [])
    if not stations:
        raise Unreadable(f"run {run_id} has no stations")
    at, grade = [float(s.chainage) for s in stations], [float(s.grade) for s in stations]
    curves, turned = [], []
    for bend in plan.by("bends", "run_id").get(run_id, []):
        most = _bend_limit(plan, pipe, bend)
        if bend.span > CLOSE:
            first, last = bend.start, bend.start + bend.span
            curves.append((first, last, bend.deflection / bend.span, most))
        else:
            turned.append((bend.chainage, bend.deflection, most))
    for end in sorted(end for curve in curves for end in curve[:2]):
        k = bisect.bisect_right(at, end)
        if all(abs(end - there) > CLOSE for there in at[max(k - 1, 0) : k + 1]):
            at.insert(k, end)
            grade.insert(k, grade[max(k - 1, 0)])
    turn, limit = [0.0] * len(at), [math.inf] * len(at)
    for chainage, deflection, most in turned:
        k = min(range(len(at)), key=lambda k: abs(at[k] - chainage))
        turn[k] += deflection
        limit[k] = min(limit[k], most)
    return Path(at, grade, turn, limit, curves)


def _bend_limit(plan: Plan, pipe: Pipe, bend: Any) -> float:
    """Return the tension allowed where the carrier is bent, N; infinite where it is not pulled."""
    if not (bend.passes and bend.passing_radius > 0 and math.isfinite(bend.passing_radius)):
        return math.inf
    hours, warm = plan.setting("pulls.duration") / HOUR, plan.setting("carrier.temperature")
    most = bend_tension(pipe, bend.passing_radius, hours=hours, warm=warm)
    return float(plan.setting("pulls.force_share") * most)


def _round(path: Path, here: float, to: float) -> tuple[float, float]:
    """Return what a stretch between two points turns to a metre, rad, and its limit, N."""
    middle = (here + to) / 2
    met = [curve for curve in path.curves if curve[0] < middle < curve[1]]
    return math.fsum(curve[2] for curve in met), min((curve[3] for curve in met), default=math.inf)


def march(
    path: Path, tail: float, head: float, friction: float, pulled: Pulled, length: float
) -> list[tuple[float, float, float]]:
    """March the head of a pull from its tail on.

    Returns
    -------
    list of (float, float, float)
        Chainage of the head, force there after any turn, N, and the limit of a bend there
        (infinite where there is none): at the tail, at every point inside, at the head. The
        limit of what turns on the way is that at both its ends.
    """
    sign = 1 if head > tail else -1
    low, high = min(tail, head) + CLOSE, max(tail, head) - CLOSE
    inner = range(bisect.bisect_right(path.at, low), bisect.bisect_left(path.at, high))
    here, host, growth = tail, 0.0, 1.0
    out = [(tail, pulled.rollers * length, math.inf)]
    for k in [*(inner if sign > 0 else reversed(inner)), -1]:
        to = head if k < 0 else path.at[k]
        bent, most = _round(path, here, to)
        out[-1] = (*out[-1][:2], min(out[-1][2], most))
        turned = friction * bent * abs(to - here)
        drag = _drag(path, here, to, sign, friction, pulled.weight)
        if turned > 0:
            drag *= math.expm1(turned) / turned
        host, growth, limit = host * math.exp(turned) + drag, growth * math.exp(turned), most
        if k >= 0:
            grown = math.exp(friction * path.turn[k])
            host, growth, limit = host * grown, growth * grown, min(most, path.limit[k])
        out.append((to, host + growth * pulled.rollers * (length - abs(to - tail)), limit))
        here = to
    return out


def _drag(
    path: Path, here: float, to: float, sign: int, friction: float, weight_n_m: float
) -> float:
    """Return what the stretch between two points adds, N; its grade is that after its station.

    The points are so far apart in plan; up or down the grade there is more pipe.
    """
    k = max(bisect.bisect_right(path.at, (here + to) / 2) - 1, 0)
    slope = math.atan(path.grade[k]) * sign
    load = friction * abs(weight_n_m) * math.cos(slope) + weight_n_m * math.sin(slope)
    return max(load, 0.0) * abs(to - here) * math.hypot(1.0, path.grade[k])


def _tail(pull: Any) -> tuple[float, float]:
    """Return where the string goes in and where its head comes out, m."""
    return (pull.start, pull.end) if pull.direction == "ahead" else (pull.end, pull.start)


def _marched(plan: Plan, pull: Any, band: str) -> list[tuple[float, float, float]]:
    """Return a pull marched with one friction of the band."""
    run = plan.one("runs", "run_id").get(pull.run_id)
    pipe = None if run is None else pipe_of(plan, run)
    if pipe is None:
        raise Unreadable(f"pull {pull.pull_id} has no carrier")
    path, friction = path_of(plan, pull.run_id, pipe), frictions(plan)[band]
    tail, head = _tail(pull)
    return plan.once(
        f"march {pull.pull_id} {band}",
        lambda: march(path, tail, head, friction, pulled_of(plan, pipe), abs(head - tail)),
    )


def mean_force(plan: Plan, pull: Any, pipe: Pipe) -> float:
    """Return the tension averaged along the string of a pull, nothing of it on rollers, N.

    The mean of every two points by the way between them; a bend at a point has tension before and
    after it.
    """
    path, friction = path_of(plan, pull.run_id, pipe), frictions(plan)["central"]
    tail, head = _tail(pull)
    bare = Pulled(pulled_of(plan, pipe).weight, 0.0)
    turn = dict(zip(path.at, path.turn, strict=True))
    total = 0.0
    for (here, after, _), (to, force, _) in pairwise(march(path, tail, head, friction, bare, 0.0)):
        turned = 0.0 if to == head else turn.get(to, 0.0)
        total += (after + force / math.exp(friction * turned)) / 2 * abs(to - here)
    return total / abs(head - tail) if head != tail else 0.0


def forces(plan: Plan) -> Tally:
    """Check the force at every station a head passes, in the order it passes them."""
    tally = Tally("forces")
    rows = plan.by("forces", "pull_id", "pulled")
    for pull in plan.rows("pulls"):
        due = {band: _marched(plan, pull, band) for band in BANDS}
        found = rows.get(pull.pull_id, [])
        tally.near(len(found), len(due["central"]), pull.pull_id, "number of stations")
        tail, _ = _tail(pull)
        for k, row in enumerate(found[: len(due["central"])]):
            where = f"{pull.pull_id} at {row.chainage:.3f} m"
            tally.near(row.chainage, due["central"][k][0], where, "chainage")
            tally.near(row.pulled, abs(row.chainage - tail), where, "length pulled")
            for band, name in zip(BANDS, ("_low", "", "_high"), strict=True):
                force = getattr(row, f"head_force{name}")
                tally.near(force, due[band][k][1], where, f"head_force{name}", share=MARCHED)
            limit = due["central"][k][2]
            due_limit = limit if math.isfinite(limit) else math.nan
            tally.near(row.bend_limit, due_limit, where, "bend_limit", share=MARCHED)
    return tally


def head_forces(plan: Plan) -> Tally:
    """Check the greatest force of every pull, low, planned with and high."""
    tally = Tally("pulls")
    for pull in plan.rows("pulls"):
        for band, name in zip(BANDS, ("_low", "", "_high"), strict=True):
            most = max(force for _, force, _ in _marched(plan, pull, band))
            found = getattr(pull, f"head_force{name}")
            tally.near(found, most, pull.pull_id, f"head_force{name}", share=MARCHED)
    return tally


def limits(plan: Plan) -> Tally:
    """Check what is allowed, that no pull needs more at its head or at a bend, what governs."""
    tally = Tally("pulls")
    told = plan.holds("pulls", "governing_limit")
    if not told:
        tally.skip("where pulls are governed: the plan was written before it was told")
    for pull in plan.rows("pulls"):
        marched = _marched(plan, pull, "central")
        most, whose = allowed(plan, pipe_of(plan, plan.one("runs", "run_id")[pull.run_id]))  # type: ignore[arg-type]
        tally.near(pull.allowable, most, pull.pull_id, "allowable", share=MARCHED)
        _strong(plan, tally, pull, whose)
        head = max(force for _, force, _ in marched)
        tally.holds(
            head <= most * (1 + MARCHED), pull.pull_id, f"needs {head:.0f} N of {most:.0f} N"
        )
        tally.near(pull.head_utilisation, head / most, pull.pull_id, "head_utilisation",
                   share=MARCHED)  # fmt: skip
        worst = 0.0
        for at, force, limit in marched:
            share = force / limit if limit > 0 else math.inf if force > 0 else 0.0
            worst = max(worst, share)
            tally.holds(
                share <= 1 + MARCHED,
                pull.pull_id,
                f"needs {force:.0f} N of {limit:.0f} N in the bend at {at:.3f} m",
            )
        tally.near(pull.utilisation, max(head / most, worst), pull.pull_id, "utilisation",
                   share=MARCHED)  # fmt: skip
        due = "bend" if worst > head / most else whose
        close = abs(worst - head / most) <= MARCHED
        tally.holds(
            close or pull.governed_by == due,
            pull.pull_id,
            f"governed by {pull.governed_by}, due is {due}",
        )
        if told:
            _governed(tally, pull, marched, most)
    return tally


def _strong(plan: Plan, tally: Tally, pull: Any, whose: str) -> None:
    """Check what the carrier bears itself, of which a share is planned with."""
    if plan.holds("pulls", "pipe_strength"):
        planned = pull.pipe_strength * plan.setting("pulls.force_share")
        if whose == "pipe":
            tally.near(planned, pull.allowable, pull.pull_id, "pipe_strength", share=MARCHED)
        else:
            more = planned >= pull.allowable * (1 - MARCHED)
            tally.holds(more, pull.pull_id, "has a pipe weaker than its machine")


def _governed(
    tally: Tally, pull: Any, marched: list[tuple[float, float, float]], most: float
) -> None:
    """Check the place a pull is governed at: the limit there, and no place nearer its limit."""
    bent = pull.governed_by == "bend"
    here = [row for row in marched if abs(row[0] - pull.governing_chainage) <= CLOSE]
    if not tally.holds(bool(here), pull.pull_id, "is governed where its head passes no station"):
        return
    _, force, bend_limit = here[0]
    limit = bend_limit if bent else most
    tally.near(pull.governing_force, force, pull.pull_id, "governing_force", share=MARCHED)
    tally.near(pull.governing_limit, limit, pull.pull_id, "governing_limit", share=MARCHED)
    if limit > 0:
        tally.near(pull.utilisation, force / limit, pull.pull_id,
                   "governing_force over governing_limit", share=MARCHED)  # fmt: skip


def turns(plan: Plan) -> Tally:
    """Check the turn of every pull: the sum of what it passes."""
    tally = Tally("pulls")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
        if not tally.holds(pipe is not None, pull.pull_id, "has no carrier") or pipe is None:
            continue
        path = path_of(plan, pull.run_id, pipe)
        passed = sum(
            turn for at, turn in zip(path.at, path.turn, strict=True) if pull.start < at < pull.end
        )
        for first, last, bent, _ in path.curves:
            passed += bent * max(min(last, pull.end) - max(first, pull.start), 0.0)
        tally.near(pull.deflection, passed, pull.pull_id, "deflection")
    return tally


RULES = (
    Rule("carriers", "carriers are pipes told of, of their bore, and enter the host", carriers),
    Rule("forces", "the force along every pull, from its tail to its head", forces),
    Rule("head-forces", "the greatest force of every pull, with its band", head_forces),
    Rule("force-limits", "no pull needs more than pipe, machine and bends allow", limits),
    Rule("turns", "the turn of a pull is that of the bends it passes", turns),
)
