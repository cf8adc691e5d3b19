"""States of a cue of which there are too few examples to learn or to check, or all from one seller."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.classify.heads import HEADS
from pipeline.improve.crops import Crop
from pipeline.improve.dataset import Side
from pipeline.improve.findings import Finding, Worry

FEWEST_TO_LEARN = 20  # examples of a state; below, what is learned of it is mostly chance
FEWEST_TO_CHECK = 5


def count_answers(crops: Sequence[Crop]) -> dict[tuple[str, str], dict[Side, int]]:
    """How many crops of each side carry each head's answer."""
    counts = {(head.name, answer): {Side.FIT: 0, Side.CHECK: 0} for head in HEADS for answer in head.answers}
    for crop in crops:
        for number, head in enumerate(HEADS):
            place = int(crop.labels.answers[number])
            if place >= 0:
                counts[head.name, head.answers[place]][crop.of.side] += 1
    return counts


def find_gaps(crops: Sequence[Crop]) -> list[Finding]:
    """A finding for each answer with too few examples on a side."""
    few = [_few(*key, counts) for key, counts in count_answers(crops).items()]
    return [finding for finding in few if finding is not None] + _one_seller(crops)


def _few(head: str, answer: str, counts: Mapping[Side, int]) -> Finding | None:
    fit, check = counts[Side.FIT], counts[Side.CHECK]
    if fit >= FEWEST_TO_LEARN and check >= FEWEST_TO_CHECK:
        return None
    what = f"{head} = {answer}: {fit} examples to learn from, {check} to check on"
    advice = f"; label until there are {FEWEST_TO_LEARN} and {FEWEST_TO_CHECK}"
    return Finding(Worry.GAP, f"{what}{advice}.")


def _one_seller(crops: Sequence[Crop]) -> list[Finding]:
    """Answers that are known from one seller only: the seller's camera may be what is learned."""
    found = []
    for number, head in enumerate(HEADS):
        for place, answer in enumerate(head.answers):
            of_answer = [crop for crop in crops if crop.labels.answers[number] == place]
            if len(of_answer) >= FEWEST_TO_CHECK and len({crop.seller for crop in of_answer}) == 1:
                sentence = (
                    f"{head.name} = {answer}: all {len(of_answer)} examples are of the seller {of_answer[0].seller}."
                )
                names = tuple(sorted({crop.of.listing.listing_id for crop in of_answer}))
                found.append(Finding(Worry.GAP, sentence, names))
    return found
