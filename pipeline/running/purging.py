"""Old photos off the disk and out of the store."""

from __future__ import annotations

import shutil
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline import store
from pipeline.intake import file_sha256
from pipeline.records.database import Store
from pipeline.records.purge import OldPhoto, clean_up, forget_photos, old_photos

_PICTURES = ("contact_sheet.jpg", "contact_sheet.html")


@dataclass(frozen=True, slots=True)
class Purged:
    """Photos forgotten, photo files removed, contact sheets removed."""

    photos: int
    files: int
    sheets: int


def purge(records: Store, before: datetime, runs: Path | None, photo_index: Path | None) -> Purged:
    """Remove the photos that no scan has met since, with all that could show them again.

    Decisions, corrections, scores, reasons in words and counts stay. The index of earlier photos is removed; the next
    scan makes it anew from what is left.

    Args:
        records: the store.
        before: the moment.
        runs: a folder of runs, or one run; contact sheets and lists of parts of runs made before the moment go.
        photo_index: the folder of the index, where it is not beside the store.

    Raises:
        OSError: if a file can't be removed.
    """
    with records.reading() as db:
        old = old_photos(db, before)
    files = sum(_remove_if_it_is(photo) for photo in old)  # first: what is forgotten is not looked for again
    with records.writing() as db:
        forget_photos(db, [photo.sha256 for photo in old])
    sheets = 0 if runs is None else sum(_strip(run, before) for run in _runs_in(runs))
    if old:
        for folder in (photo_index, records.folder_beside("photos")):
            if folder is not None:
                shutil.rmtree(folder, ignore_errors=True)
        clean_up(records)
    return Purged(len(old), files, sheets)


def _remove_if_it_is(photo: OldPhoto) -> int:
    """Remove the photo's files; one that is another photo by now stays."""
    removed = 0
    for path in photo.files:
        with suppress(FileNotFoundError):
            if file_sha256(path) == photo.sha256:
                path.unlink()
                removed += 1
    return removed


def _runs_in(folder: Path) -> list[Path]:
    return sorted(path.parent for path in [*folder.glob(store.QUEUE), *folder.glob(f"*/{store.QUEUE}")])


def _strip(run: Path, before: datetime) -> int:
    """Take pictures, print and photos' hashes off a run that was made before the moment; how many pictures."""
    if datetime.fromtimestamp((run / store.QUEUE).stat().st_mtime, UTC) >= before:
        return 0
    removed = 0
    for name in (*_PICTURES, store.PARTS, store.PHOTOS):
        if (run / name).exists():
            (run / name).unlink()
            removed += name in _PICTURES
    return removed
