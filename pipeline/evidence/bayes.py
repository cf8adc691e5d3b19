"""Bayes' rule in odds form."""

from __future__ import annotations

import math


def log10_odds(probability: float) -> float:
    """Log10 of p / (1 - p).

    Raises:
        ValueError: if the probability is not strictly between 0 and 1.
    """
    if not 0 < probability < 1:
        raise ValueError(f"a probability strictly between 0 and 1 is needed, got {probability}")
    return math.log10(probability / (1 - probability))


def posterior(prior: float, log10_lr: float) -> float:
    """Probability after evidence of this weight: odds after = odds before times likelihood ratio.

    Raises:
        ValueError: if the prior is not strictly between 0 and 1.
    """
    return 1 / (1 + math.pow(10, -(log10_odds(prior) + log10_lr)))
