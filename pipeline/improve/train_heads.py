"""Trains the heads on labelled crops, the trunk left as it is: minutes on two cores, and the same every time.

Only what asks and answers changes: each head's query and its last layer. The box, print and pocket points are told by
other weights and stay bit for bit. Weights are drawn back to those in use (L2-SP, Li, Grandvalet & Davoine 2018), and a
head's word on whether a person could judge is held to what it was, as labels seldom say what could not be judged.

Makers share the heads, and a new maker's word or zip looks to them like a wrong one. So that a head that learns it does
not unlearn the first maker's, every maker's crops weigh alike in each head, however few they are, and where the heads
in use answer rightly, their answers are kept (Li & Hoiem 2016), as far as a head knows that maker's crops: what is to
be kept must be among them.

After every epoch all that is needed to go on is written to disk; chance is drawn anew from seed and epoch, so a run
that was killed ends with the same weights as one that was not.
"""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from safetensors import safe_open
from safetensors.torch import save_file
from torch import Tensor
from torch.nn import functional as F

from pipeline.classify.heads import ANSWER_COUNT, HEADS, head_slices
from pipeline.config import HeadsRecipe
from pipeline.improve.crops import Crop, Tokens, stacked
from pipeline.train.loop import set_lr, take_step, training_device
from pipeline.train.networks import PartNetwork

OnEpoch = Callable[[int, Mapping[str, float]], None]
_WARMUP = 0.1
_LONGEST = 5.0
_BATCH = 128
_CURVES = "curves"


def untold(_done: int, _more: object) -> None:
    """Nothing is said of single epochs and folds."""


@dataclass(frozen=True, slots=True, eq=False)
class LabelledTokens:
    """Crops ready to train on: tokens by crop size, answers (crops, heads), -1 where a head is not asked, and whose.

    `makers` and `sellers` have a name a crop.
    """

    groups: tuple[tuple[tuple[int, ...], Tensor], ...]
    answers: NDArray[np.int64]
    makers: tuple[str, ...]
    sellers: tuple[str, ...]

    @property
    def count(self) -> int:
        """How many crops."""
        return len(self.answers)


def ready(crops: Sequence[Crop], tokens: Sequence[Tokens]) -> LabelledTokens:
    """Put crops and what the trunk makes of them together."""
    groups = tuple((tuple(places), group) for places, group in stacked(tokens))
    shape = (len(crops), len(HEADS))
    answers = np.array([crop.labels.answers for crop in crops], np.int64).reshape(shape)
    makers, sellers = tuple(crop.of.listing.maker for crop in crops), tuple(crop.seller for crop in crops)
    return LabelledTokens(groups, answers, makers, sellers)


def chosen(data: LabelledTokens, which: NDArray[np.int64]) -> LabelledTokens:
    """Some of the crops, by their places in rising order."""
    new_place = {int(old): new for new, old in enumerate(which)}
    groups = []
    for places, group in data.groups:
        rows = [row for row, place in enumerate(places) if place in new_place]
        if rows:
            groups.append((tuple(new_place[places[row]] for row in rows), group[rows]))
    makers, sellers = (tuple(names[place] for place in which) for names in (data.makers, data.sellers))
    return LabelledTokens(tuple(groups), data.answers[which], makers, sellers)


def answer_weights(
    answers: NDArray[np.int64], prior: Mapping[str, Mapping[str, float]], most: float
) -> list[NDArray[np.float64]]:
    """How much a crop counts by its answer, a row a head, so that answers weigh as the network's card says.

    A scan takes the share of each answer in training out of the network's belief; with these weights that share stays
    what the card says, however rare departures are among the crops.

    Args:
        answers: (crops, heads).
        prior: by head and answer, as in the part network's card.
        most: no answer counts more than so many times as much as its crops would alone.
    """
    weights = []
    for number, head in enumerate(HEADS):
        counts = np.bincount(answers[answers[:, number] >= 0, number], minlength=len(head.answers))
        shares = counts / max(1, counts.sum())
        wanted = np.array([prior[head.name][answer] for answer in head.answers])
        weights.append(np.where(counts > 0, np.minimum(wanted / np.maximum(shares, 1e-9), most), 0.0))
    return weights


