"""Learning shares and calibration, and writing them down."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression

from pipeline.config import load_evidence
from pipeline.evidence.calibration import calibrate
from pipeline.evidence.isotonic import isotonic_fit
from pipeline.evidence.learn import fit_calibration, learn_shares, with_learned
from pipeline.evidence.render import render
from tests.evidence.builders import CONFIGS, evidence, shipped_evidence


def noisy_sums(rows: int = 4000, share: float = 0.3, seed: int = 3):
    """Sums that claim twice the evidence that they hold."""
    rng = np.random.default_rng(seed)
    labels = rng.random(rows) < share
    honest = rng.normal(np.where(labels, 1.0, -1.0), np.sqrt(2 / np.log(10)))
    return 2 * honest, labels


def test_shares_are_smoothed_counts():
    rows = [(False, {"tab_thread": "matching"})] * 97 + [(False, {"tab_thread": "other"})] * 2
    rows += [(True, {"tab_thread": "matching"})] * 6 + [(True, {"tab_thread": "other"})] * 3
    shares = learn_shares(rows, smoothing=0.5)
    assert set(shares) == {"tab_thread"}
    assert shares["tab_thread"]["other"] == (pytest.approx(2.5 / 100), pytest.approx(3.5 / 10))


def test_a_state_never_met_keeps_a_small_share():
    rows = [(False, {"tab_word": "full"})] * 100_000 + [(True, {"tab_word": "full"})] * 10
    genuine, counterfeit = learn_shares(rows)["tab_word"]["wrong"]
    assert genuine >= 0.9e-4
    assert counterfeit > genuine


def test_one_segment_calibration_is_logistic_regression():
    raw, labels = noisy_sums()
    (x0, y0), (x1, y1) = fit_calibration(raw, labels)
    model = LogisticRegression(C=1e9, tol=1e-10).fit(raw[:, None] * np.log(10), labels)
    log_odds = np.log(labels.mean() / (1 - labels.mean()))
    assert (y1 - y0) / (x1 - x0) == pytest.approx(model.coef_[0, 0], rel=1e-3)
    assert (y0 + y1) / 2 == pytest.approx((model.intercept_[0] - log_odds) / np.log(10), abs=1e-3)
    assert model.coef_[0, 0] == pytest.approx(0.5, abs=0.05)


def test_calibration_with_more_segments_rises_everywhere_and_fits_no_worse():
    raw, labels = noisy_sums()

    def loss(segments: int) -> float:
        points = fit_calibration(raw, labels, segments=segments)
        assert np.all(np.diff([y for _, y in points]) > 0)
        log_odds = np.log(labels.mean() / (1 - labels.mean()))
        logits = np.array([calibrate(value, points, 99) for value in raw]) * np.log(10) + log_odds
        return float(np.mean(np.logaddexp(0, np.where(labels, -logits, logits))))

    assert loss(5) <= loss(1) + 1e-9


def test_a_score_that_runs_the_wrong_way_still_gives_a_rising_line():
    raw, labels = noisy_sums()
    points = fit_calibration(-raw, labels, segments=3)
    assert np.all(np.diff([y for _, y in points]) > 0)


def test_calibration_needs_both_kinds():
    with pytest.raises(ValueError, match="one kind is missing"):
        fit_calibration([0.1, 0.2], [True, True])


@pytest.mark.parametrize(("raw", "expected"), [(-2, -1.0), (0, 0.0), (0.5, 1.0), (1, 2.0), (3, 2.5), (-9, -2.5)])
def test_calibration_follows_the_line_carries_on_and_stops_at_the_bound(raw, expected):
    points = ((-2.0, -1.0), (0.0, 0.0), (1.0, 2.0))
    assert calibrate(raw, points, bound=2.5) == pytest.approx(expected)


@pytest.mark.parametrize("seed", range(4))
def test_isotonic_fit_agrees_with_scikit_learn(seed):
    rng = np.random.default_rng(seed)
    scores = rng.integers(0, 40, 300).astype(float)  # many ties
    values = (rng.random(300) < scores / 60).astype(float)
    expected = IsotonicRegression().fit(scores, values).predict(scores)
    np.testing.assert_allclose(isotonic_fit(scores, values), expected, atol=1e-12)


def test_learned_weights_survive_being_written_and_read(tmp_path):
    rows = [(False, {"tab_resewn": "no"})] * 9 + [(True, {"tab_resewn": "yes"})] * 4
    rule = {"cue": "tab_resewn", "state": "yes", "log10_lr": 0.4, "note": 'no: said "often repaired" # by whom?'}
    learned = with_learned(evidence(overrides=[rule]), learn_shares(rows), [(-6.0, -4.0), (6.0, 5.0)])
    (tmp_path / "evidence.yaml").write_text(render(learned), encoding="utf-8")
    read = load_evidence(tmp_path / "evidence.yaml")
    assert read.overrides == learned.overrides
    assert read.calibration == learned.calibration
    assert read.cues["tab_resewn"].states["yes"].genuine == pytest.approx(0.5 / 10, abs=1e-5)
    assert read.cues["tab_resewn"].states["yes"].kind == shipped_evidence().cues["tab_resewn"].states["yes"].kind
    assert read.cues["tab_thread"] == learned.cues["tab_thread"]


def test_the_shipped_file_is_as_the_program_would_write_it():
    assert render(shipped_evidence()) == (CONFIGS / "evidence.yaml").read_text(encoding="utf-8")
