"""What a scan leaves on disk, and the only module that knows its layout.

`queue.jsonl`, `parts.jsonl`, `problems.jsonl` and `photos.jsonl` (what each photo's file was), UTF-8, one JSON object
a line; `run.json`, what the run was made from. Each file is written beside its place and then moved there, so a reader
meets a whole file or the one before it.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import os
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

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
    PhotoFile,
    PhotoRequest,
    Problem,
    Reason,
    ReuseMatch,
    TextReading,
)
from pipeline.model_files import checksum, models_id

QUEUE, PARTS, PROBLEMS, PHOTOS, ABOUT = FILES = (
    "queue.jsonl", "parts.jsonl", "problems.jsonl", "photos.jsonl", "run.json",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class RunAbout:
    """What a run was made from: the listings file (relative to the run's folder), networks and rules by checksum.

    Empty where it is not known, as for runs written before this was kept. `photos` are the addresses that photos were
    read from; empty where they lie beside the listings.
    """

    listings: str = ""
    model: str = ""
    rules: str = ""
    photos: str = ""


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
    with RunWriter(out_dir) as run:
        for one in assessments:
            run.add(one)
        for part in parts:
            run.add_part(part)
        for problem in problems:
            run.add_problem(problem)
        run.finish(range(len(assessments)), about)


class RunWriter:
    """Writes a run row by row, holding no row in memory; nothing takes its place before `finish`.

    Use it as a context: what is not finished leaves nothing behind.
    """

    def __init__(self, out_dir: Path) -> None:
        """Begin; the folder is made if absent.

        Raises:
            OSError: if it can't be written to.
        """
        out_dir.mkdir(parents=True, exist_ok=True)
        self._out = out_dir
        self._names: set[str] = set()
        self._starts: list[int] = []  # of the queue's rows, in the file of rows that wait for their rank
        with ExitStack() as opened:
            self._unranked = opened.enter_context(_Draft(out_dir / f"{QUEUE}.unranked"))
            self._parts = opened.enter_context(_Draft(out_dir / PARTS))
            self._problems = opened.enter_context(_Draft(out_dir / PROBLEMS))
            self._photos = opened.enter_context(_Draft(out_dir / PHOTOS))
            self._opened = opened.pop_all()

    def __enter__(self) -> RunWriter:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Remove what was not finished."""
        self._opened.close()

    def add(self, one: Assessment) -> None:
        """A row of the queue; its rank is told at the end.

        Raises:
            ValueError: if the listing stands in the queue already, or a number is not finite.
        """
        if one.listing_id in self._names:
            raise ValueError("a listing stands in the queue twice")
        self._names.add(one.listing_id)
        self._starts.append(self._unranked.file.tell())
        self._unranked.write(_queue_row(one))

    def add_part(self, part: PartReading) -> None:
        """A found part."""
        self._parts.write(_part_row(part))

    def add_problem(self, problem: Problem) -> None:
        """Something that could not be read."""
        self._problems.write(_problem_row(problem))

    def add_file(self, file: PhotoFile) -> None:
        """What a photo's file is."""
        self._photos.write({name: value for name, value in asdict(file).items() if value is not None})

    def finish(self, order: Iterable[int], about: RunAbout | None = None) -> None:
        """Put the files in their places.

        Args:
            order: the places of the added rows, most suspicious first.
            about: what the run was made from.
        """
        with _Draft(self._out / QUEUE) as queue, _Draft(self._out / ABOUT) as made_from:
            for rank, place in enumerate(order, 1):
                self._unranked.file.seek(self._starts[place])
                row = self._unranked.file.readline()
                queue.file.write(f'{{"rank": {rank}, '.encode() + row.removeprefix(b"{"))
            made_from.write(asdict(about or RunAbout()))
            for draft in (
                self._parts,
                self._problems,
                self._photos,
                made_from,
                queue,
            ):  # the queue last: it makes a run
                draft.keep()


def clear_drafts(out_dir: Path) -> None:
    """Remove what writers that were killed left in a run's folder; nobody may be writing there."""
    for name in (f"{QUEUE}.unranked", *FILES):
        for draft in out_dir.glob(f".{name}.*"):
            if draft.suffix[1:].isdigit():
                draft.unlink(missing_ok=True)


class _Draft:
    """A file that is written beside its place and moved there as a whole, or removed."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._draft = path.with_name(f".{path.name}.{os.getpid()}")

    def __enter__(self) -> _Draft:
        self.file: BinaryIO = self._draft.open("w+b")
        return self

    def __exit__(self, *_: object) -> None:
        try:
            with suppress(OSError):  # no room for what was left to write: it is thrown away anyway
                self.file.close()
        finally:
            self._draft.unlink(missing_ok=True)

    def write(self, row: Mapping[str, Any]) -> None:
        self.file.write(json.dumps(row, ensure_ascii=False, allow_nan=False).encode() + b"\n")

    def keep(self) -> None:
        self.file.flush()
        os.fsync(self.file.fileno())  # the name must not outlive what it names when the power fails
        self._draft.replace(self._path)


def read_about(out_dir: Path) -> RunAbout:
    """What a run was made from."""
    path = out_dir / ABOUT
    return RunAbout(**next(_read_rows(path))) if path.exists() else RunAbout()


def read_queue(out_dir: Path) -> list[Assessment]:
    """The queue of a run, most suspicious first."""
    return list(each_in_queue(out_dir))


def read_parts(out_dir: Path) -> list[PartReading]:
    """The found parts of a run with what was read from them."""
    return list(each_part(out_dir))


def read_problems(out_dir: Path) -> list[Problem]:
    """What a run could not read."""
    return list(each_problem(out_dir))


def each_in_queue(out_dir: Path) -> Iterator[Assessment]:
    """The queue of a run row by row."""
    return map(_assessment, _read_rows(out_dir / QUEUE))


def each_part(out_dir: Path) -> Iterator[PartReading]:
    """The found parts of a run row by row."""
    return map(_part_reading, _read_rows(out_dir / PARTS))


def each_problem(out_dir: Path) -> Iterator[Problem]:
    """What a run could not read, row by row."""
    return (Problem(**row) for row in _read_rows(out_dir / PROBLEMS))


class RunReader:
    """A run read listing by listing and photo by photo. Use it as a context.

    Only where each row begins is held in memory. What stands twice in a file is read where it stands first.
    """

    def __init__(self, out_dir: Path) -> None:
        """Look where the rows begin.

        Raises:
            OSError: if the folder is no run.
        """
        with ExitStack() as opened:
            self._queue = _Rows(opened.enter_context((out_dir / QUEUE).open("rb")), "listing_id")
            self._parts = _Rows(opened.enter_context((out_dir / PARTS).open("rb")), "photo")
            self._photos = None
            if (out_dir / PHOTOS).exists():  # absent in older runs
                self._photos = _Rows(opened.enter_context((out_dir / PHOTOS).open("rb")), "path")
            self._opened = opened.pop_all()

    def __enter__(self) -> RunReader:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the files."""
        self._opened.close()

    def has(self, listing_id: str) -> bool:
        """Whether the listing stands in the queue."""
        return next(self._queue.rows_from(listing_id), None) is not None

    def assessment(self, listing_id: str) -> Assessment:
        """What the run says of a listing in the queue."""
        return _assessment(next(self._queue.rows_from(listing_id)))

    def parts(self, photo: str) -> list[PartReading]:
        """The parts found in a photo, in the file's order; they stand there one after the other."""
        rows = itertools.takewhile(lambda row: row["photo"] == photo, self._parts.rows_from(photo))
        first = list(itertools.islice(rows, 1))  # again where the photo stands in the next listing, too
        return [_part_reading(row) for row in (*first, *itertools.takewhile(lambda row: row != first[0], rows))]

    def photo_file(self, path: str) -> PhotoFile | None:
        """What a photo's file was when it was scanned; None where that was not written down."""
        row = None if self._photos is None else next(self._photos.rows_from(path), None)
        return None if row is None else PhotoFile(**row)


class _Rows:
    """A file of rows, with the place where each value of a field is met first: 16 bytes for each of them.

    A value is known by 64 bits of a hash with a key of its own, and looked at in its row.
    """

    def __init__(self, file: BinaryIO, name: str) -> None:
        self._file, self._name, self._key = file, name, os.urandom(16)
        values, starts, place = array("Q"), array("Q"), 0
        for line in file:
            values.append(self._hashed(json.loads(line)[name]))
            starts.append(place)
            place += len(line)
        self._values, first = np.unique(np.frombuffer(values, np.uint64), return_index=True)
        self._starts = np.frombuffer(starts, np.uint64)[first]

    def rows_from(self, value: str) -> Iterator[dict[str, Any]]:
        """The rows from the value's first one to the file's end; none where it has none."""
        hashed = np.uint64(self._hashed(value))
        place = int(np.searchsorted(self._values, hashed))
        if place == len(self._values) or self._values[place] != hashed:
            return
        self._file.seek(int(self._starts[place]))
        row = json.loads(self._file.readline())
        if row[self._name] != value:
            return
        yield row
        yield from map(json.loads, iter(self._file.readline, b""))

    def _hashed(self, value: str) -> int:
        return int.from_bytes(hashlib.blake2b(value.encode(), digest_size=8, key=self._key).digest(), "little")


def _read_rows(path: Path) -> Iterator[dict[str, Any]]:
    with path.open(encoding="utf-8") as file:  # not splitlines(): text may hold other line separators
        for line in file:
            yield json.loads(line)


def _queue_row(one: Assessment) -> dict[str, Any]:
    return {
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