def crop_weights(data: LabelledTokens, prior: Mapping[str, Mapping[str, float]], most: float) -> NDArray[np.float64]:
    """How much each crop counts in each head, (crops, heads): by its answer, and every maker's crops alike in all.

    Args:
        data: the crops.
        prior: as for `answer_weights`, which each maker's crops are weighed by.
        most: likewise.
    """
    makers = np.array(data.makers)
    weights = np.zeros(data.answers.shape)
    for maker in set(data.makers):
        mine = np.flatnonzero(makers == maker)
        for number, by_answer in enumerate(answer_weights(data.answers[mine], prior, most)):
            asked = mine[data.answers[mine, number] >= 0]
            row = by_answer[data.answers[asked, number]]
            weights[asked, number] = row / max(row.sum(), 1e-9)
    asked_in_all = (data.answers >= 0).sum(0)
    about_one: NDArray[np.float64] = weights * (asked_in_all / np.maximum(weights.sum(0), 1e-9))
    return about_one


@contextmanager
def _one_thread() -> Iterator[None]:
    """Sums come out alike on every machine; the products are small, more threads mostly wait."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        yield
    finally:
        torch.set_num_threads(threads)


@_one_thread()
def train_heads(
    start: PartNetwork,
    fit: LabelledTokens,
    check: LabelledTokens,
    recipe: HeadsRecipe,
    prior: Mapping[str, Mapping[str, float]],
    work: Path,
    on_epoch: OnEpoch,
) -> PartNetwork:
    """Train, going on from what is in `work` if the same training was stopped there.

    Args:
        start: the network in use; left as it is.
        fit: what to learn from, at least one crop.
        check: what to check on after every epoch; may be empty.
        recipe: epochs, rates and the seed.
        prior: share of each answer in training, from the network's card.
        work: a folder for what is needed to go on.
        on_epoch: called with the epoch, 1 up, and its losses; epochs done before a stop are told again.

    Raises:
        ValueError: if there is no crop to learn from.
    """
    if fit.count == 0:
        raise ValueError("there is no labelled crop to learn from")
    device = training_device()
    network = copy.deepcopy(start).to(device)
    learned = _set_free(network)
    anchor = [p.detach().clone() for p in learned.values()]
    optimiser = torch.optim.AdamW(
        [{"params": list(learned.values()), "base": recipe.peak_rate}], lr=recipe.peak_rate, weight_decay=0.0
    )
    weights = torch.tensor(crop_weights(fit, prior, recipe.most_weight), dtype=torch.float32, device=device)
    material, to_check = _prepared(network, fit, device), _prepared(network, check, device)
    held = _said_at_the_start(network, material, fit)
    curves = _resume(work, network, learned, optimiser)
    for epoch, row in enumerate(curves, 1):
        on_epoch(epoch, row)
    for epoch in range(len(curves), recipe.epochs):
        torch.manual_seed(_seed(recipe.seed, epoch))
        losses = [
            _step(network, learned, anchor, optimiser, recipe, batch, weights, held, (epoch + share) / recipe.epochs)
            for share, batch in _batches(material, fit.answers, recipe, epoch, device)
        ]
        row = {
            "fit_loss": float(np.mean(losses)),
            **_figures(_told(network, to_check, check.count), check.answers, "check"),
        }
        curves.append(row)
        _keep(work, learned, optimiser, curves)
        on_epoch(epoch + 1, row)
    return network.cpu().eval()


def _set_free(network: PartNetwork) -> dict[str, torch.nn.Parameter]:
    """What is trained: queries and answers. The last query asks for the box, of which no loss tells, so it stays."""
    network.requires_grad_(False).eval()
    learned = {"queries": network.queries}
    learned |= {f"answer.{name}": p for name, p in network.answer.named_parameters()}
    for p in learned.values():
        p.requires_grad_(True)
    return learned


def _seed(seed: int, epoch: int) -> int:
    return int(np.random.default_rng([seed, epoch]).integers(2**31))


@dataclass(frozen=True, slots=True, eq=False)
class _Prepared:
    """Crops of one size: their places among all, and keys and values, which do not change as queries learn."""

    places: tuple[int, ...]
    keys: Tensor
    values: Tensor


def _slices(count: int) -> list[slice]:
    return [slice(start, start + _BATCH) for start in range(0, count, _BATCH)]


@torch.no_grad()
def _prepared(network: PartNetwork, data: LabelledTokens, device: torch.device) -> list[_Prepared]:
    """Keys and values of all crops, in half precision: most of the work of an epoch, done once."""
    found = []
    for places, group in data.groups:
        parts = [network.keys_and_values(group[rows].to(device).float()) for rows in _slices(len(places))]
        keys, values = (torch.cat([part[k].half() for part in parts]) for k in (0, 1))
        found.append(_Prepared(places, keys, values))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """What the heads say of the crops at the start.

    `seen` (crops, heads): logits of whether a person could judge. `answers` (crops, answers of all heads): logits;
    `right` (crops, heads): whether the likeliest answer is the label's; `known` (crops, heads): how much of it the head
    knows of the crop's maker, 0..1.
    """

    seen: Tensor
    answers: Tensor
    right: Tensor
    known: Tensor


def known_of_makers(said: NDArray[np.int64], data: LabelledTokens) -> NDArray[np.float32]:
    """How well a head tells answers apart on the crops of each one's maker, (crops, heads).

    The mean share of each answer's crops that are answered rightly, from 0 for one answer always to 1 (Youden 1950, for
    two answers): who always says "stamped" is right on most crops and knows nothing that is worth keeping. 1 where a
    maker's crops show one answer alone.

    Args:
        said: the likeliest answers, (crops, heads).
        data: the crops.
    """
    makers = np.array(data.makers)
    known = np.ones(data.answers.shape, np.float32)
    for maker in set(data.makers):
        mine = np.flatnonzero(makers == maker)
        for number in range(len(HEADS)):
            truth, guess = data.answers[mine, number], said[mine, number]
            shares = [float((guess[truth == answer] == answer).mean()) for answer in np.unique(truth[truth >= 0])]
            if len(shares) > 1:
                by_luck = 1 / len(shares)
                known[mine, number] = max(0.0, (float(np.mean(shares)) - by_luck) / (1 - by_luck))
    return known


@torch.no_grad()
def _said_at_the_start(network: PartNetwork, material: Sequence[_Prepared], fit: LabelledTokens) -> _Held:
    device = next(network.parameters()).device
    seen = torch.zeros(fit.count, len(HEADS), device=device)
    answers = torch.zeros(fit.count, ANSWER_COUNT, device=device)
    for group in material:
        for rows in _slices(len(group.places)):
            places = list(group.places[rows])
            answers[places], seen[places] = network.cues(
                network.attend_to(group.keys[rows].float(), group.values[rows].float())
            )
    labels = torch.from_numpy(fit.answers).to(device)
    likeliest = torch.stack([answers[:, where].argmax(1) for where in head_slices().values()], 1)
    known = torch.from_numpy(known_of_makers(likeliest.cpu().numpy(), fit)).to(device)
    return _Held(seen, answers, likeliest == labels, known)


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    places: Tensor
    keys: Tensor
    values: Tensor
    answers: Tensor


def _batches(
    material: Sequence[_Prepared],
    all_answers: NDArray[np.int64],
    recipe: HeadsRecipe,
    epoch: int,
    device: torch.device,
) -> Iterator[tuple[float, _Batch]]:
    """All crops once, as seed and epoch order them, each batch of one size; with the share of the epoch done."""
    rng = np.random.default_rng([recipe.seed, epoch, 1])
    cuts = []
    for group in material:
        order = rng.permutation(len(group.places))
        cuts += [(group, order[i : i + recipe.batch]) for i in range(0, len(order), recipe.batch)]
    for done, which in enumerate(rng.permutation(len(cuts)), 1):
        group, rows = cuts[which]
        where, chosen = np.array(group.places)[rows], torch.from_numpy(rows).to(device)
        answers = torch.from_numpy(all_answers[where]).to(device)
        places = torch.from_numpy(where).to(device)
        yield done / len(cuts), _Batch(places, group.keys[chosen].float(), group.values[chosen].float(), answers)


def _step(
    network: PartNetwork,
    learned: Mapping[str, torch.nn.Parameter],
    anchor: Sequence[Tensor],
    optimiser: torch.optim.Optimizer,
    recipe: HeadsRecipe,
    batch: _Batch,
    weights: Tensor,
    held: _Held,
    progress: float,
) -> float:
    network.drop.train(recipe.dropout)
    set_lr(optimiser, min(progress, 1.0), _WARMUP)
    device = batch.keys.device
    with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
        answers, seen = network.cues(network.attend_to(batch.keys, batch.values))
    loss = _answer_loss(answers.float(), batch.answers, weights[batch.places])
    loss = loss + recipe.keep_right * _change_of_right(answers.float(), held, batch.places)
    loss = loss + 0.1 * F.mse_loss(seen.float(), held.seen[batch.places])
    pull = sum(((p - a) ** 2).sum() for p, a in zip(learned.values(), anchor, strict=True))
    take_step(loss + recipe.hold_to_start * pull, network, optimiser, _LONGEST)
    network.drop.eval()
    return float(loss.detach())


def _answer_loss(logits: Tensor, answers: Tensor, weights: Tensor) -> Tensor:
    """Mean over the heads that are asked of their weighed cross-entropy."""
    losses = []
    for number, where in enumerate(head_slices().values()):
        asked = answers[:, number] >= 0
        if asked.any():
            each = F.cross_entropy(logits[asked][:, where], answers[asked, number], reduction="none")
            weight = weights[asked, number]
            losses.append((each * weight).sum() / weight.sum().clamp(min=1e-6))
    return torch.stack(losses).mean() if losses else logits.sum() * 0


def _change_of_right(logits: Tensor, held: _Held, places: Tensor) -> Tensor:
    """How far answers that were right and known have moved: mean over heads of their divergence from the start."""
    losses = []
    for number, where in enumerate(head_slices().values()):
        right = held.right[places, number]
        if right.any():
            before = torch.log_softmax(held.answers[places][right][:, where], 1)
            after = torch.log_softmax(logits[right][:, where], 1)
            change = F.kl_div(after, before, reduction="none", log_target=True).sum(1)
            losses.append((change * held.known[places, number][right]).mean())
    return torch.stack(losses).mean() if losses else logits.sum() * 0


@torch.no_grad()
def told(network: PartNetwork, data: LabelledTokens) -> NDArray[np.float32]:
    """The heads' logits on crops, (crops, answers of all heads side by side)."""
    return _told(network, _prepared(network, data, next(network.parameters()).device), data.count)


