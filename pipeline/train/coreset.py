"""A few features that stand for many: greedy k-centre (Gonzalez 1985; Sener & Savarese 2018)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


def greedy_centres(points: Floats, count: int, first: int = 0) -> NDArray[np.int64]:
    """Pick points one by one, always the one farthest from those picked so far.

    The farthest distance left over is at most twice the least that any choice of as many points leaves (Gonzalez 1985).

    Args:
        points: shape (n, channels).
        count: how many to pick; all points if there are fewer.
        first: which point to begin with.

    Returns:
        Indices into `points`, in the order picked, shape (min(count, n),).
    """
    lengths = np.einsum("ij,ij->i", points, points)
    picked = [first]
    left = _squares(points, lengths, first)
    while len(picked) < min(count, len(points)):
        farthest = int(left.argmax())
        picked.append(farthest)
        left = np.minimum(left, _squares(points, lengths, farthest))
    return np.array(picked, np.int64)


def _squares(points: Floats, lengths: Floats, which: int) -> Floats:
    """Squared distances of all points to one; exactly 0 to itself, so that no point is picked twice."""
    out = np.maximum(lengths - 2 * (points @ points[which]) + lengths[which], 0)
    out[which] = 0
    return np.asarray(out, np.float32)
