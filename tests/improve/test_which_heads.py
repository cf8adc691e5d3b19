"""A head takes new weights only where it gains on sellers that it did not learn from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("torch")

import torch

from pipeline.classify.heads import HEADS
from pipeline.improve.train_heads import LabelledTokens, chosen, train_heads
from pipeline.improve.which_heads import heads_that_gain, with_gains_alone
from pipeline.model_files import PartsCard, read_card
from tests.improve.test_train_heads import PRIOR, RECIPE, THREAD, a_network, labelled
from tests.test_layers import ROOT

RESEWN = next(place for place, head in enumerate(HEADS) if head.name == "tab_resewn")
CARD = read_card(ROOT / "models", "parts", PartsCard)


def untold(epoch, row):
    """Nothing is said of single epochs."""


def with_a_riddle(count: int, seed: int) -> LabelledTokens:
    """Crops that show their thread, and say by a coin's toss whether they were resewn."""
    data = labelled(count, seed)
    data.answers[:, RESEWN] = np.random.default_rng(seed).integers(0, 2, count)
    return data


@pytest.mark.parametrize("seed", [1, 2])
def test_a_head_that_learns_gains_and_one_that_learns_by_heart_does_not(seed, tmp_path):
    start = a_network()
    with torch.no_grad():
        for p in start.answer[RESEWN].parameters():
            p.zero_()  # even odds, and nobody can do better at a coin's toss
    gains = heads_that_gain(start, with_a_riddle(90, seed), RECIPE, CARD, tmp_path, lambda done, total: None)
    assert [head.name for head, gained in zip(HEADS, gains, strict=True) if gained] == ["tab_thread"]


def test_no_maker_pays_for_what_another_gains(tmp_path):
    # Of the second maker the same look means the opposite, and nothing tells whose crop it is.
    start = train_heads(a_network(), labelled(48, 3), labelled(8, 4), RECIPE, PRIOR, tmp_path / "start", untold)
    both = labelled(90, 1)
    makers = tuple("first" if n % 3 else "second" for n in range(90))
    for number, maker in enumerate(makers):
        if maker == "second":
            both.answers[number, THREAD] = 1 - both.answers[number, THREAD]
    alone = chosen(both, np.array([n for n in range(90) if makers[n] == "second"]))
    gains = [
        heads_that_gain(start, data, RECIPE, CARD, tmp_path / str(data.count), lambda done, total: None)[THREAD]
        for data in (alone, replace(both, makers=makers))
    ]
    assert gains == [True, False]


def test_heads_that_gain_nothing_stay_bit_for_bit(tmp_path):
    start, data = a_network(), with_a_riddle(48, 1)
    network = train_heads(start, data, data, RECIPE, PRIOR, tmp_path, untold)
    assert not torch.equal(network.queries[RESEWN], start.queries[RESEWN])
    mixed = with_gains_alone(start, network, tuple(place == THREAD for place in range(len(HEADS))))
    assert torch.equal(mixed.queries[RESEWN], start.queries[RESEWN])
    assert torch.equal(mixed.answer[RESEWN].weight, start.answer[RESEWN].weight)
    assert not torch.equal(mixed.queries[THREAD], start.queries[THREAD])
    assert not torch.equal(mixed.answer[THREAD].bias, start.answer[THREAD].bias)


def test_chosen_crops_keep_their_tokens_answers_and_names():
    data = labelled(10, 1)
    some = chosen(data, np.array([1, 4, 5, 9]))
    assert (some.answers == data.answers[[1, 4, 5, 9]]).all()
    assert some.sellers == ("1", "4", "5", "9")
    [(small_at, small), (large_at, large)] = some.groups
    assert (small_at, large_at) == ((0, 1), (2, 3))
    assert torch.equal(small, data.groups[0][1][[1, 4]])
    assert torch.equal(large, data.groups[1][1][[0, 4]])