@torch.no_grad()
def _told(network: PartNetwork, material: Sequence[_Prepared], count: int) -> NDArray[np.float32]:
    out = np.zeros((count, ANSWER_COUNT), np.float32)
    for group in material:
        for rows in _slices(len(group.places)):
            answers, _ = network.cues(network.attend_to(group.keys[rows].float(), group.values[rows].float()))
            out[list(group.places[rows])] = answers.float().cpu().numpy()
    return out


def figures(network: PartNetwork, data: LabelledTokens, name: str) -> dict[str, float]:
    """Mean loss and share right over the heads that data ask; empty without data."""
    return _figures(told(network, data), data.answers, name)


def _figures(logits: NDArray[np.float32], answers: NDArray[np.int64], name: str) -> dict[str, float]:
    losses, right = [], []
    for number, where in enumerate(head_slices().values()):
        asked = answers[:, number] >= 0
        if asked.any():
            wide, truth = logits[asked][:, where].astype(np.float64), answers[asked, number]
            log_sum = np.log(np.exp(wide - wide.max(1, keepdims=True)).sum(1)) + wide.max(1)
            losses.append(float((log_sum - wide[np.arange(len(truth)), truth]).mean()))
            right.append(float((wide.argmax(1) == truth).mean()))
    return {f"{name}_loss": float(np.mean(losses)), f"{name}_right": float(np.mean(right))} if losses else {}


