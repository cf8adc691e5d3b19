"""One photo from its file to what was seen in it. Runs in the worker processes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.classify.part_reader import load_part_reader
from pipeline.config import ReferenceSheet
from pipeline.detect import load_detector
from pipeline.domain import PartReading, Photo, Problem
from pipeline.intake import PhotosRoot, read_photo
from pipeline.photo_reuse import Fingerprint, fingerprint
from pipeline.scan.part_numbers import figures_of, with_numbers
from pipeline.scan.tab_place import plan_of, tabs_on_pockets, with_tab_position


@dataclass(frozen=True, slots=True)
class PhotoJob:
    """A photo of a listing, whose sheet it is judged by, and the SHA-256 of its file where that was looked up."""

    path: str
    maker: str
    sha256: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What one photo shows; metal and motto are still named, not compared with a style."""

    parts: tuple[PartReading, ...]
    fingerprint: Fingerprint


class Looker:
    """The networks and the sheets, loaded once."""

    def __init__(self, models_dir: Path, photos_root: PhotosRoot, sheets: Mapping[str, ReferenceSheet]) -> None:
        """Load the networks, one processor thread each.

        Raises:
            ConfigError: if a network is missing or is not the one its card speaks of.
        """
        self._root, self._sheets = photos_root, sheets
        self._detector, self._reader = load_detector(models_dir), load_part_reader(models_dir)
        self._plans = {maker: plan_of(sheet) for maker, sheet in sheets.items()}
        self._figures = {maker: figures_of(sheet) for maker, sheet in sheets.items()}

    def look(self, job: PhotoJob) -> Seen | Problem:
        """Read a photo and judge what it shows."""
        photo = read_photo(self._root, job.path, job.sha256)
        return photo if isinstance(photo, Problem) else self.look_at(photo, job.maker)

    def look_at(self, photo: Photo, maker: str) -> Seen:
        """Judge a photo that was read already."""
        styles = tuple(self._sheets[maker].styles)
        found = self._detector.find_all(photo)
        read = [self._reader.read(photo, part, styles) for part in found if part.is_sure]
        placed = tabs_on_pockets(read, self._plans[maker])
        measured = with_numbers(
            photo, with_tab_position(read, placed, self._plans[maker]), placed, self._figures[maker]
        )
        judged = sure_or_not([(reading, part.points) for reading, part in zip(measured, read, strict=True)])
        unsure = [PartReading(part) for part in found if not part.is_sure]
        return Seen((*judged, *unsure), fingerprint(photo))


def sure_or_not(read: Sequence[tuple[PartReading, Mapping[str, object]]]) -> list[PartReading]:
    """What was read of a photo's parts; those on which too little could be judged are told of as unsure, without cues.

    Where nothing can be judged there is often no part: a dial, a lamp, a planet. Nor does metal's colour alone make
    one, as anything grey has it; beside a part that shows more, it does.

    Args:
        read: of each part its reading, and the points that were found on it.
    """
    tells = [_tells_more_than_metal(reading, points) for reading, points in read]
    among_parts = any(tells)
    return [
        reading if more or (among_parts and reading.cues) else PartReading(replace(reading.found, is_sure=False))
        for (reading, _), more in zip(read, tells, strict=True)
    ]


def _tells_more_than_metal(reading: PartReading, points: Mapping[str, object]) -> bool:
    """Whether anything was read but the metal's colour, as the network names it."""
    return bool(reading.texts or points or any(cue.cue != "metal_name" for cue in reading.cues))
