"""Training the heads: the same every time, stopped or not, and nothing but the heads."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

pytest.importorskip("torch")

import torch

from pipeline.classify.heads import HEADS
from pipeline.config import load_heads_recipe
from pipeline.improve.train_heads import (
    LabelledTokens,
    answer_weights,
    crop_weights,
    figures,
    known_of_makers,
    train_heads,
)
from pipeline.train.backbone import LiteTrunk
from pipeline.train.export import training_prior
from pipeline.train.networks import PartNetwork
from tests.test_layers import ROOT

PRIOR = training_prior()
THREAD = next(place for place, head in enumerate(HEADS) if head.name == "tab_thread")
RECIPE = load_heads_recipe(ROOT / "configs/learning/heads.yaml").model_copy(
    update={"epochs": 6, "batch": 16, "peak_rate": 0.01}
)


def a_network() -> PartNetwork:
    torch.manual_seed(3)
    return PartNetwork(LiteTrunk()).eval()


def labelled(count: int, seed: int, places: int = 20) -> LabelledTokens:
    """Crops whose thread shows in one of the channels of all places."""
    rng = np.random.default_rng(seed)
    answers = np.full((count, len(HEADS)), -1, np.int64)
    answers[:, THREAD] = np.arange(count) % 2
    tokens = rng.normal(0, 1, (count, places, 160)).astype(np.float16)
    tokens[:, :, 5] += 4 * answers[:, THREAD, None] - 2
    half = count // 2  # two crop sizes
    groups = ((tuple(range(half)), torch.from_numpy(tokens[:half])),)
    groups += ((tuple(range(half, count)), torch.from_numpy(tokens[half:, : places // 2])),)
    return LabelledTokens(groups, answers, ("quillmere",) * count, tuple(map(str, range(count))))


def trained(work, *, on_epoch=lambda epoch, row: None, start=None) -> PartNetwork:
    return train_heads(start or a_network(), labelled(48, 1), labelled(16, 2), RECIPE, PRIOR, work, on_epoch)


def same(one: PartNetwork, other: PartNetwork) -> bool:
    mine, theirs = one.state_dict(), other.state_dict()
    return all(torch.equal(mine[name], theirs[name]) for name in mine)


def test_a_head_learns_what_its_crops_show(tmp_path):
    before, after = a_network(), trained(tmp_path)
    unseen = labelled(60, 9)
    assert figures(before, unseen, "check")["check_right"] < 0.8
    assert figures(after, unseen, "check")["check_right"] > 0.95


def test_box_print_and_points_stay_bit_for_bit(tmp_path):
    start = a_network()
    after = trained(tmp_path, start=start)
    crop = torch.randint(0, 255, (2, 3, 96, 96), generator=torch.Generator().manual_seed(1)).float()
    with torch.no_grad():
        one, other = start(crop), after(crop)
    assert not torch.equal(one["answers"], other["answers"])
    for name in ("box", "digits", "digit_seen", "points", "point_seen"):
        assert torch.equal(one[name], other[name]), name


def test_the_same_seed_trains_the_same_weights(tmp_path):
    assert same(trained(tmp_path / "one"), trained(tmp_path / "other"))


def test_a_run_stopped_between_epochs_goes_on_to_the_same_weights(tmp_path):
    class Stop(Exception):
        pass

    def stop(epoch, row):
        if epoch == 3:
            raise Stop

    with pytest.raises(Stop):
        trained(tmp_path / "stopped", on_epoch=stop)
    told = []
    gone_on = trained(tmp_path / "stopped", on_epoch=lambda epoch, row: told.append(epoch))
    assert told == [1, 2, 3, 4, 5, 6]
    assert same(gone_on, trained(tmp_path / "whole"))


@pytest.mark.slow
def test_a_run_that_was_killed_outright_ends_with_the_same_weights(tmp_path):
    code = (
        "import sys, time\nfrom pathlib import Path\n"
        "from tests.improve.test_train_heads import trained\n"
        "trained(Path(sys.argv[1]), on_epoch=lambda epoch, row: (print(epoch, flush=True), time.sleep(0.3)))"
    )
    words = [sys.executable, "-c", code, str(tmp_path / "killed")]
    running = subprocess.Popen(
        words, cwd=ROOT, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": "."}
    )
    while running.stdout.readline().strip() != "2":
        assert running.poll() is None
    time.sleep(0.35)  # into the third epoch
    running.send_signal(signal.SIGKILL)
    running.wait()
    running.stdout.close()
    assert (tmp_path / "killed" / "heads.safetensors").exists()
    assert same(trained(tmp_path / "killed"), trained(tmp_path / "whole"))


@pytest.mark.gpu
def test_a_gpu_in_mixed_precision_learns_as_well_and_the_same_every_time(tmp_path):
    one, other = trained(tmp_path / "one"), trained(tmp_path / "other")
    assert figures(one, labelled(60, 9), "check")["check_right"] > 0.95
    assert same(one, other)


def test_nothing_to_learn_from_is_said(tmp_path):
    none = LabelledTokens((), np.zeros((0, len(HEADS)), np.int64), (), ())
    with pytest.raises(ValueError, match="no labelled crop"):
        train_heads(a_network(), none, none, RECIPE, PRIOR, tmp_path, lambda epoch, row: None)


def test_rare_answers_weigh_up_to_the_share_that_the_card_states():
    # By hand: 2 of 20 depart, the card says half; so each weighs 0.5 / 0.1 = 5, each other 0.5 / 0.9.
    answers = np.full((20, len(HEADS)), -1)
    answers[:, THREAD] = [1, 1] + [0] * 18
    weights = answer_weights(answers, PRIOR, most=10)[THREAD]
    assert weights == pytest.approx([0.5 / 0.9, 5.0])
    assert answer_weights(answers, PRIOR, most=3)[THREAD] == pytest.approx([0.5 / 0.9, 3.0])


def test_crops_of_every_maker_weigh_alike_however_few_they_are():
    # By hand: a maker with 4 crops and one with 16, half of each departing; each maker's weights sum to a half of all.
    answers = np.full((20, len(HEADS)), -1)
    answers[:, THREAD] = [0, 1] * 10
    weights = crop_weights(LabelledTokens((), answers, ("one",) * 4 + ("other",) * 16, ("s",) * 20), PRIOR, most=10)
    assert weights[:4, THREAD] == pytest.approx([2.5] * 4)
    assert weights[4:, THREAD] == pytest.approx([0.625] * 16)
    assert not np.delete(weights, THREAD, axis=1).any()


def of_makers(first: int, second: int, seed: int) -> LabelledTokens:
    """The first maker's thread departs where a channel is high; the second's, told by another, where it is low."""
    count = first + second
    rng = np.random.default_rng(seed)
    answers = np.full((count, len(HEADS)), -1, np.int64)
    answers[:, THREAD] = np.arange(count) % 2
    is_second = np.arange(count) >= first
    tokens = rng.normal(0, 1, (count, 20, 160)).astype(np.float16)
    tokens[:, :, 5] += ((4 * answers[:, THREAD] - 2) * np.where(is_second, -1, 1))[:, None]
    tokens[:, :, 9] += 4 * is_second[:, None]
    makers = ("first",) * first + ("second",) * second
    return LabelledTokens(
        ((tuple(range(count)), torch.from_numpy(tokens)),), answers, makers, tuple(map(str, range(count)))
    )


def test_what_was_right_of_one_maker_is_kept_while_another_is_learned(tmp_path):
    unseen, both = of_makers(60, 0, 8), of_makers(24, 48, 4)
    start = train_heads(
        a_network(), of_makers(60, 0, 1), unseen, RECIPE, PRIOR, tmp_path / "start", lambda epoch, row: None
    )
    losses = {}
    for keep in (0.0, 3.0):
        recipe = RECIPE.model_copy(update={"keep_right": keep})
        after = train_heads(start, both, both, recipe, PRIOR, tmp_path / str(keep), lambda epoch, row: None)
        losses[keep] = figures(after, unseen, "check")["check_loss"]
    assert figures(start, of_makers(0, 60, 5), "check")["check_right"] < 0.5
    assert losses[3.0] < 0.7 * losses[0.0]


def test_what_a_head_knows_is_the_balanced_accuracy_of_scikit_learn_with_luck_taken_out():
    from sklearn.metrics import balanced_accuracy_score

    word = next(place for place, head in enumerate(HEADS) if head.name == "tab_word")
    rng = np.random.default_rng(5)
    truth = rng.choice(4, 200, p=[0.7, 0.1, 0.1, 0.1])
    said = np.where(rng.random(200) < 0.6, truth, rng.integers(0, 4, 200))
    answers, likeliest = np.full((200, len(HEADS)), -1), np.zeros((200, len(HEADS)), np.int64)
    answers[:, word], likeliest[:, word] = truth, said
    known = known_of_makers(likeliest, LabelledTokens((), answers, ("one",) * 200, ("s",) * 200))
    assert known[:, word] == pytest.approx(balanced_accuracy_score(truth, said, adjusted=True), abs=1e-6)
    assert (np.delete(known, word, axis=1) == 1).all()  # of what nobody asks nothing is known to be unknown


def test_a_head_that_always_says_the_same_knows_nothing_of_a_maker_and_may_know_all_of_another():
    answers = np.full((40, len(HEADS)), -1)
    answers[:, THREAD] = [0] * 9 + [1] + [0, 1] * 5 + [0] * 20
    said = np.zeros((40, len(HEADS)), np.int64)
    said[10:20, THREAD] = [0, 1] * 5
    makers = ("first",) * 10 + ("second",) * 10 + ("third",) * 20
    known = known_of_makers(said, LabelledTokens((), answers, makers, ("s",) * 40))[:, THREAD]
    assert known.tolist() == [0.0] * 10 + [1.0] * 10 + [1.0] * 20  # the third's crops show one answer alone
