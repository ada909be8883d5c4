"""Labels placed where they do not lie on each other, as far as there is room."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Labels"]

Box = tuple[float, float, float, float]


class Labels:
    """The boxes that are taken: those of symbols first, then of every label as it is placed."""

    def __init__(self) -> None:
        self._boxes: npt.NDArray[np.float64] = np.empty((64, 4))
        self._count = 0

    def take(self, box: Box) -> None:
        """Keep a box (left, bottom, right, top) free of labels."""
        if self._count == len(self._boxes):
            self._boxes = np.vstack([self._boxes, np.empty_like(self._boxes)])
        self._boxes[self._count] = box
        self._count += 1

    def choose(self, boxes: list[Box]) -> int:
        """Take the first box that is free, or the one that covers least; return its place."""
        covered = [self._covered(box) for box in boxes]
        best = int(np.argmin(covered))
        self.take(boxes[best])
        return best

    @property
    def lowest(self) -> tuple[float, float]:
        """Left and lower end of all that is taken; infinite where nothing is."""
        low = self._boxes[: self._count, :2].min(axis=0, initial=np.inf)
        return float(low[0]), float(low[1])

    def free(self, box: Box) -> bool:
        """Say whether nothing lies in a box."""
        return self._covered(box) == 0.0

    def _covered(self, box: Box) -> float:
        taken = self._boxes[: self._count]
        wide = np.minimum(taken[:, 2], box[2]) - np.maximum(taken[:, 0], box[0])
        high = np.minimum(taken[:, 3], box[3]) - np.maximum(taken[:, 1], box[1])
        return float((np.maximum(wide, 0.0) * np.maximum(high, 0.0)).sum())
