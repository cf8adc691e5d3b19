"""What a scan leaves on disk, and the only module that knows its layout.

`queue.jsonl`, `parts.jsonl` and `problems.jsonl`, UTF-8, one JSON object a line; `run.json`, what the run was made
from. Each file is written beside its place and then moved there, so a reader meets a whole file or the one before it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.domain import (
    CAUTION,
    Assessment,
    Box,
    CueReading,
    FoundPart,
    HeatMap,
    Measurement,
    PartName,
    PartReading,
    PhotoRequest,
    Problem,
    Reason,
    ReuseMatch,
    TextReading,
)
from pipeline.model_files import checksum, models_id

QUEUE, PARTS, PROBLEMS, ABOUT = "queue.jsonl", "parts.jsonl", "problems.jsonl", "run.json"


@dataclass(frozen=True, slots=True)
class RunAbout:
    """What a run was made from: the listings file (relative to the run's folder), networks and rules by checksum.

    Empty where it is not known, as for runs written before this was kept.
    """

    listings: str = ""
    model: str = ""
    rules: str = ""


def judged_by(models_dir: Path, configs: Path) -> tuple[str, str]:
    """Checksums of the networks and of the rules: twelve digits each that change when any of their files does."""
    return models_id(models_dir), checksum(sorted(configs.glob("*.yaml")))


def write_run(
    out_dir: Path,
    assessments: Sequence[Assessment],
    parts: Iterable[PartReading],
    problems: Iterable[Problem],
    about: RunAbout | None = None,
) -> None:
    """Write a run's files.

    Args:
        out_dir: made if absent; files of an earlier run in it are replaced.
        assessments: most suspicious first; the place in the sequence becomes the rank.
        parts: every found part with what was read from it.
        problems: what could not be read, and the refused rows.
        about: what it was made from.

    Raises:
        ValueError: if a listing stands in the queue twice, or a number is not finite.
        OSError: if the folder can't be written to.
    """
    names = [one.listing_id for one in assessments]
    if len(set(names)) < len(names):
        raise ValueError("a listing stands in the queue twice")
    out_dir.mkdir(parents=True, exist_ok=True)
    _write_rows(out_dir / QUEUE, (_queue_row(rank, one) for rank, one in enumerate(assessments, 1)))
    _write_rows(out_dir / PARTS, (_part_row(part) for part in parts))
    _write_rows(out_dir / PROBLEMS, (_problem_row(problem) for problem in problems))
    _write_rows(out_dir / ABOUT, [asdict(about or RunAbout())])


def read_about(out_dir: Path) -> RunAbout:
    """What a run was made from."""
    path = out_dir / ABOUT
    return RunAbout(**_read_rows(path)[0]) if path.exists() else RunAbout()


def read_queue(out_dir: Path) -> list[Assessment]:
    """The queue of a run, most suspicious first."""
    return [_assessment(row) for row in _read_rows(out_dir / QUEUE)]


def read_parts(out_dir: Path) -> list[PartReading]:
    """The found parts of a run with what was read from them."""
    return [_part_reading(row) for row in _read_rows(out_dir / PARTS)]


def read_problems(out_dir: Path) -> list[Problem]:
    """What a run could not read."""
    return [Problem(**row) for row in _read_rows(out_dir / PROBLEMS)]


def _write_rows(path: Path, rows: Iterable[Mapping[str, Any]]) -> None:
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with draft.open("w", encoding="utf-8", newline="\n") as file:
            for row in rows:
                file.write(json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n")
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _read_rows(path: Path) -> list[dict[str, Any]]:
    with path.open(encoding="utf-8") as file:  # not splitlines(): text may hold other line separators
        return [json.loads(line) for line in file]


def _queue_row(rank: int, one: Assessment) -> dict[str, Any]:
    return {
        "rank": rank,
        "listing_id": one.listing_id,
        "probability": round(one.probability, 6),
        "log10_lr": round(one.log10_lr, 4),
        "reasons": [_reason_row(reason) for reason in one.reasons],
        "not_seen": list(one.not_seen),
        "ask_for": [_request_row(request) for request in one.ask_for],
        "reuse": [asdict(match) for match in one.reuse],
        "caution": CAUTION,
    }


def _reason_row(reason: Reason) -> dict[str, Any]:
    return {
        "cue": reason.cue,
        "state": reason.state,
        "probability": round(reason.probability, 4),
        "log10_lr": round(reason.log10_lr, 4),
        "sentence": reason.sentence,
        "photo": reason.photo,
        "box": _box_row(reason.box),
        "measured": _measured_row(reason.measured),
        "note": reason.note,
    } | ({} if reason.heat is None else {"heat": _heat_row(reason.heat)})


def _request_row(request: PhotoRequest) -> dict[str, Any]:
    return {
        "view": request.view,
        "cues": list(request.cues),
        "expected_change": round(request.expected_change, 5),
        "sentence": request.sentence,
    }


def _part_row(part: PartReading) -> dict[str, Any]:
    found = part.found
    row: dict[str, Any] = {
        "photo": found.photo,
        "part": found.part.value,
        "box": _box_row(found.box),
        "score": round(found.score, 4),
        "cues": {cue.cue: {state: round(p, 5) for state, p in cue.likelihood.items()} for cue in part.cues},
    }
    measured = {cue.cue: _measured_row(cue.measured) for cue in part.cues if cue.measured is not None}
    if measured:
        row["measured"] = measured
    if not found.is_sure:
        row["unsure"] = True
    heat = {cue.cue: _heat_row(cue.heat) for cue in part.cues if cue.heat is not None}
    if heat:
        row["heat"] = heat
    if part.texts:
        row["text"] = " ".join(text.text for text in part.texts)
        row["texts"] = [
            {"field": text.field, "text": text.text, "confidence": round(text.confidence, 4)} for text in part.texts
        ]
    return row


def _problem_row(problem: Problem) -> dict[str, Any]:
    return {
        "listing_id": problem.listing_id,
        "photo": problem.photo,
        "row": problem.row,
        "refused": problem.refused,
        "reason": problem.reason,
    }


def _box_row(box: Box | None) -> list[float] | None:
    return None if box is None else [round(float(side), 1) for side in (box.x, box.y, box.w, box.h)]


def _measured_row(measured: Measurement | None) -> dict[str, Any] | None:
    if measured is None:
        return None
    return {"value": round(measured.value, 3), "sigma": round(measured.sigma, 3), "unit": measured.unit}


def _heat_row(heat: HeatMap) -> dict[str, Any]:
    return {"box": _box_row(heat.box), "rows": [list(row) for row in heat.rows]}


def _assessment(row: Mapping[str, Any]) -> Assessment:
    return Assessment(
        listing_id=row["listing_id"],
        log10_lr=row["log10_lr"],
        probability=row["probability"],
        reasons=tuple(_reason(reason) for reason in row["reasons"]),
        not_seen=tuple(row["not_seen"]),
        ask_for=tuple(PhotoRequest(**(request | {"cues": tuple(request["cues"])})) for request in row["ask_for"]),
        reuse=tuple(ReuseMatch(**match) for match in row.get("reuse", ())),  # absent in older runs
    )


def _reason(row: Mapping[str, Any]) -> Reason:
    made = {"box": _box(row["box"]), "measured": _measured(row["measured"]), "heat": _heat(row.get("heat"))}
    return Reason(**{**row, **made})


def _part_reading(row: Mapping[str, Any]) -> PartReading:
    found = FoundPart(row["photo"], PartName(row["part"]), Box(*row["box"]), row["score"], not row.get("unsure", False))
    place: dict[str, Any] = {"photo": found.photo, "part": found.part, "box": found.box}
    measured, heat = row.get("measured", {}), row.get("heat", {})
    return PartReading(
        found=found,
        cues=tuple(
            CueReading(cue, likelihood, measured=_measured(measured.get(cue)), heat=_heat(heat.get(cue)), **place)
            for cue, likelihood in row["cues"].items()
        ),
        texts=tuple(TextReading(**text, **place) for text in row.get("texts", ())),
    )


def _box(row: Sequence[float] | None) -> Box | None:
    return None if row is None else Box(*row)


def _heat(row: Mapping[str, Any] | None) -> HeatMap | None:
    return None if row is None else HeatMap(Box(*row["box"]), tuple(tuple(values) for values in row["rows"]))


def _measured(row: Mapping[str, Any] | None) -> Measurement | None:
    return None if row is None else Measurement(**row)
