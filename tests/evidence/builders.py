"""Builds test objects from what a test is about."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pipeline.config import EvidenceConfig, ReferenceSheet, load_evidence, load_sheets
from pipeline.cues import CUES
from pipeline.domain import Box, CueReading, FoundPart, Listing, ListingReadings, PartName, PartReading, TextReading

CONFIGS = Path(__file__).parents[2] / "configs"


@cache
def shipped_evidence() -> EvidenceConfig:
    return load_evidence(CONFIGS / "evidence.yaml")


@cache
def sheet() -> ReferenceSheet:
    return load_sheets(CONFIGS)["quillmere"]


def evidence(**changes: object) -> EvidenceConfig:
    """The shipped weights with some settings changed, and an uncalibrated sum unless asked for."""
    plain = {"calibration": ((-6.0, -6.0), (6.0, 6.0)), "overrides": ()}
    return EvidenceConfig.model_validate({**shipped_evidence().model_dump(), **plain, **changes})


def sure(cue: str, state: str, **place: object) -> CueReading:
    return unsure(cue, state, 1.0, **place)


def unsure(cue: str, state: str, belief: float, **place: object) -> CueReading:
    """Belief in one state, the rest shared by the others."""
    others = [name for name in CUES[cue].states if name != state]
    likelihood = {name: belief if name == state else (1 - belief) / len(others) for name in CUES[cue].states}
    return CueReading(cue, likelihood, **place)


def part(kind: PartName, *cues: CueReading, texts: tuple[TextReading, ...] = (), photo: str = "a.jpg") -> PartReading:
    return PartReading(FoundPart(photo, kind, Box(10, 20, 30, 40), 0.9), cues, texts)


def print_on(kind: PartName, field: str, text: str, confidence: float = 0.98, photo: str = "a.jpg") -> TextReading:
    return TextReading(field, text, confidence, photo, kind, Box(10, 20, 30, 40))


def listing(**fields: object) -> Listing:
    return Listing(
        **{"listing_id": "L1", "seller_id": "S1", "listed_at": "2026-01-05T20:00:00", "maker": "quillmere", **fields}
    )


def seen(*cues: CueReading, texts: tuple[TextReading, ...] = (), **fields: object) -> ListingReadings:
    """Readings of the pair as a whole, and print."""
    parts = tuple(PartReading(FoundPart(t.photo, t.part, t.box, 0.9), (), (t,)) for t in texts)
    return ListingReadings(listing(**fields), parts=parts, cues=cues)
