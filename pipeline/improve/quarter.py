"""A simulated quarter: `python -m pipeline.improve.quarter --out out/quarter` draws how the loop copes with news.

Twelve weeks, each shown by one of its days: 2,000 listings made of drawn crops, of which moderators look at 200, ten of
them drawn by chance; one decision in twenty is wrong, and so are the labels that it leaves. From the fourth week on
half of the counterfeits are of a new kind, with blank rivets, of which the heads know nothing at first. Three arms see
the same days: heads as they were; heads and evidence fitted anew every week to what moderators said; and heads that
knew the new kind from the start, which is as good as it gets.

What is real here: drawn crops, the trunk, the heads' training, temperatures, the evidence's refit and weighing. What is
not: listings are put together from crops, a week's crops serve many listings of that week (none of another week), text
and print say nothing, boxes are right, and the trunk had met blank rivets when it was trained; only the head had not.
"""

from __future__ import annotations

import argparse
import copy
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from rich.console import Console

from pipeline.classify.heads import CUE_OF_HEAD, HEADS, head_slices
from pipeline.classify.part_reader import likelihoods
from pipeline.config import EvidenceConfig, HeadsRecipe, ReferenceSheet, load_evidence, load_heads_recipe, load_sheets
from pipeline.domain import CAUTION, Box, CueReading, FoundPart, Listing, ListingReadings, PartName, PartReading
from pipeline.evaluate.labelled import PairTruth
from pipeline.evidence import assess, resolve_style, with_style
from pipeline.evidence.learn import with_learned
from pipeline.improve.bundle import fit_temperatures_of_heads, refit_evidence
from pipeline.improve.crops import stacked
from pipeline.improve.quarter_bank import CUES_OF_PART, NEW_KIND, PARTS, WEEKS, BankCrop, bank_of
from pipeline.improve.train_heads import LabelledTokens, told, train_heads
from pipeline.model_files import PartsCard, read_card
from pipeline.terminal import progress
from pipeline.train.networks import PartNetwork
from pipeline.train.weights import load_network

Rng = np.random.Generator
NEWS_FROM = 4
LISTINGS, REVIEWS, BY_CHANCE = 2000, 200, 10
_COUNTERFEIT, _NEW_AMONG = 0.08, 0.5
_SHOWN = 0.75  # how likely a listing shows a part
_ALSO_OLD = 0.3  # of the new kind, this share departs in an old way, too
_ERRS = 0.05
_WINDOW = 5  # weeks that are learned from
_BOX = Box(0, 0, 100, 100)


@dataclass(frozen=True, slots=True)
class SimListing:
    """A listing: its crops by number in the bank, what is true of it, and the cues whose departure its crops show."""

    crops: tuple[int, ...]
    counterfeit: bool
    is_new_kind: bool
    departs: frozenset[str]
    is_check: bool


@dataclass(frozen=True, slots=True, eq=False)
class Arm:
    """What judges: heads, their temperatures, the evidence."""

    network: PartNetwork
    card: PartsCard
    evidence: EvidenceConfig


@dataclass(frozen=True, slots=True)
class Week:
    """How one arm did: of the 200 on top the share counterfeit, and the share of all counterfeits among them."""

    precision: float
    recall: float
    recall_of_new: float | None


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """Everything that stays the same."""

    bank: Sequence[BankCrop]
    sheet: ReferenceSheet
    recipe: HeadsRecipe


def make_day(world: World, week: int, rng: Rng) -> list[SimListing]:
    """The listings of one day of a week, put together from that week's crops.

    One crop in five of every sort is kept for sellers that are not learned from.
    """
    shelf: dict[tuple[PartName, str, bool], list[int]] = {}
    counts: dict[tuple[PartName, str], int] = {}
    for number, crop in enumerate(world.bank):
        if crop.plan.week == week:
            sort = (crop.plan.part, crop.plan.cue)
            counts[sort] = counts.get(sort, 0) + 1
            shelf.setdefault((*sort, counts[sort] % 5 == 0), []).append(number)
    return [_make_listing(world, week, shelf, rng) for _ in range(LISTINGS)]


