"""Figures of merit as small functions of numpy arrays. Labels are 1 for counterfeit (or departed), else 0."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.evidence.isotonic import isotonic_fit

Floats = NDArray[np.float64]


def _scores_and_labels(scores: ArrayLike, labels: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
    """Both as flat arrays of one length, with both kinds of label present.

    Raises:
        ValueError: if the lengths differ or one kind is missing.
    """
    score_array = np.asarray(scores, dtype=np.float64).ravel()
    label_array = np.asarray(labels).ravel().astype(bool)
    if len(score_array) != len(label_array):
        raise ValueError(f"{len(score_array)} scores for {len(label_array)} labels; give one each")
    if label_array.all() or not label_array.any():
        raise ValueError("both kinds of label are needed; one is missing")
    return score_array, label_array


def auroc(scores: ArrayLike, labels: ArrayLike) -> float:
    """Chance that a departed one scores above a genuine one, ties counting half.

    Raises:
        ValueError: if one kind of label is missing.
    """
    values, is_positive = _scores_and_labels(scores, labels)
    _, where, counts = np.unique(values, return_inverse=True, return_counts=True)
    last_rank = np.cumsum(counts)
    mean_rank = last_rank - (counts - 1) / 2
    positives, negatives = int(is_positive.sum()), int((~is_positive).sum())
    rank_sum = float(mean_rank[where][is_positive].sum())
    return (rank_sum - positives * (positives + 1) / 2) / (positives * negatives)


@dataclass(frozen=True, slots=True, eq=False)
class PrecisionRecall:
    """Precision and recall after each distinct score, highest first."""

    precision: Floats
    recall: Floats


def precision_recall(scores: ArrayLike, labels: ArrayLike) -> PrecisionRecall:
    """Precision and recall when all rows down to each distinct score are looked at.

    Raises:
        ValueError: if one kind of label is missing.
    """
    values, is_positive = _scores_and_labels(scores, labels)
    order = np.argsort(-values, kind="stable")
    ends = np.append(np.flatnonzero(np.diff(values[order])), len(values) - 1)
    hits = np.cumsum(is_positive[order])[ends]
    return PrecisionRecall(hits / (ends + 1), hits / is_positive.sum())


def average_precision(scores: ArrayLike, labels: ArrayLike) -> float:
    """Mean precision over the steps of recall, without interpolation; ties are taken together.

    Raises:
        ValueError: if one kind of label is missing.
    """
    curve = precision_recall(scores, labels)
    return float((np.diff(curve.recall, prepend=0.0) * curve.precision).sum())


def precision_at(scores: ArrayLike, labels: ArrayLike, count: int) -> float:
    """Share of counterfeits among the first `count` rows (all rows if there are fewer); ties by order given.

    Raises:
        ValueError: if `count` is not positive.
    """
    if count < 1:
        raise ValueError(f"count must be 1 or more, got {count}")
    order = np.argsort(-np.asarray(scores, dtype=np.float64), kind="stable")[:count]
    return float(np.asarray(labels, dtype=np.float64)[order].mean())


def brier(probabilities: ArrayLike, labels: ArrayLike) -> float:
    """Mean squared distance between probability and what was true; 0 is perfect."""
    gap = np.asarray(probabilities, dtype=np.float64) - np.asarray(labels, dtype=np.float64)
    return float((gap**2).mean())


@dataclass(frozen=True, slots=True, eq=False)
class Reliability:
    """Per bin: mean probability said, share that was true, rows."""

    said: Floats
    true: Floats
    rows: NDArray[np.int64]

    @property
    def ece(self) -> float:
        """Expected calibration error: mean gap between said and true, weighted by rows."""
        return float((np.abs(self.said - self.true) * self.rows).sum() / self.rows.sum())


def reliability_equal_count(probabilities: ArrayLike, labels: ArrayLike, bins: int = 10) -> Reliability:
    """Reliability over bins that hold the same number of rows each, give or take one."""
    values = np.asarray(probabilities, dtype=np.float64)
    order = np.argsort(values, kind="stable")
    return _reliability([part for part in np.array_split(order, bins) if len(part)], values, labels)


def ece_by_chance(probabilities: ArrayLike, bins: int = 10, draws: int = 1000, seed: int = 0) -> tuple[float, float]:
    """What the ECE would be if each probability were exactly right: chance alone, on so few rows.

    Truths are drawn from the probabilities themselves (consistency resampling, Bröcker and Smith 2007). An ECE at or
    below the high end tells nothing against the probabilities; a goal below the mean cannot be shown on so few rows.

    Returns:
        The mean and the 95% quantile over the draws, of `reliability_equal_count`'s ECE.
    """
    values = np.asarray(probabilities, dtype=np.float64)
    rng = np.random.default_rng(seed)
    errors = [reliability_equal_count(values, rng.random(len(values)) < values, bins).ece for _ in range(draws)]
    return float(np.mean(errors)), float(np.quantile(errors, 0.95))


def reliability_equal_width(probabilities: ArrayLike, labels: ArrayLike, bins: int = 10) -> Reliability:
    """Reliability over bins of equal width in probability; empty bins are left out."""
    values = np.asarray(probabilities, dtype=np.float64)
    which = np.minimum((values * bins).astype(int), bins - 1)
    return _reliability([np.flatnonzero(which == place) for place in np.unique(which)], values, labels)


def _reliability(parts: list[NDArray[np.int64]], values: Floats, labels: ArrayLike) -> Reliability:
    """Collect the bins."""
    truths = np.asarray(labels, dtype=np.float64)
    return Reliability(
        said=np.array([values[part].mean() for part in parts]),
        true=np.array([truths[part].mean() for part in parts]),
        rows=np.array([len(part) for part in parts]),
    )


def cllr(log10_lr: ArrayLike, labels: ArrayLike) -> float:
    """Cost of the log likelihood ratios in bits: 0 is perfect, 1 is what always saying LR = 1 costs.

    Raises:
        ValueError: if one kind of label is missing.
    """
    values, is_positive = _scores_and_labels(log10_lr, labels)
    natural = values * math.log(10)
    missed = np.logaddexp(0, -natural[is_positive]).mean()
    alarmed = np.logaddexp(0, natural[~is_positive]).mean()
    return float((missed + alarmed) / (2 * math.log(2)))


def min_cllr(log10_lr: ArrayLike, labels: ArrayLike) -> float:
    """The least Cllr that a rising recalibration of these scores can reach: what ranking alone costs.

    Raises:
        ValueError: if one kind of label is missing.
    """
    values, is_positive = _scores_and_labels(log10_lr, labels)
    fitted = isotonic_fit(values, is_positive)
    prior_odds = is_positive.mean() / (1 - is_positive.mean())
    # Ratios of 0 and infinity are right here: the fit gives them only where they cost nothing.
    with np.errstate(divide="ignore"):
        best = np.log10(fitted / (1 - fitted)) - math.log10(prior_odds)
    return cllr(best, is_positive)


def cllr_gap_by_chance(
    log10_lr: ArrayLike, probabilities: ArrayLike, draws: int = 300, seed: int = 0
) -> tuple[float, float]:
    """What Cllr minus its minimum would be if each probability were exactly right: chance alone, on so few rows.

    The minimum is fitted to the very labels it is judged on, so it lies below what right probabilities cost. Truths are
    drawn as for `ece_by_chance`, with which it is to be read alike.

    Args:
        log10_lr: shape (n,).
        probabilities: what the same ratios mean at the prior, shape (n,).
        draws: of truths; those with one kind only are passed over.
        seed: of the draws.

    Returns:
        The mean and the 95% quantile over the draws; zeros where no draw has both kinds.
    """
    values = np.asarray(probabilities, dtype=np.float64)
    rng = np.random.default_rng(seed)
    truths = [rng.random(len(values)) < values for _ in range(draws)]
    gaps = [cllr(log10_lr, truth) - min_cllr(log10_lr, truth) for truth in truths if truth.any() and not truth.all()]
    return (float(np.mean(gaps)), float(np.quantile(gaps, 0.95))) if gaps else (0.0, 0.0)


def dcg(gains: ArrayLike, base: float = 2.0) -> Floats:
    """Discounted cumulated gain after each rank; ranks below `base` are not discounted.

    Järvelin and Kekäläinen (2002): from rank `base` on, a gain is divided by log_base(rank).

    Args:
        gains: shape (n,), in the order of the ranking.
        base: of the logarithm, above 1.
    """
    values = np.asarray(gains, dtype=np.float64)
    ranks = np.arange(1, len(values) + 1)
    discount = np.maximum(np.log(ranks) / math.log(base), 1.0)
    return np.asarray(np.cumsum(values / discount), dtype=np.float64)


def ndcg(gains: ArrayLike, base: float = 2.0) -> float:
    """DCG of the whole ranking over that of the best possible one; 1 is perfect, and nothing to find gives 1."""
    values = np.asarray(gains, dtype=np.float64)
    best = float(dcg(np.sort(values)[::-1], base)[-1]) if len(values) else 0.0
    return float(dcg(values, base)[-1]) / best if best > 0 else 1.0


@dataclass(frozen=True, slots=True)
class Confusion:
    """Counts at one threshold."""

    true_positive: int
    false_positive: int
    false_negative: int
    true_negative: int


def confusion(scores: ArrayLike, labels: ArrayLike, threshold: float) -> Confusion:
    """Counts where a score at or above the threshold is taken as positive."""
    is_raised = np.asarray(scores, dtype=np.float64) >= threshold
    is_positive = np.asarray(labels).astype(bool)
    return Confusion(
        true_positive=int((is_raised & is_positive).sum()),
        false_positive=int((is_raised & ~is_positive).sum()),
        false_negative=int((~is_raised & is_positive).sum()),
        true_negative=int((~is_raised & ~is_positive).sum()),
    )
