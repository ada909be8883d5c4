"""One pull followed by hand, from its tail to its head."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import FloatArray
from geotools.pulls.force import ForceProfile, head_forces


def pull_forces(
    profile: ForceProfile, run: int, tail: float, head: float
) -> tuple[FloatArray, FloatArray]:
    """Return chainages, m, and the force at the head as it comes to them, N."""
    inner = profile.chainage[profile.offsets[run] : profile.offsets[run + 1]]
    inner = inner[(inner > min(tail, head)) & (inner < max(tail, head))]
    points = np.concatenate([[tail], inner if head > tail else inner[::-1], [head]])
    count = len(points)
    force = head_forces(
        profile,
        np.full(count, run, dtype=np.int64),
        np.full(count, tail),
        points,
        np.full(count, abs(head - tail)),
        np.full(count, head > tail),
    )
    return points, force