def _make_listing(
    world: World, week: int, shelf: Mapping[tuple[PartName, str, bool], Sequence[int]], rng: Rng
) -> SimListing:
    counterfeit = bool(rng.random() < _COUNTERFEIT)
    is_new = counterfeit and week >= NEWS_FROM and bool(rng.random() < _NEW_AMONG)
    cues = [cue for part in PARTS for cue in CUES_OF_PART[part] if cue != NEW_KIND]
    departs: set[str] = {NEW_KIND} if is_new else set()
    if counterfeit and (not is_new or rng.random() < _ALSO_OLD):
        departs |= {str(cue) for cue in rng.choice(cues, int(rng.integers(1, 5)), replace=False)}
    is_check = bool(rng.random() < 0.2)
    crops, shown = [], set()
    for part in PARTS:
        if rng.random() < _SHOWN:
            mine = [cue for cue in CUES_OF_PART[part] if cue in departs]
            cue = NEW_KIND if NEW_KIND in mine else (str(rng.choice(mine)) if mine else "")
            options = shelf.get((part, cue, is_check)) or shelf[part, cue, not is_check]
            crops.append(int(rng.choice(options)))
            shown |= {cue} if cue else set()
    return SimListing(tuple(crops), counterfeit, is_new, frozenset(shown), is_check)


@torch.no_grad()
def read_crops(world: World, arm: Arm, numbers: Sequence[int]) -> dict[int, PartReading]:
    """What an arm reads of crops, as a scan would give it to the evidence."""
    found: dict[int, PartReading] = {}
    for places, group in stacked([world.bank[number].tokens for number in numbers]):
        answers, seen = arm.network.cues(arm.network.attend(group.float()))
        judged = torch.sigmoid(seen).numpy()
        for row, place in enumerate(places):
            crop = world.bank[numbers[place]]
            found[numbers[place]] = _reading(world, arm, crop, answers[row].numpy(), judged[row])
    return found


def _reading(
    world: World, arm: Arm, crop: BankCrop, logits: NDArray[np.float32], judged: NDArray[np.float32]
) -> PartReading:
    cues = []
    for number, (head, where) in enumerate(zip(HEADS, head_slices().values(), strict=True)):
        if crop.plan.part in head.parts and judged[number] >= arm.card.least_seen[head.name]:
            prior = np.array([arm.card.training_prior[head.name][answer] for answer in head.answers])
            chance = likelihoods(logits[where], arm.card.temperature[head.name], prior)
            chances = dict(zip(head.answers, chance.tolist(), strict=True))
            cues.append(CueReading(head.name, chances, "photo", crop.plan.part, _BOX))
    part = PartReading(FoundPart("photo", crop.plan.part, _BOX, 1.0), tuple(cues))
    listing = Listing("", "", "", world.sheet.maker, style_number=crop.style)
    return with_style(part, resolve_style(listing, (), world.sheet, arm.evidence.text_checks))


def readings_of(world: World, arm: Arm, day: Sequence[SimListing]) -> list[ListingReadings]:
    """What an arm reads of a day's listings."""
    parts = read_crops(world, arm, sorted({number for one in day for number in one.crops}))
    return [
        ListingReadings(Listing(str(number), "s", "", world.sheet.maker), tuple(parts[crop] for crop in one.crops))
        for number, one in enumerate(day)
    ]


def order_of(world: World, arm: Arm, day: Sequence[SimListing], rng: Rng) -> list[int]:
    """A day's listings, most suspicious first; ties by chance."""
    scores = np.array([assess(one, world.sheet, arm.evidence).log10_lr for one in readings_of(world, arm, day)])
    return [int(place) for place in np.lexsort((rng.random(len(day)), -scores))]


def figures_of(day: Sequence[SimListing], order: Sequence[int]) -> Week:
    """Precision and recall of the 200 on top."""
    top = [day[place] for place in order[:REVIEWS]]
    caught, there = sum(one.counterfeit for one in top), sum(one.counterfeit for one in day)
    news, new_there = sum(one.is_new_kind for one in top), sum(one.is_new_kind for one in day)
    return Week(caught / REVIEWS, caught / there, news / new_there if new_there else None)


@dataclass(slots=True)
class Said:
    """What moderators said so far: an answer a crop and head, and decided listings of each week."""

    answers: dict[int, NDArray[np.int64]]
    is_check: dict[int, bool]
    decided: list[tuple[int, SimListing, bool, float]]  # week, listing, held, for how many it stands


