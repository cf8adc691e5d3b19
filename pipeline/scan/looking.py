"""One photo from its file to what was seen in it. Runs in the worker processes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.classify.part_reader import load_part_reader
from pipeline.config import ReferenceSheet
from pipeline.detect import load_detector
from pipeline.domain import PartReading, Photo, Problem
from pipeline.intake import read_photo
from pipeline.photo_reuse import Fingerprint, fingerprint
from pipeline.scan.tab_place import plan_of, with_tab_position


@dataclass(frozen=True, slots=True)
class PhotoJob:
    """A photo of a listing, and whose sheet it is judged by."""

    path: str
    maker: str


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What one photo shows; metal and motto are still named, not compared with a style."""

    parts: tuple[PartReading, ...]
    fingerprint: Fingerprint


class Looker:
    """The networks and the sheets, loaded once."""

    def __init__(self, models_dir: Path, photos_root: Path, sheets: Mapping[str, ReferenceSheet]) -> None:
        """Load the networks, one processor thread each.

        Raises:
            ConfigError: if a network is missing or is not the one its card speaks of.
        """
        self._root, self._sheets = photos_root, sheets
        self._detector, self._reader = load_detector(models_dir), load_part_reader(models_dir)
        self._plans = {maker: plan_of(sheet) for maker, sheet in sheets.items()}

    def look(self, job: PhotoJob) -> Seen | Problem:
        """Read a photo and judge what it shows."""
        photo = read_photo(self._root, job.path)
        return photo if isinstance(photo, Problem) else self.look_at(photo, job.maker)

    def look_at(self, photo: Photo, maker: str) -> Seen:
        """Judge a photo that was read already."""
        styles = tuple(self._sheets[maker].styles)
        found = self._detector.find_all(photo)
        read = [self._reader.read(photo, part, styles) for part in found if part.is_sure]
        placed = with_tab_position(read, self._plans[maker])
        judged = [as_sure(reading, part.points) for reading, part in zip(placed, read, strict=True)]
        unsure = [PartReading(part) for part in found if not part.is_sure]
        return Seen((*judged, *unsure), fingerprint(photo))


def as_sure(reading: PartReading, points: Mapping[str, object]) -> PartReading:
    """The reading; where nothing at all could be judged, often there is no part: a dial, a lamp, a planet."""
    if reading.cues or reading.texts or points:
        return reading
    return replace(reading, found=replace(reading.found, is_sure=False))
