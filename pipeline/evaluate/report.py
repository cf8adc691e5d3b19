"""Scores a run on a labelled folder: `metrics.json`, with pictures beside it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import EvidenceConfig, ReferenceSheet
from pipeline.domain import CAUTION, Assessment, PartReading
from pipeline.evaluate.cue_figures import (
    CueFigure,
    Matches,
    cue_figures,
    listing_cue_scores,
    part_cue_scores,
    print_figures,
    split_by_size,
    tab_position_error,
)
from pipeline.evaluate.detection import DetectionFigures, detection_figures
from pipeline.evaluate.labelled import LabelledFolder, read_labelled
from pipeline.evaluate.matching import match_parts
from pipeline.evaluate.oracle import oracle_assessments
from pipeline.evaluate.pictures import draw_pictures
from pipeline.evaluate.queue_figures import QueueScores, queue_figures


def evaluate_run(
    folder: Path,
    queue: Sequence[Assessment],
    parts: Sequence[PartReading],
    out: Path,
    *,
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
    capacity: int = 200,
    speed: Mapping[str, float] | None = None,
) -> dict[str, Any]:
    """Score a run and write `metrics.json` and the pictures into `out`.

    Args:
        folder: the labelled folder that was scanned.
        queue: the run's assessments.
        parts: the run's found parts with their readings.
        out: made if absent.
        sheets: reference sheets by maker.
        evidence: the weights that the run used; the oracle gets the same.
        capacity: how many listings a person can look at.
        speed: how fast the scan went, as the caller measured it; taken over as it is.

    Returns:
        What `metrics.json` holds.

    Raises:
        ValueError: if the folder is not a labelled folder.
    """
    labelled = read_labelled(folder)
    detection = detection_figures(labelled.coco, [part.found for part in parts])
    matches = match_parts(labelled.parts, [part for part in parts if part.found.is_sure])
    cues = all_cue_figures(matches, queue, labelled)
    scores = queue_scores(labelled, queue, sheets, evidence)
    metrics = {
        "caution": CAUTION,
        "not_in_queue": sorted(set(labelled.truth) - {item.listing_id for item in queue}),
        "detection": _detection_rows(detection),
        "parts_found": sum(found is not None for _, found in matches) / max(len(matches), 1),
        "cues": {cue: asdict(figure) for cue, figure in cues.items()},
        "slices": _slices(matches),
        "tab_position": tab_position_error(matches),
        "print": print_figures(matches, _styles(sheets), _code_digits(sheets)),
        "queue": _queue_rows(scores, capacity),
        "speed": dict(speed or {}),
    }
    out.mkdir(parents=True, exist_ok=True)
    (out / "metrics.json").write_text(json.dumps(metrics, indent=2, ensure_ascii=False), encoding="utf-8")
    draw_pictures(out, detection, cues, scores, capacity)
    return metrics


def all_cue_figures(matches: Matches, queue: Sequence[Assessment], labelled: LabelledFolder) -> dict[str, CueFigure]:
    """AUROC of every cue: by part where a crop shows it, by listing where words or files tell it."""
    by_listing = cue_figures(listing_cue_scores(queue, labelled.truth), "listings")
    return {**by_listing, **cue_figures(part_cue_scores(matches), "parts")}


def queue_scores(
    labelled: LabelledFolder,
    queue: Sequence[Assessment],
    sheets: Mapping[str, ReferenceSheet],
    evidence: EvidenceConfig,
) -> QueueScores:
    """The run beside the oracle, for the listings that both know."""
    oracle = oracle_assessments(labelled, sheets, evidence)
    known = [item for item in queue if item.listing_id in oracle]
    return QueueScores(
        probability=np.array([item.probability for item in known]),
        log10_lr=np.array([item.log10_lr for item in known]),
        oracle_log10_lr=np.array([oracle[item.listing_id].log10_lr for item in known]),
        counterfeit=np.array([labelled.truth[item.listing_id].counterfeit for item in known], dtype=np.bool_),
    )


def _queue_rows(scores: QueueScores, capacity: int) -> Mapping[str, object]:
    """The queue's figures, or why there are none."""
    if not scores.has_both_kinds:
        return {"listings": len(scores.counterfeit), "skipped": "both genuine and counterfeit listings are needed"}
    return queue_figures(scores, capacity)


def _detection_rows(figures: DetectionFigures) -> dict[str, Any]:
    """Detection figures as they stand in the file."""
    return {
        "ap": figures.ap,
        "ap50": figures.ap50,
        "ap_small": figures.ap_small,
        "parts": {name: {"ap": ap, "ap50": ap50, "boxes": n} for name, (ap, ap50, n) in figures.parts.items()},
    }


def _slices(matches: Matches) -> dict[str, dict[str, Any]]:
    """Cue figures where the part is small in its photo, and where it is not."""
    small, large = split_by_size(matches)
    return {
        name: {cue: asdict(figure) for cue, figure in cue_figures(part_cue_scores(part), "parts").items()}
        for name, part in (("small_parts", small), ("other_parts", large))
    }


def _styles(sheets: Mapping[str, ReferenceSheet]) -> list[str]:
    """All style numbers that labels may carry."""
    return sorted({style for sheet in sheets.values() for style in sheet.styles})


def _code_digits(sheets: Mapping[str, ReferenceSheet]) -> int:
    """Digits of a code; the makers of one folder are taken to agree."""
    return next(iter(sheets.values())).button.back_code_digits
