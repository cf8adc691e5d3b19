"""How a run tells what it did: a report, and figures for Prometheus."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from prometheus_client import CollectorRegistry, Gauge, write_to_textfile

from pipeline.drift import Drift
from pipeline.running.nightly import NightOutcome
from pipeline.scan import Counts

REPORT, PICTURE = "report.json", "report.png"


def write_report(
    out: Path, outcome: NightOutcome, began: datetime, ended: datetime, drift: Drift | None = None
) -> dict[str, Any]:
    """Write `report.json` and its picture into the run's folder.

    Args:
        out: the folder.
        outcome: what came in, what was done with it, how long each stage took.
        began: when the scan began.
        ended: and when it ended.
        drift: how the night lies beside the fitting listings; None where there was nothing to compare.

    Returns:
        What the report says.

    Raises:
        OSError: if the folder can't be written to.
    """
    counts, taken = outcome.done.counts, outcome.taken_in
    report = {
        "began": began.isoformat(timespec="seconds"),
        "ended": ended.isoformat(timespec="seconds"),
        **asdict(counts),
        "photos_per_second": pace(counts),
        "taken_in": None if taken is None else asdict(taken),
        "notices": list(outcome.done.notices),
        "drift": None if drift is None else _drift_row(drift),
    }
    draft = out / f".{REPORT}.{os.getpid()}"
    draft.write_text(json.dumps(report, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    draft.replace(out / REPORT)
    from pipeline.running.report_picture import draw_report  # 25 MB that the scan need not carry

    draw_report(out / PICTURE, out.resolve().name, counts, ended, drift)
    return report


def _drift_row(drift: Drift) -> dict[str, Any]:
    """`marked` in words; all comparisons as the counts behind them, the least likely by chance first."""
    return {
        "fitting_listings": drift.fitting_listings,
        "distance": round(drift.distance, 4),
        "p": float(f"{drift.p:.4g}"),
        "is_marked": drift.is_marked,
        "chances_by_tenth": {"tonight": _rounded(drift.tonight), "fitting": _rounded(drift.fitting)},
        "marked": [one.sentence for one in drift.marked],
        "signs": [
            {
                "cue": one.cue,
                "asked": one.asked.value,
                "tonight": [one.tonight.hits, one.tonight.n],
                "fitting": [one.fitting.hits, one.fitting.n],
                "p": float(f"{one.p:.4g}"),
            }
            for one in drift.differences
        ],
        "is_same_model": drift.is_same_model,
        "is_same_rules": drift.is_same_rules,
    }


def _rounded(shares: Sequence[float]) -> list[float]:
    return [round(share, 4) for share in shares]


def pace(counts: Counts) -> float | None:
    """Photos looked at in a second of the stage that looks; None where none was."""
    seconds = counts.seconds.get("looking", 0.0)
    return round(counts.looked_at / seconds, 2) if counts.looked_at and seconds else None


def write_metrics(path: Path, outcome: NightOutcome, ended: datetime, drift: Drift | None = None) -> None:
    """Write the run's figures for Prometheus' textfile collector; the file is replaced as a whole.

    Those of drift are left out where there was nothing to compare.

    Raises:
        OSError: if the file can't be written.
    """
    registry, counts = CollectorRegistry(), outcome.done.counts

    def gauge(name: str, about: str, value: float) -> None:
        Gauge(f"denim_triage_{name}", about, registry=registry).set(value)

    gauge("listings", "Listings ranked by the latest scan.", counts.listings)
    gauge("refused_rows", "Rows of the export that could not be ranked.", counts.refused)
    gauge("photos", "Photos of the ranked listings.", counts.photos)
    gauge("photos_looked_at", "Photos that the networks saw in the latest scan.", counts.looked_at)
    gauge("photos_unreadable", "Photos whose file could not be read.", counts.unreadable)
    gauge("photos_set_aside", "Photos that stopped, stalled or failed a worker twice.", counts.set_aside)
    gauge("listings_with_reused_photo", "Listings with a photo that stands under another seller.", counts.reused)
    gauge("problems", "Lines in problems.jsonl.", counts.problems)
    gauge("distrusted_signs", "Notices, such as signs that are read far too often.", len(outcome.done.notices))
    gauge("ended_timestamp_seconds", "When the latest scan ended, Unix time.", ended.timestamp())
    if drift is not None:
        gauge("drift_distance", "Kolmogorov-Smirnov distance of the night's chances from the fit's.", drift.distance)
        gauge("drifted_chances", "1 where chance hardly explains that distance.", drift.is_marked)
        gauge("drifted_signs", "Shares of signs that chance hardly explains beside the fit's.", len(drift.marked))
    stages = Gauge("denim_triage_stage_seconds", "Wall time of each stage.", ["stage"], registry=registry)
    for stage, seconds in counts.seconds.items():
        stages.labels(stage).set(seconds)
    write_to_textfile(str(path), registry)
