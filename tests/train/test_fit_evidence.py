"""What is fitted without gradients: temperatures, spreads, thresholds, weights of boxes."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("torch")  # the export beside it needs it

from pipeline import store
from pipeline.classify.heads import POCKET_POINTS
from pipeline.config import load_evidence
from pipeline.domain import Box, FoundPart, PartName
from pipeline.fitting_night import Night, read_fitting_night
from pipeline.train.fit_evidence import (
    _Match,
    _matched,
    best_score,
    best_weight,
    fit_temperature,
    head_temperature,
    keep_night,
    point_scales,
)


@pytest.mark.parametrize("temperature", [0.6, 1.0, 2.5])
def test_the_temperature_that_made_the_logits_too_sharp_is_found_again(temperature):
    rng = np.random.default_rng(2)
    honest = rng.normal(0, 2, (6000, 3))
    chances = np.exp(honest) / np.exp(honest).sum(1, keepdims=True)
    truth = np.array([rng.choice(3, p=row) for row in chances])
    assert fit_temperature(honest * temperature, truth) == pytest.approx(temperature, rel=0.06)


def test_a_head_that_errs_nowhere_on_held_out_crops_is_not_made_surer_for_it():
    truth = np.tile([0, 1], 100)
    faultless = np.where(truth[:, None] == [0, 1], 3.0, 0.0)
    assert fit_temperature(faultless, truth) == pytest.approx(0.25, rel=0.01)  # its lower limit
    assert head_temperature(faultless, truth) == 1
    too_sure = np.where(np.arange(200)[:, None] % 5 == 0, faultless[:, ::-1], faultless)  # one in five is wrong
    assert head_temperature(too_sure, truth) == pytest.approx(3 / np.log(4), rel=0.01)


def test_stated_spreads_are_scaled_until_two_misses_in_three_lie_within():
    # A normal spread holds 68.3 % of its draws within one standard deviation.
    rng = np.random.default_rng(3)
    n, sigma, stated = 4000, 0.02, 0.005
    truth = np.full((n, len(POCKET_POINTS), 2), 0.5)
    out = np.concatenate(
        [truth + rng.normal(0, sigma, truth.shape), np.full((*truth.shape[:2], 1), np.log(stated))], -1
    )
    truth[:, 1] = np.nan  # never shown: left alone
    scales = point_scales({"points": truth, "out_points": out})
    assert scales[POCKET_POINTS[0]] == pytest.approx(sigma / (stated * np.sqrt(2)), rel=0.05)
    assert scales[POCKET_POINTS[1]] == 1.0


def test_the_night_of_the_fit_is_kept_with_what_it_was_judged_by(tmp_path):
    configs = shutil.copytree(Path(__file__).resolve().parents[2] / "configs", tmp_path / "configs")
    night = Night(log10_lrs=(0.5,), cues={})
    keep_night(night, "night", Path("runs/fit"), tmp_path, configs)
    kept = read_fitting_night(tmp_path)
    assert (kept.night, kept.prior_counterfeit) == (night, load_evidence(configs / "evidence.yaml").prior_counterfeit)
    assert (kept.model, kept.rules) == store.judged_by(tmp_path, configs)
    (configs / "evidence.yaml").write_text((configs / "evidence.yaml").read_text() + "# changed\n")
    assert store.judged_by(tmp_path, configs)[1] != kept.rules


def found(score: float, x: float = 0.0) -> FoundPart:
    return FoundPart("p", PartName.TAB, Box(x, 0, 10, 10), score)


def test_the_least_score_lies_where_precision_and_recall_are_best_balanced():
    right = [_Match(found(s), Box(0, 0, 10, 10), ()) for s in np.linspace(0.5, 0.9, 20)]
    wrong = [_Match(found(s), None, ()) for s in np.linspace(0.05, 0.4, 30)]
    assert 0.4 < best_score([*wrong, *right], 20, 0.3) < 0.5
    assert best_score(right, 3, 0.3) == 0.3  # too few to tell


def test_the_weight_goes_to_the_box_that_fits_better():
    truth, detected, net = Box(0, 0, 100, 100), Box(12, 0, 100, 100), Box(0, 0, 100, 100)

    def blend(weight: float) -> Box:
        return Box(detected.x * (1 - weight) + net.x * weight, 0, 100, 100)

    blends = tuple(blend(weight) for weight in np.linspace(0, 1, 11))
    rows = [_Match(found(0.9), truth, blends)] * 12
    assert best_weight(rows, 0.5, 0.5) >= 0.6
    assert best_weight([_Match(found(0.9), truth, blends[::-1])] * 12, 0.5, 0.5) <= 0.4
    assert best_weight(rows, 0.95, 0.5) == 0.5  # nothing sure enough to tell


def test_the_surest_of_two_boxes_on_one_part_takes_it():
    from pipeline.evaluate.labelled import LabelledPart

    labelled = [LabelledPart("p", PartName.TAB, Box(0, 0, 10, 10), {})]
    pairs = _matched([found(0.4), found(0.8, 1.0), found(0.9, 50.0)], labelled)
    assert [(part.score, truth is not None) for part, truth in pairs] == [(0.9, False), (0.8, True), (0.4, False)]
