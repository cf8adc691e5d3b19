"""Which heads gain from new labels: the others stay as they are in use, bit for bit.

A training moves all heads that it is asked to, those that knew their answers before as well, and a head that gains
nothing can only lose. So each seller's crops are judged by heads that learned from other sellers (cross-fitting in
three folds), and a head takes its new weights where its surprise falls there by more than chance explains, and by so
much that it could matter, while that of no maker rises by more than chance explains: a new maker's word must not be
learned at the cost of another's. Where it would be, heads alone can't tell them apart, and the trunk has to be trained.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from pipeline.classify.heads import HEADS, head_slices
from pipeline.config import HeadsRecipe
from pipeline.improve.crops import OnProgress, Progress
from pipeline.improve.train_heads import LabelledTokens, OnEpoch, chosen, crop_weights, told, train_heads, untold
from pipeline.model_files import PartsCard
from pipeline.train.networks import PartNetwork

Floats = NDArray[np.float64]
FOLDS = 3
_SURELY = 1.645  # standard errors: one side at 95%
_MATTERS = 0.02  # bits: less would hardly move any listing
_LEAST_CHANCE = 1e-4  # as where candidates are compared, no answer costs more than 13 bits


def relearned_heads(
    start: PartNetwork,
    fit: LabelledTokens,
    check: LabelledTokens,
    recipe: HeadsRecipe,
    card: PartsCard,
    work: Path,
    on_epoch: OnEpoch,
    progress: Progress,
) -> tuple[PartNetwork, tuple[bool, ...]]:
    """The network with new weights in the heads that gain, and for each head whether it does.

    Args:
        start: the network in use; left as it is.
        fit: what to learn from, at least one crop.
        check: what to check on after every epoch; may be empty.
        recipe: how to train.
        card: the part network's.
        work: a folder for what is needed to go on after a stop.
        on_epoch: as for `train_heads`.
        progress: gives a context whose value is called with (done, total).
    """
    with progress("training heads") as tell:

        def after_epoch(epoch: int, row: Mapping[str, float]) -> None:
            on_epoch(epoch, row)
            tell(epoch, recipe.epochs)

        network = train_heads(start, fit, check, recipe, card.training_prior, work, after_epoch)
    with progress("asking which heads gain") as tell:
        gains = heads_that_gain(start, fit, recipe, card, work, tell)
    return with_gains_alone(start, network, gains), gains


def heads_that_gain(
    start: PartNetwork,
    fit: LabelledTokens,
    recipe: HeadsRecipe,
    card: PartsCard,
    work: Path,
    on_fold: OnProgress,
) -> tuple[bool, ...]:
    """For each head whether it gains from the crops.

    Args:
        start: the network in use.
        fit: what is to be learned from.
        recipe: as for `train_heads`.
        card: the part network's, with its temperatures and the share of each answer in training.
        work: a folder for what is needed to go on after a stop.
        on_fold: called with (folds done, folds in all).
    """
    fold = np.array([hashlib.sha256(seller.encode()).digest()[1] % FOLDS for seller in fit.sellers])
    fell = np.zeros(fit.answers.shape)
    for number in range(FOLDS):
        held = np.flatnonzero(fold == number)
        rest = np.flatnonzero(fold != number)
        if len(held) and len(rest):
            apart = chosen(fit, held)
            network = train_heads(
                start, chosen(fit, rest), apart, recipe, card.training_prior, work / f"fold-{number}", untold
            )
            fell[held] = _surprise(start, apart, card) - _surprise(network, apart, card)
        on_fold(number + 1, FOLDS)
    weights = crop_weights(fit, card.training_prior, recipe.most_weight)
    makers = np.array(fit.makers)
    return tuple(_gains(fell[:, place], weights[:, place], makers) for place in range(len(HEADS)))


def with_gains_alone(start: PartNetwork, network: PartNetwork, gains: tuple[bool, ...]) -> PartNetwork:
    """The relearned network (changed in place) with the heads that gain nothing as they were at the start."""
    with torch.no_grad():
        for place, keeps in enumerate(gains):
            if not keeps:
                network.queries[place] = start.queries[place]
                network.answer[place].load_state_dict(start.answer[place].state_dict())
    return network


def _gains(fell: Floats, weights: Floats, makers: NDArray[np.str_]) -> bool:
    """Whether one head gains: how far each crop's surprise fell, what each weighs (0 where the head isn't asked)."""
    asked = weights > 0
    if not asked.any():
        return False
    mean, noise = _mean_and_noise(fell[asked], weights[asked])
    of_makers = [_mean_and_noise(fell[mine], weights[mine]) for mine in _of_makers(makers, asked)]
    return mean > noise and all(of_maker >= -its_noise for of_maker, its_noise in of_makers)


def _of_makers(makers: NDArray[np.str_], asked: NDArray[np.bool_]) -> list[NDArray[np.bool_]]:
    return [asked & (makers == maker) for maker in np.unique(makers[asked])]


def _mean_and_noise(values: Floats, weights: Floats) -> tuple[float, float]:
    """A weighed mean, and how far from 0 it may lie by chance or without meaning anything."""
    mean = float((weights * values).sum() / weights.sum())
    error = float(np.sqrt((weights**2 * (values - mean) ** 2).sum()) / weights.sum())
    return mean, max(_SURELY * error, _MATTERS)


def _surprise(network: PartNetwork, data: LabelledTokens, card: PartsCard) -> Floats:
    """Bits at the label, (crops, heads); 0 where a head is not asked."""
    logits = torch.from_numpy(told(network, data))
    bits = np.zeros(data.answers.shape)
    for place, (name, where) in enumerate(head_slices().items()):
        asked = np.flatnonzero(data.answers[:, place] >= 0)
        told_of = torch.softmax(logits[asked][:, where] / card.temperature[name], 1).numpy()
        chances = told_of[np.arange(len(asked)), data.answers[asked, place]]
        bits[asked, place] = -np.log2(np.maximum(chances, _LEAST_CHANCE))
    return bits
