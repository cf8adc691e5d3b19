"""The path-traced listings of `tests/traced`, as a scan that reads everything rightly would leave them."""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path

from pipeline import store
from pipeline.cues import CUES
from pipeline.domain import Assessment, Box, CueReading, FoundPart, PartName, PartReading, PhotoRequest, Reason
from pipeline.evidence.sentences import reason_sentence, request_sentence
from pipeline.intake import read_listings

TRACED = Path(__file__).resolve().parents[1] / "traced"
FOLDERS = ("natural", "departed")


def write_traced_run(name: str, run_dir: Path):
    """Write the run of one folder; its listings by id."""
    folder = TRACED / name
    listings = {one.listing_id: one for one in read_listings(folder / "listings.jsonl")[0]}
    coco = json.loads((folder / "parts.coco.json").read_text(encoding="utf-8"))
    photo = {image["id"]: image["file_name"] for image in coco["images"]}
    part = {category["id"]: category["name"] for category in coco["categories"]}
    parts = defaultdict(list)
    for note in coco["annotations"]:
        found = FoundPart(
            _in_listing(photo[note["image_id"]]), PartName(part[note["category_id"]]), Box(*note["bbox"]), 0.9
        )
        states = {cue: state for cue, state in note["attributes"].items() if cue in CUES}
        parts[found.photo].append(
            PartReading(found, tuple(_reading(cue, state, found) for cue, state in states.items()))
        )
    assessments = [_assessment(one, [p for path in one.photos for p in parts[path]]) for one in listings.values()]
    assessments.sort(key=lambda one: -one.log10_lr)
    store.write_run(
        run_dir, assessments, [p for found in parts.values() for p in found], [], store.RunAbout("", "m", "r")
    )
    return listings


def _in_listing(file_name):
    return file_name if file_name.startswith("photos/") else f"photos/{file_name}"


def _reading(cue, state, found):
    likelihood = {name: 0.9 if name == state else 0.1 / (len(CUES[cue].states) - 1) for name in CUES[cue].states}
    return CueReading(cue, likelihood, found.photo, found.part, found.box)


def _assessment(listing, parts):
    seen = {}
    for part in parts:
        for reading in part.cues:
            seen.setdefault(reading.cue, reading)
    reasons = sorted((_reason(reading) for reading in seen.values()), key=lambda reason: -reason.log10_lr)
    total = sum(reason.log10_lr for reason in reasons)
    unseen = tuple(cue for cue in CUES if cue not in seen)
    chance = 1 / (1 + 4 * 10**-total)
    asked = (PhotoRequest("label", ("label_ground",), 0.1, request_sentence(["label"])),)
    return Assessment(listing.listing_id, total, chance, tuple(reasons), unseen, asked)


def _reason(reading):
    state = max(reading.likelihood, key=reading.likelihood.get)
    says = -0.15 if state == CUES[reading.cue].genuine_state else 1.4
    return Reason(reading.cue, state, 0.9, says, reason_sentence(reading.cue, state, says), reading.photo, reading.box)
