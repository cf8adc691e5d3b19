"""Pool adjacent violators: the rising line closest to a run of values."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def isotonic_fit(scores: ArrayLike, values: ArrayLike) -> Floats:
    """Least-squares fit of `values` that never falls as the score rises; equal scores get equal values.

    Args:
        scores: shape (n,), any order.
        values: shape (n,), for instance 0 and 1.

    Returns:
        Shape (n,), the fitted value of each row, in the order given.
    """
    scores_array = np.asarray(scores, dtype=np.float64)
    values_array = np.asarray(values, dtype=np.float64)
    distinct, where, counts = np.unique(scores_array, return_inverse=True, return_counts=True)
    sums = np.bincount(where, weights=values_array, minlength=len(distinct))
    blocks: list[tuple[float, int, int]] = []  # sum of values, rows, distinct scores
    for total, rows in zip(sums, counts, strict=True):
        block = (float(total), int(rows), 1)
        while blocks and blocks[-1][0] * block[1] >= block[0] * blocks[-1][1]:
            before = blocks.pop()
            block = (before[0] + block[0], before[1] + block[1], before[2] + block[2])
        blocks.append(block)
    fitted = np.repeat([total / rows for total, rows, _ in blocks], [width for _, _, width in blocks])
    return np.asarray(fitted[where], dtype=np.float64)
