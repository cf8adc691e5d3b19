"""How well each cue is told apart, how close the tab is measured, and how much print is read."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cues import CUES, Source
from pipeline.domain import Assessment, PartName, PartReading, TextReading
from pipeline.evaluate.labelled import LabelledPart, PairTruth
from pipeline.evaluate.metrics import auroc
from pipeline.evidence.print_reading import canonical
from pipeline.intervals import wilson_interval

Matches = Sequence[tuple[LabelledPart, PartReading | None]]
Scored = tuple[float, bool]  # 1 - probability of the genuine state; whether it truly departs
_SMALL_PX = 48  # short side of a part that counts as small


@dataclass(frozen=True, slots=True)
class CueFigure:
    """One cue's AUROC; None with the reason in `skipped` where it can't be judged."""

    auroc: float | None
    rows: int
    departed: int
    judged_on: str
    skipped: str | None = None


def part_cue_scores(matches: Matches) -> dict[str, list[Scored]]:
    """Per cue, the score and the truth of every labelled part that was found and read."""
    scores: dict[str, list[Scored]] = {}
    for part, reading in matches:
        for cue, state in part.cues.items():
            read = None if reading is None else next((item for item in reading.cues if item.cue == cue), None)
            if cue in CUES and read is not None:
                genuine = CUES[cue].genuine_state
                scores.setdefault(cue, []).append((1 - read.likelihood.get(genuine, 0.0), state != genuine))
    return scores


def listing_cue_scores(queue: Sequence[Assessment], truth: Mapping[str, PairTruth]) -> dict[str, list[Scored]]:
    """The same for cues that belong to a whole listing: print compared, text, reused photos."""
    scores: dict[str, list[Scored]] = {}
    for assessment in queue:
        states = truth[assessment.listing_id].cues if assessment.listing_id in truth else {}
        for reason in assessment.reasons:
            cue = CUES[reason.cue]
            if cue.source in (Source.PRINT, Source.TEXT, Source.PHOTOS) and cue.name in states:
                is_genuine = reason.state == cue.genuine_state
                score = 1 - reason.probability if is_genuine else reason.probability
                scores.setdefault(cue.name, []).append((score, states[cue.name] != cue.genuine_state))
    return scores


def cue_figures(scores: Mapping[str, Sequence[Scored]], judged_on: str) -> dict[str, CueFigure]:
    """AUROC of each cue that has scores.

    Args:
        scores: from `part_cue_scores` or `listing_cue_scores`.
        judged_on: what one row is, for the reader of the figures.
    """
    return {cue: _cue_figure(scores[cue], judged_on) for cue in CUES if cue in scores}


def _cue_figure(rows: Sequence[Scored], judged_on: str) -> CueFigure:
    """One cue's figure; needs both kinds of row."""
    departed = sum(departs for _, departs in rows)
    if departed in (0, len(rows)):
        missing = "departed" if departed == 0 else "genuine"
        return CueFigure(None, len(rows), departed, judged_on, skipped=f"no {missing} row among {len(rows)}")
    values, labels = zip(*rows, strict=True)
    return CueFigure(auroc(values, labels), len(rows), departed, judged_on)


def split_by_size(matches: Matches) -> tuple[Matches, Matches]:
    """Small parts and the others, by the short side of the labelled box."""
    small = [item for item in matches if min(item[0].box.w, item[0].box.h) < _SMALL_PX]
    return small, [item for item in matches if min(item[0].box.w, item[0].box.h) >= _SMALL_PX]


def tab_position_error(matches: Matches) -> dict[str, float | int | str]:
    """Absolute error of the tab's place in mm: median, 90th percentile, and how many were measured."""
    labelled = [(part, reading) for part, reading in matches if part.tab_position_mm is not None]
    if not labelled:
        return {"skipped": "no annotation says where the tab is in mm"}
    errors = [
        abs(item.measured.value - part.tab_position_mm)
        for part, reading in labelled
        if reading is not None and part.tab_position_mm is not None
        for item in reading.cues
        if item.cue == "tab_position" and item.measured is not None
    ]
    if not errors:
        return {"labelled": len(labelled), "measured": 0, "skipped": "no tab was measured"}
    median, ninetieth = np.quantile(errors, [0.5, 0.9])
    return {"labelled": len(labelled), "measured": len(errors), "median_mm": float(median), "p90_mm": float(ninetieth)}


# ---------------------------------------------------------------- print


def print_figures(matches: Matches, styles: Sequence[str], code_digits: int) -> dict[str, dict[str, float | int]]:
    """Share of legible print that was read exactly, parts that were not found counting as not read.

    Args:
        matches: labelled parts with what was found; print counts as legible where the label gives it.
        styles: the maker's style numbers.
        code_digits: digits of a code.
    """
    rows: dict[str, list[tuple[bool, bool]]] = {"code": [], "size": [], "style": []}  # (was read, is exact)
    for part, reading in matches:
        if part.text is None:
            continue
        texts = () if reading is None else reading.texts
        for field, wanted in _wanted(part, styles, code_digits).items():
            got = _got(field, texts)
            rows[field].append((got is not None, got == wanted))
    return {field: _share(found) for field, found in rows.items() if found}


def _wanted(part: LabelledPart, styles: Sequence[str], code_digits: int) -> dict[str, str]:
    """The fields that a labelled part's print holds, in the form in which they are compared."""
    text = part.text or ""
    if part.part in (PartName.BUTTON_BACK, PartName.CARE_TAG):
        codes = re.findall(rf"(?<!\d)\d{{{code_digits}}}(?!\d)", text)
        return {"code": codes[0]} if codes else {}
    if part.part is not PartName.LABEL:
        return {}
    printed = [canonical(style) for style in styles if canonical(style) in canonical(text)]
    size = re.search(r"W\s*(\d+)\s*L\s*(\d+)", text, re.IGNORECASE)
    return {**({"style": printed[0]} if printed else {}), **({"size": f"{size[1]} {size[2]}"} if size else {})}


def _got(field: str, texts: Sequence[TextReading]) -> str | None:
    """What was read for a field, in the same form, or None."""
    read = {text.field: text.text for text in texts}
    if field == "size":
        return f"{_digits(read['waist'])} {_digits(read['leg'])}" if {"waist", "leg"} <= set(read) else None
    if field not in read:
        return None
    return _digits(read[field]) if field == "code" else canonical(read[field])


def _digits(text: str) -> str:
    """The digits of a text."""
    return re.sub(r"[^0-9]", "", text)


def _share(rows: Sequence[tuple[bool, bool]]) -> dict[str, float | int]:
    """Counts and shares with a 95% interval."""
    read, exact = sum(was for was, _ in rows), sum(right for _, right in rows)
    low, high = wilson_interval(exact, len(rows))
    return {
        "legible": len(rows),
        "read": read,
        "exact": exact,
        "exact_share": exact / len(rows),
        "exact_of_read": exact / read if read else 0.0,
        "low": low,
        "high": high,
    }