def review(world: World, week: int, day: Sequence[SimListing], order: Sequence[int], said: Said, rng: Rng) -> None:
    """Moderators look at the top and at ten by chance; a twentieth of what they say is wrong."""
    top, rest = order[: REVIEWS - BY_CHANCE], order[REVIEWS - BY_CHANCE :]
    drawn = [int(place) for place in rng.choice(rest, BY_CHANCE, replace=False)]
    for place in (*top, *drawn):
        one = day[place]
        held = bool(one.departs) and one.counterfeit
        errs = bool(rng.random() < _ERRS)
        weight = len(rest) / BY_CHANCE if place in drawn else 1.0
        said.decided.append((week, one, held != errs, weight))
        slip = int(rng.choice(one.crops)) if errs and one.crops and not held else None
        for number in one.crops:
            if number not in said.answers:
                said.answers[number] = _answers(world, number, errs and held, number == slip, rng)
                said.is_check[number] = one.is_check


def _answers(world: World, number: int, overlooks: bool, invents: bool, rng: Rng) -> NDArray[np.int64]:
    """The labels that a look leaves on a crop: as it is, its departure overlooked, or with one that is not there."""
    answers = world.bank[number].answers.copy()
    if overlooks:
        return np.minimum(answers, 0)
    judged = np.flatnonzero(answers == 0)
    if invents and len(judged):
        answers[int(rng.choice(judged))] = 1
    return answers


def relearned(world: World, start: Arm, week: int, said: Said, work: Path) -> Arm:
    """Heads trained from the start on the last weeks' labels; temperatures and evidence fitted to sellers kept back."""
    recent = [number for number in said.answers if world.bank[number].plan.week > week - _WINDOW]
    fit, check = (
        [number for number in recent if said.is_check[number] is side and world.bank[number].plan.week <= week]
        for side in (False, True)
    )
    recipe = world.recipe
    check_tokens = _labelled(world, check, said)
    network = train_heads(
        start.network, _labelled(world, fit, said), check_tokens, recipe, start.card.training_prior, work, _untold
    )
    arm = Arm(
        network, _with_temperatures(start.card, told(network, check_tokens), check_tokens, recipe), start.evidence
    )
    rows = [(one, held, weight) for when, one, held, weight in said.decided if one.is_check and when > week - _WINDOW]
    readings = readings_of(world, arm, [one for one, _, _ in rows])
    truth = {
        str(number): PairTruth(held, _states_said(world, one, said), weight)
        for number, (one, held, weight) in enumerate(rows)
    }
    fitted = refit_evidence(readings, truth, {world.sheet.maker: world.sheet}, start.evidence, recipe.evidence)
    return replace(arm, evidence=with_learned(start.evidence, fitted.shares, fitted.calibration))


def _with_temperatures(
    card: PartsCard, logits: NDArray[np.float32], check: LabelledTokens, recipe: HeadsRecipe
) -> PartsCard:
    """The card with temperatures fitted as for a bundle."""
    return card.model_copy(
        update={"temperature": fit_temperatures_of_heads(card, logits, check.answers, recipe.most_weight)}
    )


def _states_said(world: World, one: SimListing, said: Said) -> dict[str, str]:
    states = {}
    for number in one.crops:
        for place, head in enumerate(HEADS):
            cue = CUE_OF_HEAD.get(head.name)
            answer = int(said.answers[number][place])
            if cue is None and answer >= 0:  # what depends on the style is left out
                states[head.name] = head.answers[answer]
    return states


def _labelled(world: World, numbers: Sequence[int], said: Said) -> LabelledTokens:
    groups = tuple((tuple(places), group) for places, group in stacked([world.bank[n].tokens for n in numbers]))
    return LabelledTokens(groups, np.array([said.answers[n] for n in numbers], np.int64).reshape(-1, len(HEADS)))


def _untold(_epoch: int, _row: Mapping[str, float]) -> None:
    """Nothing is said of single epochs."""


def without_news(network: PartNetwork, seed: int) -> PartNetwork:
    """The network with a head for the new kind that has never met it: another query, and always the genuine answer."""
    blank = copy.deepcopy(network)
    number = next(place for place, head in enumerate(HEADS) if head.name == NEW_KIND)
    layer = blank.answer[number]
    assert isinstance(layer, torch.nn.Linear)
    with torch.no_grad():
        noise = torch.randn(blank.width, generator=torch.Generator().manual_seed(seed)) * 0.5
        blank.queries[number] = noise
        blank.answer_seen[number] = 0.0
        blank.answer_seen_bias[number] = 4.0
        layer.weight.zero_()
        layer.bias.copy_(torch.tensor([3.0, *[0.0] * (layer.bias.numel() - 1)]))
    return blank


def won_back(without: Sequence[Week], with_: Sequence[Week], knowing: Sequence[Week], week: int) -> float:
    """Of the recall that not knowing costs in a week, the share that the loop has won back."""
    place = week - 1
    loss = knowing[place].recall - without[place].recall
    return (with_[place].recall - without[place].recall) / loss if loss > 0 else 1.0


