"""Labels that cannot all be right: of one pair, of one photo, of a part and its pair, or of no known cue."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from pipeline.cues import CUES
from pipeline.improve.dataset import Dataset, LabelledListing
from pipeline.improve.findings import Finding, Worry
from pipeline.improve.leaks import photos_twice

_SAME_PART = 0.6  # overlap from which two boxes of one kind mean the same part


def find_contradictions(data: Dataset) -> list[Finding]:
    """All contradictions, listing by listing."""
    found = [finding for one in data.listings for finding in _in_listing(one)]
    return [*found, *_between_copies(data)]


def _in_listing(one: LabelledListing) -> Iterator[Finding]:
    name = one.listing.listing_id
    states: dict[str, dict[str, str]] = defaultdict(dict)
    for part in one.parts:
        for cue, state in part.cues.items():
            if cue not in CUES or state not in CUES[cue].states:
                yield _said(f"{name}: {cue} = {state} on {part.photo} is no known cue and state.", name)
            elif part.part not in CUES[cue].parts:
                yield _said(f"{name}: {cue} is labelled on a {part.part}, which cannot show it.", name)
            else:
                states[cue].setdefault(state, part.photo)
    for cue, by_state in states.items():
        if len(by_state) > 1:
            told = " and ".join(f"{state} on {photo}" for state, photo in by_state.items())
            yield _said(f"{name}: one pair, but {CUES[cue].topic} is {told}.", name)
    yield from _against_truth(one, states)


def _against_truth(one: LabelledListing, states: dict[str, dict[str, str]]) -> Iterator[Finding]:
    name = one.listing.listing_id
    if one.truth is None:
        yield _said(f"{name}: truth.jsonl does not say whether it is a counterfeit.", name)
        return
    for cue, by_state in states.items():
        true = one.truth.cues.get(cue)
        wrong = {state: photo for state, photo in by_state.items() if true is not None and state != true}
        for state, photo in wrong.items():
            yield _said(f"{name}: {CUES[cue].topic} is {state} on {photo}, but truth.jsonl says {true}.", name)


def _between_copies(data: Dataset) -> Iterator[Finding]:
    """The same photo file in two listings, the same part on it, and different labels."""
    for one, other, sha in photos_twice(data):
        for mine in (part for part in one.parts if one.photo_of(part) == sha):
            for theirs in (part for part in other.parts if other.photo_of(part) == sha):
                if mine.part is not theirs.part or mine.box.iou(theirs.box) < _SAME_PART:
                    continue
                for cue in sorted(set(mine.cues) & set(theirs.cues)):
                    if mine.cues[cue] != theirs.cues[cue]:
                        names = (one.listing.listing_id, other.listing.listing_id)
                        yield _said(
                            f"{names[0]} and {names[1]} hold the same photo, but {CUES[cue].topic} is "
                            f"{mine.cues[cue]} in one and {theirs.cues[cue]} in the other.",
                            *names,
                        )


def _said(sentence: str, *listings: str) -> Finding:
    return Finding(Worry.CONTRADICTION, sentence, listings)
