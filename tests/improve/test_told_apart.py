"""A candidate's card says of relearned heads what was measured on the sellers kept back, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mlflow")
from sklearn.metrics import roc_auc_score

from pipeline.improve.told_apart import with_measured

ABOUT = {"licence": "MIT", "auroc_held_out": {"tab_thread": 0.999, "tab_word": 0.994, "zip_mark": 0.998}}


def chances(count: int, departed: int):
    """Crops' places, true answers, and chances that hardly tell them apart."""
    rng = np.random.default_rng(count)
    truth = np.array([1] * departed + [0] * (count - departed))
    departs = np.clip(0.4 + 0.2 * truth + rng.normal(0, 0.2, count), 0, 1)
    return np.arange(count), truth, np.stack([1 - departs, departs], 1)


def test_a_relearned_head_has_the_figure_of_scikit_learn_and_the_others_keep_theirs():
    told = chances(60, 20)
    about = with_measured(ABOUT, ["tab_thread"], {"tab_thread": told, "tab_word": chances(40, 9)})
    wanted = roc_auc_score(told[1], told[2][:, 1])
    assert about["auroc_held_out"]["tab_thread"] == pytest.approx(wanted, abs=1e-4)
    assert (about["auroc_held_out"]["tab_word"], about["auroc_held_out"]["zip_mark"]) == (0.994, 0.998)
    assert about["heads_relearned"] == {"tab_thread": "measured on 60 crops of sellers kept back, 20 of which depart"}
    assert about["licence"] == "MIT"


@pytest.mark.parametrize("told", [{}, {"zip_mark": chances(60, 4)}, {"zip_mark": chances(60, 56)}])
def test_a_figure_that_was_not_measured_anew_is_left_out(told):
    about = with_measured(ABOUT, ["zip_mark"], told)
    assert set(about["auroc_held_out"]) == {"tab_thread", "tab_word"}
    assert about["heads_relearned"]["zip_mark"].startswith("not measured")


def test_a_candidate_in_which_no_head_gained_says_what_was_said_before():
    assert with_measured(ABOUT, [], {"tab_thread": chances(60, 20)}) == ABOUT


def test_what_an_earlier_relearning_measured_goes_along_until_the_head_changes_again():
    first = with_measured(ABOUT, ["tab_thread", "zip_mark"], {"tab_thread": chances(60, 20)})
    second = with_measured(first, ["zip_mark"], {"zip_mark": chances(50, 10)})
    assert second["heads_relearned"]["tab_thread"] == first["heads_relearned"]["tab_thread"]
    assert second["auroc_held_out"]["tab_thread"] == first["auroc_held_out"]["tab_thread"]
    assert second["heads_relearned"]["zip_mark"].startswith("measured on 50 crops")
