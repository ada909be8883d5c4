"""Bends that follow each other more closely than a carrier bent as for each alone can bear.

Between two elbows the carrier comes back to its outer wall, or, if the next one turns the other
way, crosses to the other wall; by a curve it comes out by the wall it can go along. Arcs round
two curves need room for each other between them. Worked out for every two by halving the radius
until they just pass.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from geotools.deliver.verify.formulas import passing_radius

__all__ = ["HALF_TURN", "SENSES", "Turn", "closest", "past_curve"]

HALVINGS = 60
RANGE = 1e-3  # of the radius that passes each alone, below which none is looked for
ROUNDING = 1e-12
FAR = 1e6  # m, a radius that no pipe needs
HALF_TURN = math.nextafter(math.pi, 0.0)
SENSES = ("left", "right")


@dataclass(frozen=True)
class Turn:
    """A bend: from where to where, m, angle, rad, sense, what passes it alone, and its axis, m."""

    start: float
    end: float
    angle: float
    sense: str
    alone: float
    axis: float
    curve: bool


@dataclass(frozen=True)
class Beside:
    """A bend beside an elbow: how far off, m, whether it turns the other way or is a curve."""

    gap: float
    crossed: bool
    curve: bool = False


def closest(turns: list[Turn], gap: float) -> list[float]:
    """Return what passes bends of a run, in order, with those before and after them, m.

    ``gap`` is the clearance, m. Where two senses are not known both ways round are tried.
    """
    out = [math.inf] * len(turns)
    for k in range(len(turns) - 1):
        pair = turns[k], turns[k + 1]
        if not math.isfinite(min(turn.alone for turn in pair)):
            continue
        radius = min(_pair(turns, k, gap, crossed=crossed) for crossed in (False, True))
        out[k], out[k + 1] = min(out[k], radius), min(out[k + 1], radius)
    return out


def _crossed(one: Turn, other: Turn, unknown: bool) -> bool:
    known = one.sense in SENSES and other.sense in SENSES
    return one.sense != other.sense if known else unknown


def _straight(one: Turn, other: Turn) -> float:
    """Return the straight between two bends; elbows of a radius take some of it."""
    taken = sum(t.axis * math.tan(t.angle / 2) for t in (one, other) if not t.curve)
    return max(max(other.start - one.end, 0.0) - taken, 0.0)


def _pair(turns: list[Turn], k: int, gap: float, *, crossed: bool) -> float:
    """Return what passes the bend of a number and the next one, unknown senses crossed or not."""
    one, other = turns[k], turns[k + 1]

    if one.curve and other.curve:
        bends = turns[k - 1] if k else None, turns[k + 2] if k + 2 < len(turns) else None
        return _two_curves((one, other), bends, gap, crossed=_crossed(one, other, crossed))

    def beside(own: int, next_: int) -> Beside | None:
        if not 0 <= next_ < len(turns) or turns[own].curve:
            return None
        first, second = turns[min(own, next_)], turns[max(own, next_)]
        straight = _straight(first, second)
        if turns[next_].curve:
            past = _past(turns[next_], gap, min(turns[own].alone, FAR))
            return Beside(max(straight - past, 0.0), crossed=False, curve=True)
        return Beside(straight, _crossed(first, second, crossed))

    before, after = beside(k, k - 1), beside(k + 1, k + 2)
    other_way, straight = _crossed(one, other, crossed), _straight(one, other)
    whole = other_way and not (one.curve or other.curve)
    turned = [
        turn
        if turn.curve or whole
        else replace(turn, angle=min(turn.angle, 2 * _arc(gap, turn.alone)))
        for turn in (one, other)
    ]

    def elbows(radius: float) -> bool:
        held = radius * (math.tan(one.angle / 2) + math.tan(other.angle / 2))
        clear = not any(
            b and (b.crossed or b.curve) and _meets(b, gap, radius) for b in (before, after)
        )
        if not other_way and clear and held <= max(other.start - one.end, 0.0):
            return True
        ends = list(zip(turned, (before, after), strict=True))
        return _elbows_pass(ends, Beside(straight, other_way), gap, radius)

    def by_curve(radius: float) -> bool:
        curve, elbow = turned if one.curve else turned[::-1]
        far = k - 1 if one.curve else k + 2  # the bend on the other side of the curve
        left = _left_by(turns[far], curve, gap) if 0 <= far < len(turns) else math.inf
        between = Beside(straight, other_way)
        return _passes_by(elbow, curve, (before, after), between, left, gap, radius)

    passes = by_curve if one.curve or other.curve else elbows
    return _widest(passes, min(one.alone, other.alone))


def _widest(passes: Callable[[float], bool], alone: float) -> float:
    if passes(alone * (1 - ROUNDING)):
        return math.inf
    low, high = alone * RANGE, alone
    for _ in range(HALVINGS):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if passes(middle) else (low, middle)
    return low


def _arc(gap: float, radius: float) -> float:
    """Return what an arc turns from an outer wall to an inner corner, rad."""
    return math.acos(min(max(1 - gap / radius, -1.0), 1.0))


def _shared(beside: Beside, gap: float, radius: float) -> float:
    """Return what each of two elbows may turn between them, rad."""
    straight = max(beside.gap, ROUNDING)
    if beside.crossed:
        return gap / straight + straight / (4 * radius)
    return straight / (2 * radius)


def _meets(beside: Beside | None, gap: float, radius: float) -> bool:
    return beside is not None and _shared(beside, gap, radius) < _arc(gap, radius)


def _elbows_pass(
    ends: list[tuple[Turn, Beside | None]], between: Beside, gap: float, radius: float
) -> bool:
    """Say whether a carrier passes two elbows, each with the elbow on its other side."""
    arc, length = _arc(gap, radius), between.gap / radius
    met = [_meets(beside, gap, radius) for _, beside in ends]
    due = [
        turn.angle / 2 if near else turn.angle - arc
        for (turn, _), near in zip(ends, met, strict=True)
    ]
    angles = [turn.angle for turn, _ in ends]
    if not between.crossed:
        whole = max(sum(angles), ROUNDING)
        round_both = whole / 2 - length * min(angles) / whole <= arc
        return max(due) <= length / 2 or (not any(met) and round_both)
    due = [max(one, 0.0) for one in due]
    slopes = [max(due[0], due[1] - length), max(due[1], due[0] - length)]
    wrong = sum(max(slope - angle, 0.0) for slope, angle in zip(slopes, angles, strict=True))
    least = (sum(slopes) - length) / 2
    drift = sum(slope**2 for slope in slopes) - 2 * least**2 + wrong**2
    return drift * radius / 2 <= gap


def _passes_by(
    elbow: Turn,
    curve: Turn,
    besides: tuple[Beside | None, Beside | None],
    between: Beside,
    left: float,
    gap: float,
    radius: float,
) -> bool:
    """Say whether a carrier passes an elbow beside a curve, with ``left`` on that one's far side.

    By an elbow to its side it comes to the curve's inner wall, and has to get back to the outer
    one, or to pass both as one mitre, where it cannot go along the inner one.
    """
    arc, near_by = _arc(gap, radius), any(_meets(one, gap, radius) for one in besides)
    far = elbow.angle / 2 if near_by else arc
    past, reach = _past(curve, gap, radius), math.sqrt(2 * gap * radius)
    if not between.crossed and radius > curve.axis and between.gap < reach + past:
        whole = min(elbow.angle + curve.angle, math.pi)
        as_one = not near_by and radius <= passing_radius(whole, gap, 0.0)
        if not as_one and elbow.angle > 2 * max(between.gap - past, 0.0) / radius:
            return False
    if between.crossed:
        along = radius <= curve.axis - gap / 2
        near = math.inf if along else max(between.gap - past, 0.0) / radius / (1 + math.sqrt(2))
    elif between.gap >= reach + past:
        near = arc
    else:
        near = _out_of(curve, between.gap, gap, radius, shared=left < reach + past)
    return elbow.angle <= far + min(near, arc)


def _two_curves(
    pair: tuple[Turn, Turn], bends: tuple[Turn | None, Turn | None], gap: float, *, crossed: bool
) -> float:
    """Return what passes two curves, in order; ``bends`` are those before and after them."""
    one, other = pair
    straight = max(other.start - one.end, 0.0)
    beyond = [
        _left_by(near, curve, gap) if near else math.inf
        for near, curve in zip(bends, pair, strict=True)
    ]

    def passes(radius: float) -> bool:
        tops = [_top(curve, gap, radius) for curve in pair]
        share = gap / sum(tops) if sum(tops) > gap else 1.0
        for off in ((0.0, 0.0), (tops[0] * share, tops[1] * share)):
            taken = sum(_past(c, gap, radius, y) for c, y in zip(pair, off, strict=True))
            across = gap - sum(off) if crossed else 0.0
            across = across if across > ROUNDING * gap else 0.0
            if taken + 2 * math.sqrt(across * radius) <= straight:
                return True
        return not crossed and _as_one(pair, gap, radius, min(beyond))

    return _widest(passes, min(one.alone, other.alone))


def _half(curve: Turn) -> float:
    return min(curve.angle, HALF_TURN) / 2


def _top(curve: Turn, gap: float, radius: float) -> float:
    """Return how far off the outer wall an arc round a curve may begin, m."""
    wider, cosine = radius - curve.axis - gap / 2, math.cos(_half(curve))
    return min(max(gap * cosine - wider * (1 - cosine), 0.0), gap)


def _as_one(pair: tuple[Turn, Turn], gap: float, radius: float, beyond: float) -> bool:
    """Say whether two curves of one sense are passed as one, as tight as the tighter of them."""
    whole, axis = sum(curve.angle for curve in pair), min(curve.axis for curve in pair)
    one = replace(pair[0], angle=whole, axis=axis)
    alone = passing_radius(min(whole, math.pi), gap, axis)
    return radius <= alone and _past(one, gap, radius) <= beyond


def _left_by(bend: Turn, curve: Turn, gap: float) -> float:
    """Return how far a curve may be passed towards the next bend, m."""
    first, second = sorted((bend, curve), key=lambda turn: turn.start)
    straight, least = _straight(first, second), min(bend.alone, curve.alone)
    if bend.curve:
        return max(straight - max(_past(c, gap, min(least, FAR)) for c in (bend, curve)), 0.0)
    return max(straight - _past(curve, gap, min(bend.alone, FAR)), 0.0)


def _past(curve: Turn, gap: float, radius: float, off: float = 0.0) -> float:
    """Return how far past a curve's ends an arc so far off the outer wall goes on, m."""
    return past_curve(curve.axis, curve.angle, gap, radius, off)


def past_curve(axis: float, angle: float, gap: float, radius: float, off: float = 0.0) -> float:
    """Return the same of a curve's axis radius, m, and angle, rad; 0 if the arc goes along it."""
    more = max(radius - axis - gap / 2 + off, 0.0)
    return more * math.tan(min(angle, HALF_TURN) / 2)


def _out_of(curve: Turn, straight: float, gap: float, radius: float, *, shared: bool) -> float:
    """Return what is turned in a curve, and the straight behind it, towards the inner corner.

    Half of a curve that is ``shared`` is for the bend on its other side.
    """
    more = 1 / radius - 1 / curve.axis
    if more <= 0:
        return 0.0
    span = (curve.end - curve.start) / (2 if shared else 1)
    spare = max(gap - straight**2 / (2 * radius), 0.0)
    begun = math.sqrt(straight**2 + 2 * spare / more) - straight
    if begun <= span:
        return more * begun + straight / radius
    if shared:
        return more * span + straight / radius
    left = max(spare - more * span * (span / 2 + straight), 0.0)
    before = math.sqrt((span + straight) ** 2 + 2 * left * radius) - span - straight
    return more * span + straight / radius + before / radius
