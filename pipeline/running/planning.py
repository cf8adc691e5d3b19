"""What a scan would do, without doing it."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.config import ReferenceSheet
from pipeline.intake import PhotosRoot, for_each, photo_file
from pipeline.records.looks import LookKey, known_looks
from pipeline.records.patience import PatientStore
from pipeline.running.telling import REPORT
from pipeline.scan import Wanted
from pipeline.scan.judge import judges_of
from pipeline.scan.spool import Spool


@dataclass(frozen=True, slots=True)
class Plan:
    """Listings, their photos, how many of these would be looked at, and the seconds that takes (None: not known)."""

    listings: int
    photos: int
    to_look_at: int
    seconds: float | None


def plan_night(
    listings: Path,
    photos_root: PhotosRoot,
    wanted: Wanted,
    sheets: Mapping[str, ReferenceSheet],
    models_dir: Path,
    records: PatientStore | None,
    earlier: Path,
    on_progress: Callable[[int, int], None],
) -> Plan:
    """Read the listings and their photo files, and ask what was looked at before.

    Args:
        listings: the export.
        photos_root: where its photos lie.
        wanted: which of its listings.
        sheets: reference sheets by maker.
        models_dir: the networks.
        records: the store; None where there is none yet.
        earlier: the folder of an earlier run, whose pace is taken for this one's.
        on_progress: called with (photos done, photos in all).

    Raises:
        NothingToDo: if the listings can't be read.
    """
    judges = judges_of(models_dir, sheets)
    new: set[LookKey] = set()
    with tempfile.TemporaryDirectory() as folder, Spool(Path(folder)) as spool:
        spool.fill(listings, sheets, wanted, lambda problem: None)
        done = 0
        for entry in spool.read_listings():
            found = for_each(photo_file, photos_root, entry.listing.photos)
            keys = {LookKey(one.sha256, judges[entry.listing.maker]) for one in found if one.sha256} - new
            new |= keys - (records.read(known_looks, keys) if records else set())
            done += len(found)
            on_progress(done, spool.photos)
        pace = _pace(earlier)
        return Plan(spool.listings, spool.photos, len(new), len(new) / pace if pace else None)


def _pace(earlier: Path) -> float | None:
    with suppress(OSError, ValueError, KeyError):
        pace = json.loads((earlier / REPORT).read_text(encoding="utf-8"))["photos_per_second"]
        return float(pace) if pace else None
    return None
