"""Whether two samples could well come from the same source."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

_TERMS = 100
_JUST_AS_RARE = 1 + 1e-9  # tables that are equally likely on paper differ in the last digits


def kolmogorov_smirnov(one: ArrayLike, other: ArrayLike) -> tuple[float, float]:
    """The two-sample Kolmogorov-Smirnov test: how far apart two samples lie, whatever shape they have.

    Args:
        one: at least one number.
        other: likewise.

    Returns:
        The largest distance of the two shares of values up to a point (0..1), and the chance of so large a one if both
        came from one source; by Kolmogorov's series with the correction for small samples of Stephens (1970),
        lambda = (sqrt(n) + 0.12 + 0.11 / sqrt(n)) D, n = n1 n2 / (n1 + n2). With ties the chance is stated too large.

    Raises:
        ValueError: if a sample is empty.
    """
    first, second = np.sort(np.asarray(one, np.float64)), np.sort(np.asarray(other, np.float64))
    if not first.size or not second.size:
        raise ValueError("both samples need at least one number")
    points = np.concatenate([first, second])
    shares = [np.searchsorted(values, points, "right") / values.size for values in (first, second)]
    distance = float(np.abs(shares[0] - shares[1]).max())
    root = math.sqrt(first.size * second.size / (first.size + second.size))
    return distance, _kolmogorov((root + 0.12 + 0.11 / root) * distance)


def _kolmogorov(scaled: float) -> float:
    """Kolmogorov's limit: 2 sum over k of (-1)^(k-1) exp(-2 k^2 lambda^2), within 0..1."""
    if scaled < 0.2:  # 1 to fifteen digits, where the series converges slowly
        return 1.0
    terms = (2 * (-1) ** (k - 1) * math.exp(-2 * (k * scaled) ** 2) for k in range(1, _TERMS))
    return min(max(math.fsum(terms), 0.0), 1.0)


def fisher_exact(hits: int, trials: int, other_hits: int, other_trials: int) -> float:
    """Fisher's exact test (1935), two-sided: the chance of two shares as different as these, or more.

    The chances of all tables with the same margins that are no likelier than the one seen, added up.

    Args:
        hits: of `trials`, 0..trials.
        trials: 0 or more; with none in either sample nothing can differ, and the chance is 1.
        other_hits: of `other_trials`, likewise.
        other_trials: likewise.

    Raises:
        ValueError: if there are more hits than trials, or fewer than none.
    """
    if not (0 <= hits <= trials and 0 <= other_hits <= other_trials):
        raise ValueError(f"hits must lie in 0..trials, got {hits} of {trials} and {other_hits} of {other_trials}")
    if trials > other_trials:  # the shorter sample has fewer tables to go through
        hits, trials, other_hits, other_trials = other_hits, other_trials, hits, trials
    together = hits + other_hits
    tables = range(max(0, together - other_trials), min(trials, together) + 1)
    all_ways = _log_choose(trials + other_trials, together)
    chances = [math.exp(_log_choose(trials, k) + _log_choose(other_trials, together - k) - all_ways) for k in tables]
    seen = chances[hits - tables.start]
    return min(math.fsum(chance for chance in chances if chance <= seen * _JUST_AS_RARE), 1.0)


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
