"""The best that these photos allow: the same evidence, fed with the true state of every cue that can be seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.config import EvidenceConfig, ReferenceSheet
from pipeline.cues import CUES, Source
from pipeline.domain import Assessment, CueReading, Listing, ListingReadings, PartName
from pipeline.evaluate.labelled import LabelledFolder, LabelledPart, PairTruth, photo_key
from pipeline.evidence import assess


def oracle_assessments(
    folder: LabelledFolder, sheets: Mapping[str, ReferenceSheet], evidence: EvidenceConfig
) -> dict[str, Assessment]:
    """Assess every labelled listing whose maker is known, from true states alone.

    Args:
        folder: the labelled data.
        sheets: reference sheets by maker.
        evidence: the same weights as the run's.
    """
    by_photo: dict[str, list[LabelledPart]] = {}
    for part in folder.parts:
        by_photo.setdefault(photo_key(part.photo), []).append(part)
    known = [item for item in folder.listings if item.maker in sheets and item.listing_id in folder.truth]
    return {
        listing.listing_id: _assess_truth(
            listing,
            [part for photo in listing.photos for part in by_photo.get(photo_key(photo), [])],
            folder.truth[listing.listing_id],
            sheets[listing.maker],
            evidence,
        )
        for listing in known
    }


def _assess_truth(
    listing: Listing,
    parts: Sequence[LabelledPart],
    truth: PairTruth,
    sheet: ReferenceSheet,
    evidence: EvidenceConfig,
) -> Assessment:
    """One listing's assessment from certain readings; its own words are read as always."""
    cues = visible_cues(listing, parts)
    readings = tuple(_certain(cue, truth.cues[cue]) for cue in CUES if cue in cues and cue in truth.cues)
    return assess(ListingReadings(listing, cues=readings), sheet, evidence)


def visible_cues(listing: Listing, parts: Sequence[LabelledPart]) -> set[str]:
    """Cues that a person could judge from these photos; those of the listing's own words are left to the evidence.

    A cue counts as visible where an annotation judges it, or where the print that it needs is legible.
    """
    visible = {cue for part in parts for cue in part.cues if cue in CUES}
    legible = {part.part for part in parts if part.text}
    if {PartName.BUTTON_BACK, PartName.CARE_TAG} <= legible:
        visible.add("code_match")
    if PartName.LABEL in legible:
        visible |= {"style_agrees"} if listing.style_number else set()
        visible |= {"size_agrees"} if listing.waist_in is not None or listing.leg_in is not None else set()
    if listing.photos:
        visible.add("photo_reuse")
    return {cue for cue in visible if CUES[cue].source is not Source.TEXT}


def _certain(cue: str, state: str) -> CueReading:
    """A reading without doubt, of the pair as a whole."""
    return CueReading(cue, {name: float(name == state) for name in CUES[cue].states})