# ---------------------------------------------------------------- going on after a stop


def _keep(
    work: Path,
    learned: Mapping[str, torch.nn.Parameter],
    optimiser: torch.optim.Optimizer,
    curves: Sequence[Mapping[str, float]],
) -> None:
    """Everything needed to go on, in one file that appears whole."""
    tensors: dict[str, Tensor] = {}
    for name, p in learned.items():
        tensors[name] = p.detach().cpu().contiguous()
        for key, value in optimiser.state[p].items():
            tensors[f"{name}|{key}"] = torch.as_tensor(value).detach().cpu().contiguous()
    work.mkdir(parents=True, exist_ok=True)
    draft = work / ".heads.safetensors"
    save_file(tensors, str(draft), {_CURVES: json.dumps([dict(row) for row in curves])})
    draft.replace(work / "heads.safetensors")


def _resume(
    work: Path, network: PartNetwork, learned: Mapping[str, torch.nn.Parameter], optimiser: torch.optim.Optimizer
) -> list[Mapping[str, float]]:
    """Put weights and optimiser back where they were; the curves so far, empty at a fresh start."""
    path = work / "heads.safetensors"
    if not path.exists():
        return []
    with safe_open(str(path), framework="pt") as file, torch.no_grad():
        for name, p in learned.items():
            p.copy_(file.get_tensor(name))
            state: dict[str, Any] = {}
            for key in ("step", "exp_avg", "exp_avg_sq"):
                kept = file.get_tensor(f"{name}|{key}")
                state[key] = kept if key == "step" else kept.to(p.device)
            optimiser.state[p] = state
        curves: list[Mapping[str, float]] = json.loads((file.metadata() or {})[_CURVES])
    return curves


def work_folder(shelf: Path, weights_hash: str, version: str, recipe: HeadsRecipe) -> Path:
    """Where a training keeps what it needs to go on: another folder for other weights, crops or settings."""
    settings = recipe.model_dump_json()
    name = f"{weights_hash[:8]}-{version[:8]}-{_digits(settings)}"
    return shelf / "going" / name


def _digits(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]
