"""What was seen of one listing, cue by cue, before any of it is weighed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.config import EvidenceConfig, ReferenceSheet, StyleSheet
from pipeline.cues import CUES
from pipeline.domain import CueReading, ListingReadings, TextReading
from pipeline.evidence.pooling import pool
from pipeline.evidence.style_checks import compare_with_style, resolve_style
from pipeline.evidence.text_checks import text_readings

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SeenReadings:
    """A listing's readings by cue, in the order of the table of cues, with the style and print they rest on."""

    by_cue: dict[str, list[CueReading]]
    style: StyleSheet | None
    texts: tuple[TextReading, ...]


def readings_by_cue(readings: ListingReadings, sheet: ReferenceSheet, evidence: EvidenceConfig) -> SeenReadings:
    """All readings of one listing, those of metal, motto and print compared with the style and the seller's words.

    Raises:
        ValueError: if a reading names a cue that does not exist.
    """
    texts = tuple(text for part in readings.parts for text in part.texts)
    style = resolve_style(readings.listing, texts, sheet, evidence.text_checks)
    from_photos = (reading for part in readings.parts for reading in part.cues)
    compared = (compare_with_style(reading, style) for reading in (*from_photos, *readings.cues))
    from_text = text_readings(readings.listing, texts, sheet, style, evidence.text_checks)
    found: dict[str, list[CueReading]] = {}
    for reading in (*(reading for reading in compared if reading is not None), *from_text):
        if reading.cue not in CUES:
            raise ValueError(f"no such cue: {reading.cue}; known are {', '.join(CUES)}")
        found.setdefault(reading.cue, []).append(reading)
    return SeenReadings({name: found[name] for name in CUES if name in found}, style, texts)


def pooled(readings: Sequence[CueReading], states: Sequence[str], evidence: EvidenceConfig) -> Floats | None:
    """One cue's readings as one likelihood, shape (states,), sum 1; None where they say next to nothing: not seen."""
    likelihood = pool(readings, states, evidence)
    return None if likelihood.max() - likelihood.min() <= evidence.least_spread else likelihood
