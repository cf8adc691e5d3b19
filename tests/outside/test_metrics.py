"""Figures of merit against published examples and a second implementation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from sklearn.metrics import average_precision_score, brier_score_loss, confusion_matrix, roc_auc_score

from pipeline.evaluate.metrics import (
    auroc,
    average_precision,
    brier,
    cllr,
    cllr_gap_by_chance,
    confusion,
    dcg,
    ece_by_chance,
    min_cllr,
    ndcg,
    precision_recall,
)
from pipeline.intervals import wilson_interval


def scores_and_labels(seed: int, levels: int):
    """Scores with ties where there are few levels."""
    rng = np.random.default_rng(seed)
    labels = rng.random(400) < 0.25
    scores = np.round((rng.normal(labels * 1.0, 1.0) + 4) / 9 * levels) / levels
    return np.clip(scores, 0, 1), labels


@pytest.mark.parametrize(("seed", "levels"), [(1, 8), (2, 50), (3, 100_000)])
def test_auroc_average_precision_and_brier_agree_with_scikit_learn(seed, levels):
    scores, labels = scores_and_labels(seed, levels)
    assert auroc(scores, labels) == pytest.approx(roc_auc_score(labels, scores), abs=1e-12)
    assert average_precision(scores, labels) == pytest.approx(average_precision_score(labels, scores), abs=1e-12)
    assert brier(scores, labels) == pytest.approx(brier_score_loss(labels, scores), abs=1e-12)
    counts = confusion(scores, labels, 0.5)
    expected = confusion_matrix(labels, scores >= 0.5).ravel().tolist()
    assert [counts.true_negative, counts.false_positive, counts.false_negative, counts.true_positive] == expected
    assert precision_recall(scores, labels).recall[-1] == 1.0


def test_dcg_gives_the_published_example():
    """Järvelin and Kekäläinen (2002), ACM TOIS 20(4): gains, and DCG with base 2, as printed there."""
    gains = [3, 2, 3, 0, 0, 1, 2, 2, 3, 0]
    printed = [3, 5, 6.89, 6.89, 6.89, 7.28, 7.99, 8.66, 9.61, 9.61]
    np.testing.assert_allclose(dcg(gains, base=2), printed, atol=0.006)


def test_ndcg_is_one_for_the_best_order_and_less_for_another():
    assert ndcg([3, 2, 1, 0]) == 1.0
    assert ndcg([0, 1, 2, 3]) < 0.9
    assert ndcg([0, 0]) == 1.0


def test_always_saying_one_costs_one_bit():
    """Brümmer and du Preez (2006), Computer Speech and Language 20: LR = 1 throughout gives Cllr = 1."""
    assert cllr(np.zeros(10), [1] * 3 + [0] * 7) == pytest.approx(1.0)


def test_perfect_and_perfectly_wrong_ratios():
    """The same source: certainty in the right direction costs nothing, in the wrong one without limit."""
    labels = np.array([1] * 5 + [0] * 5)
    right = np.where(labels, 9.0, -9.0)
    assert cllr(right, labels) == pytest.approx(0.0, abs=1e-6)
    assert cllr(-right, labels) == pytest.approx(9 * math.log2(10), rel=1e-6)


def test_min_cllr_forgets_scale_and_shift_but_not_order():
    """The same source: the minimum depends on the order of the scores only."""
    rng = np.random.default_rng(4)
    labels = rng.random(500) < 0.3
    honest = rng.normal(np.where(labels, 0.8, -0.8), 0.8)
    least = min_cllr(honest, labels)
    assert min_cllr(5 * honest - 2, labels) == pytest.approx(least)
    assert least < cllr(honest, labels) < cllr(5 * honest - 2, labels)
    assert min_cllr(np.where(labels, 1.0, -1.0), labels) == pytest.approx(0.0, abs=1e-9)
    assert min_cllr(np.zeros(500), labels) == pytest.approx(1.0)


def test_wilson_interval_gives_the_published_example():
    """Newcombe (1998), Statistics in Medicine 17, 857-872: 81 of 263, method 3."""
    low, high = wilson_interval(81, 263)
    assert (round(low, 4), round(high, 4)) == (0.2553, 0.3662)


@pytest.mark.parametrize("rows_a_bin", [1, 7, 40])
def test_calibration_error_by_chance_is_the_mean_deviation_of_a_binomial(rows_a_bin):
    """De Moivre's mean absolute deviation, 2 v C(n, v) p^v q^(n-v+1) with v = floor(np) + 1 (Diaconis, Zabell 1991)."""
    v = rows_a_bin // 2 + 1
    deviation = 2 * v * math.comb(rows_a_bin, v) * 0.5 ** (rows_a_bin + 1)
    mean, high = ece_by_chance(np.full(10 * rows_a_bin, 0.5), bins=10, draws=4000)
    assert mean == pytest.approx(deviation / rows_a_bin, rel=0.01)
    assert high > mean or rows_a_bin == 1


@pytest.mark.parametrize("shares", [(0.1, 0.9), (0.1, 0.35, 0.65, 0.9), (0.05, 0.2, 0.4, 0.6, 0.8, 0.95)])
def test_the_gap_that_chance_leaves_is_half_a_nat_for_each_share_that_is_fitted(shares):
    """Wilks (1938): k fitted shares gain k / 2 nats on average; up to one half goes to the share of all counterfeits,
    which Cllr takes off again. With as many of each kind, Cllr is the mean surprise in bits."""
    right = np.repeat(shares, 500)
    mean, high = cllr_gap_by_chance(np.log10(right / (1 - right)), right)
    nats = mean * len(right) * math.log(2)
    assert 0.9 * (len(shares) - 1) / 2 < nats < 1.1 * len(shares) / 2
    assert high > mean


def test_ratios_that_are_too_sure_leave_a_wider_gap_than_chance():
    rng = np.random.default_rng(5)
    right = np.repeat((0.1, 0.3, 0.7, 0.9), 250)
    truth = rng.random(len(right)) < right
    sure = 2 * np.log10(right / (1 - right))
    said = 1 / (1 + 10**-sure)
    assert cllr(sure, truth) - min_cllr(sure, truth) > cllr_gap_by_chance(sure, said)[1]
    fair = np.log10(right / (1 - right))
    assert cllr(fair, truth) - min_cllr(fair, truth) < cllr_gap_by_chance(fair, right)[1]
