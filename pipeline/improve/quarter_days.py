"""Days of the simulated quarter: listings put together from drawn crops, looked through, put in order, reviewed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray

from pipeline.classify.heads import HEADS, head_slices
from pipeline.classify.part_reader import likelihoods
from pipeline.config import EvidenceConfig, HeadsRecipe, ReferenceSheet
from pipeline.domain import Box, CueReading, FoundPart, Listing, ListingReadings, PartName, PartReading
from pipeline.evidence import log10_lrs, resolve_style, with_style
from pipeline.improve.crops import stacked
from pipeline.improve.quarter_bank import CUES_OF_PART, NEW_KIND, PARTS, BankCrop
from pipeline.model_files import PartsCard
from pipeline.train.networks import PartNetwork

Rng = np.random.Generator
Shelf = Mapping[tuple[PartName, str, bool], Sequence[int]]
LISTINGS, REVIEWS, BY_CHANCE = 2000, 200, 10
_COUNTERFEIT, _NEW_AMONG = 0.08, 0.5
_SHOWN = 0.75  # how likely a listing shows a part
_ALSO_OLD = 0.3  # of the new kind, this share departs in an old way, too
_ERRS = 0.05
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


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """Everything that stays the same."""

    bank: Sequence[BankCrop]
    sheet: ReferenceSheet
    recipe: HeadsRecipe


@dataclass(frozen=True, slots=True)
class Decided:
    """A decision: in which week, on which listing, whether it was held, for how many listings it stands."""

    week: int
    listing: SimListing
    held: bool
    stands_for: float


@dataclass(slots=True)
class Said:
    """What moderators said so far: answers by crop, and decisions."""

    answers: dict[int, NDArray[np.int64]] = field(default_factory=dict)
    decided: list[Decided] = field(default_factory=list)


def shelf_of(world: World, numbers: Sequence[int]) -> Shelf:
    """Crops by part, departing cue ("" for none), and whether they are kept for sellers not learned from."""
    shelf: dict[tuple[PartName, str, bool], list[int]] = {}
    for number in numbers:
        plan = world.bank[number].plan
        shelf.setdefault((plan.part, plan.cue, plan.is_check), []).append(number)
    return shelf


def make_day(shelf: Shelf, with_news: bool, rng: Rng) -> list[SimListing]:
    """The listings of one day, put together from the crops on a shelf."""
    return [_make_listing(shelf, with_news, rng) for _ in range(LISTINGS)]


def _make_listing(shelf: Shelf, with_news: bool, rng: Rng) -> SimListing:
    counterfeit = bool(rng.random() < _COUNTERFEIT)
    is_new = counterfeit and with_news and bool(rng.random() < _NEW_AMONG)
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
    scores = np.array(log10_lrs(readings_of(world, arm, day), {world.sheet.maker: world.sheet}, arm.evidence))
    return [int(place) for place in np.lexsort((rng.random(len(day)), -scores))]


def review(world: World, week: int, day: Sequence[SimListing], order: Sequence[int], said: Said, rng: Rng) -> None:
    """Moderators look at the top and at ten by chance; a twentieth of what they say is wrong."""
    top, rest = order[: REVIEWS - BY_CHANCE], order[REVIEWS - BY_CHANCE :]
    drawn = [int(place) for place in rng.choice(rest, BY_CHANCE, replace=False)]
    for place in (*top, *drawn):
        one = day[place]
        held = bool(one.departs) and one.counterfeit
        errs = bool(rng.random() < _ERRS)
        said.decided.append(Decided(week, one, held != errs, len(rest) / BY_CHANCE if place in drawn else 1.0))
        slip = int(rng.choice(one.crops)) if errs and one.crops and not held else None
        for number in one.crops:
            if number not in said.answers:
                said.answers[number] = _answers(world, number, errs and held, number == slip, rng)


def _answers(world: World, number: int, overlooks: bool, invents: bool, rng: Rng) -> NDArray[np.int64]:
    """The labels that a look leaves on a crop: as it is, its departure overlooked, or with one that is not there."""
    answers = world.bank[number].answers.copy()
    if overlooks:
        return np.minimum(answers, 0)
    judged = np.flatnonzero(answers == 0)
    if invents and len(judged):
        answers[int(rng.choice(judged))] = 1
    return answers
