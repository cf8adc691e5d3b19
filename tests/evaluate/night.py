"""An invented labelled folder without pictures, and a run on it whose readings are as clear as asked for."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.cues import CUES, LISTED_CUES, Source
from pipeline.domain import (
    Assessment,
    Box,
    CueReading,
    FoundPart,
    Listing,
    ListingReadings,
    Measurement,
    PartName,
    PartReading,
    TextReading,
)
from pipeline.evidence import assess
from pipeline.ranking import rank
from tests.evidence.builders import evidence, sheet

PARTS = list(PartName)


@dataclass(frozen=True)
class Night:
    queue: tuple[Assessment, ...]
    parts: tuple[PartReading, ...]


def make_night(folder: Path, listings: int, clearness: float, seed: int = 5) -> Night:
    """Write a labelled folder and make up the run.

    A reading's log odds are drawn around +-clearness, so that they are honest likelihoods of that clearness.
    """
    rng = np.random.default_rng(seed)
    rows, truths, images, annotations, assessed, found = [], [], [], [], [], []
    for number in range(listings):
        counterfeit = bool(rng.random() < 0.2)
        states = _states(rng, counterfeit)
        photo = f"photos/{number}.jpg"
        images.append({"id": number + 1, "file_name": photo, "width": 1000, "height": 1400})
        row = {
            "listing_id": f"L{number:04d}",
            "seller_id": "S",
            "listed_at": "2026-01-05T20:00:00",
            "maker": "quillmere",
            "style_number": "QM-28",
            "waist_in": 32,
            "leg_in": 34,
            "price_eur": 20.0 if states["price_band"] == "low" else 80.0,
            "photos": [photo],
        }
        rows.append(row)
        truths.append({"listing_id": row["listing_id"], "counterfeit": counterfeit, "cues": states})
        mine = []
        for kind in [part for part in PARTS if rng.random() < 0.7]:
            box = Box(float(rng.integers(0, 700)), float(rng.integers(0, 900)), *rng.integers(30, 260, 2).astype(float))
            attributes = {
                name: states[name]
                for name, cue in LISTED_CUES.items()
                if kind in cue.parts and cue.source is not Source.PRINT
            }
            reading = _read(rng, kind, photo, box, attributes, clearness, _label_print(states))
            if kind is PartName.TAB:
                attributes["tab_position_mm"] = 32.0
            if kind is PartName.LABEL:
                attributes["text"] = _label_print(states)
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": number + 1,
                    "category_id": PARTS.index(kind) + 1,
                    "bbox": [box.x, box.y, box.w, box.h],
                    "attributes": attributes,
                }
            )
            mine.append(reading)
        found += mine
        listing = Listing(**{**row, "photos": tuple(row["photos"])})
        assessed.append(assess(ListingReadings(listing, parts=tuple(mine)), sheet(), evidence()))
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in (("listings", rows), ("truth", truths)):
        (folder / f"{name}.jsonl").write_text("".join(json.dumps(row) + "\n" for row in content), encoding="utf-8")
    coco = {
        "images": images,
        "annotations": annotations,
        "categories": [{"id": n + 1, "name": p.value} for n, p in enumerate(PARTS)],
    }
    (folder / "parts.coco.json").write_text(json.dumps(coco), encoding="utf-8")
    return Night(rank(assessed), tuple(found))


def _states(rng: np.random.Generator, counterfeit: bool) -> dict[str, str]:
    states = {name: cue.genuine_state for name, cue in LISTED_CUES.items()}
    departing = rng.choice(list(LISTED_CUES), int(rng.integers(1, 7)), replace=False) if counterfeit else []
    for name in departing:
        states[str(name)] = str(rng.choice(CUES[str(name)].states[1:]))
    if rng.random() < 0.05:
        states["price_band"] = "low"
    return states


def _read(
    rng, kind: PartName, photo: str, box: Box, attributes: dict[str, str], clearness: float, label: str
) -> PartReading:
    jitter = rng.normal(0, 0.02, 4) * min(box.w, box.h)
    seen = Box(box.x + jitter[0], box.y + jitter[1], box.w + jitter[2], box.h + jitter[3])
    place = {"photo": photo, "part": kind, "box": seen}
    cues = []
    for cue, state in attributes.items():
        logs = np.array(
            [rng.normal(clearness if name == state else 0.0, np.sqrt(clearness)) for name in CUES[cue].states]
        )
        likelihood = np.exp(logs - logs.max())
        likelihood /= likelihood.sum()
        measured = Measurement(32.0 + float(rng.normal(0, 0.8)), 0.8, "mm") if cue == "tab_position" else None
        cues.append(
            CueReading(cue, dict(zip(CUES[cue].states, likelihood.tolist(), strict=True)), measured=measured, **place)
        )
    texts = ()
    if kind is PartName.LABEL:
        words = label.split()
        fields = (("style", words[1]), ("waist", words[3]), ("leg", words[5]))
        texts = tuple(TextReading(field, text, 0.98, **place) for field, text in fields)
    return PartReading(FoundPart(photo, kind, seen, float(rng.uniform(0.5, 1))), tuple(cues), texts)


def _label_print(states: dict[str, str]) -> str:
    """What the label says, the listing stating QM-28, 32 by 34."""
    style = "QM-28" if states["style_agrees"] == "yes" else "QM-34"
    return f"STYLE {style} W {32 if states['size_agrees'] == 'yes' else 30} L 34"
