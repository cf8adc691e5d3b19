"""How good the order and the probabilities of the queue are, beside the best that the photos allow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.evaluate.metrics import (
    auroc,
    average_precision,
    brier,
    cllr,
    cllr_gap_by_chance,
    ece_by_chance,
    min_cllr,
    ndcg,
    precision_at,
    reliability_equal_count,
    reliability_equal_width,
)

Floats = NDArray[np.float64]
_SHARES_LOOKED_AT = (0.01, 0.05, 0.1, 0.2)


@dataclass(frozen=True, eq=False)  # no slots: what is computed once needs room
class QueueScores:
    """Row by row: what the run said, what the oracle said, and what is true. All of shape (listings,)."""

    probability: Floats
    log10_lr: Floats
    oracle_log10_lr: Floats
    counterfeit: NDArray[np.bool_]

    @cached_property
    def ece_by_chance(self) -> tuple[float, float]:
        """What the ECE would be if every probability were right, and what it would stay below 19 times in 20."""
        return ece_by_chance(self.probability)

    @property
    def has_both_kinds(self) -> bool:
        """Whether there is a genuine and a counterfeit listing to tell apart."""
        return bool(self.counterfeit.any() and not self.counterfeit.all())


def queue_figures(scores: QueueScores, capacity: int) -> Mapping[str, object]:
    """All figures of the queue.

    Args:
        scores: at least one genuine and one counterfeit listing.
        capacity: how many listings a person can look at.

    Raises:
        ValueError: if one kind of listing is missing.
    """
    truth, weight = scores.counterfeit, scores.log10_lr
    found = average_precision(weight, truth)
    oracle = average_precision(scores.oracle_log10_lr, truth)
    low, high = share_interval(scores)
    cost, least_cost = cllr(weight, truth), min_cllr(weight, truth)
    chance, chance_95 = scores.ece_by_chance
    gap, gap_95 = cllr_gap_by_chance(weight, scores.probability)
    order = np.argsort(-weight, kind="stable")
    return {
        "listings": len(truth),
        "counterfeit": int(truth.sum()),
        "average_precision": found,
        "oracle_average_precision": oracle,
        "share_of_oracle": found / oracle,
        "share_of_oracle_95": [low, high],
        "auroc": auroc(weight, truth),
        "ece": reliability_equal_count(scores.probability, truth).ece,
        "ece_note": "ten bins of equal count; ece_equal_width has ten bins of equal width",
        "ece_by_chance": chance,
        "ece_by_chance_95": chance_95,
        "ece_equal_width": reliability_equal_width(scores.probability, truth).ece,
        "brier": brier(scores.probability, truth),
        "cllr": cost,
        "min_cllr": least_cost,
        "cllr_minus_min": cost - least_cost,
        "cllr_minus_min_by_chance": gap,
        "cllr_minus_min_by_chance_95": gap_95,
        "ndcg": ndcg(truth[order].astype(np.float64)),
        "capacity": min(capacity, len(truth)),
        "precision_at_capacity": precision_at(weight, truth, capacity),
        "looked_at": [_looked_at(scores, share) for share in _SHARES_LOOKED_AT],
    }


def _looked_at(scores: QueueScores, share: float) -> dict[str, float | int]:
    """What a person finds who looks at this share of the listings, from the top."""
    count = max(1, round(share * len(scores.counterfeit)))
    precision = precision_at(scores.log10_lr, scores.counterfeit, count)
    recall = precision * count / int(scores.counterfeit.sum())
    return {"share": share, "count": count, "precision": precision, "recall": recall}


def share_interval(scores: QueueScores, draws: int = 200, seed: int = 0) -> tuple[float, float]:
    """95% bootstrap interval of the share of the oracle's average precision, listings drawn anew together."""
    rng = np.random.default_rng(seed)
    shares = []
    for _ in range(draws):
        rows = rng.integers(0, len(scores.counterfeit), len(scores.counterfeit))
        truth = scores.counterfeit[rows]
        if truth.any() and not truth.all():
            oracle = average_precision(scores.oracle_log10_lr[rows], truth)
            shares.append(average_precision(scores.log10_lr[rows], truth) / oracle)
    low, high = np.quantile(shares, [0.025, 0.975])
    return float(low), float(high)
