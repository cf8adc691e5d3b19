"""The last correction: a rising line from the summed evidence to what such a sum has meant in practice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def calibrate(raw_log10_lr: float, points: Sequence[tuple[float, float]], bound: float) -> float:
    """Follow the line through `points`, carried on beyond its ends, and stay within +-bound.

    Args:
        raw_log10_lr: the sum over the cues.
        points: [raw, calibrated] pairs, raw values rising, calibrated values never falling; two or more.
        bound: furthest value of the result, in log10.
    """
    raw, calibrated = np.array(points, dtype=np.float64).T
    segment = int(np.clip(np.searchsorted(raw, raw_log10_lr) - 1, 0, len(raw) - 2))
    slope = (calibrated[segment + 1] - calibrated[segment]) / (raw[segment + 1] - raw[segment])
    value = calibrated[segment] + slope * (raw_log10_lr - raw[segment])
    return float(np.clip(value, -bound, bound))