def simulate(world: World, arms: Mapping[str, Arm], seed: int, work: Path, say: Console) -> dict[str, list[Week]]:
    """Twelve weeks of all arms; the arm `with` is trained anew after every week."""
    now = dict(arms)
    said = Said({}, {}, [])
    weeks: dict[str, list[Week]] = {name: [] for name in arms}
    for week in range(1, WEEKS + 1):
        day = make_day(world, week, np.random.default_rng([seed, week]))
        orders = {name: order_of(world, arm, day, np.random.default_rng([seed, week, 1])) for name, arm in now.items()}
        for name, order in orders.items():
            weeks[name].append(figures_of(day, order))
        line = ", ".join(f"{name} {rows[-1].precision:.2f}/{rows[-1].recall:.2f}" for name, rows in weeks.items())
        say.print(f"week {week}: precision/recall {line}")
        review(world, week, day, orders["with"], said, np.random.default_rng([seed, week, 2]))
        if week < WEEKS:
            now["with"] = relearned(world, arms["with"], week, said, work / str(week))
    return weeks


def draw(weeks: Mapping[str, Sequence[Week]], path: Path) -> None:
    """Precision and recall by week, a line an arm."""
    colours = {"without": "#C8792B", "with": "#2F5D8A", "knowing": "#9AA3AD"}
    words = {
        "without": "without retraining",
        "with": "retrained every week on what moderators said",
        "knowing": "heads that knew the new kind from the start",
    }
    figure = Figure(figsize=(10, 4.6), layout="constrained")
    FigureCanvasAgg(figure)
    for axes, name in zip(figure.subplots(1, 2), ("precision", "recall"), strict=True):
        for arm, rows in weeks.items():
            values = [getattr(row, name) for row in rows]
            style = "--" if arm == "knowing" else "-"
            axes.plot(
                range(1, len(rows) + 1), values, style, marker="o", markersize=3, color=colours[arm], label=words[arm]
            )
        axes.axvline(NEWS_FROM, color="#22282E", linewidth=0.8, linestyle=":")
        axes.text(NEWS_FROM + 0.1, 0.03, "a new kind appears", fontsize=8)
        axes.set(ylim=(0, 1), xlabel="week", ylabel=f"{name} of {REVIEWS} looks in {LISTINGS} listings")
        axes.grid(color="#E3E6EA")
        axes.spines[["top", "right"]].set_visible(False)
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=3, frameon=False, fontsize=8)
    figure.supxlabel(CAUTION, fontsize=7, color="#9AA3AD")
    figure.savefig(path, dpi=120)


def main() -> None:
    """Command line."""
    home = Path(__file__).resolve().parents[2]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=Path("out/quarter"))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--models", type=Path, default=home / "models")
    parser.add_argument("--configs", type=Path, default=home / "configs")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    console = Console(stderr=True)
    torch.set_num_threads(1)  # small products: more threads mostly wait for each other
    weights = args.models / "parts.safetensors"
    with progress("drawing crops", console) as tell:
        bank = bank_of(args.seed, args.configs, weights, args.out / "bank", args.workers, tell)
    sheet = next(iter(load_sheets(args.configs).values()))
    world = World(bank, sheet, load_heads_recipe(args.configs / "learning" / "heads.yaml"))
    card, evidence = read_card(args.models, "parts", PartsCard), load_evidence(args.configs / "evidence.yaml")
    network = load_network(PartNetwork, weights).eval()
    ignorant = Arm(without_news(network, args.seed), card, evidence)
    arms = {"without": ignorant, "with": ignorant, "knowing": Arm(network, card, evidence)}
    with tempfile.TemporaryDirectory() as name:
        weeks = simulate(world, arms, args.seed, Path(name), console)
    draw(weeks, args.out / "quarter.png")
    back = {
        week: won_back(weeks["without"], weeks["with"], weeks["knowing"], week) for week in range(NEWS_FROM, WEEKS + 1)
    }
    rows = {arm: [[row.precision, row.recall, row.recall_of_new] for row in of_arm] for arm, of_arm in weeks.items()}
    (args.out / "quarter.json").write_text(json.dumps({"weeks": rows, "won_back": back}, indent=1), encoding="utf-8")
    after_two = back[NEWS_FROM + 2]
    console.print(
        f"After two retrainings {after_two:.0%} of the lost recall is won back. See {args.out / 'quarter.png'}"
    )


if __name__ == "__main__":
    main()
