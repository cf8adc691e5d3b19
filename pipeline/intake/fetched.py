"""Photos of other machines on this one's disk, from when they are looked up until they are looked at: fetched once."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.intake.far_photos import FarPhotos

_MOST_BYTES = 30_000_000  # what is larger is fetched again: few are, and the disk stays as it was


@contextmanager
def waiting_room(photos: FarPhotos) -> Iterator[None]:
    """The folder where files wait, if the photos name one: empty at first, gone at the end.

    Raises:
        OSError: if it can't be made.
    """
    if photos.wait_in is None:
        yield
        return
    shutil.rmtree(photos.wait_in, ignore_errors=True)  # of a scan that was killed
    photos.wait_in.mkdir(parents=True)
    try:
        yield
    finally:
        shutil.rmtree(photos.wait_in, ignore_errors=True)


def waiting(photos: FarPhotos, address: str) -> bytes | None:
    """The file of that address, if it waits here."""
    if photos.wait_in is None:
        return None
    with suppress(OSError):
        return _place(photos.wait_in, address).read_bytes()
    return None


def let_wait(photos: FarPhotos, address: str, data: bytes) -> None:
    """Keep a file here if there is a folder for that, and room."""
    if photos.wait_in is not None and len(data) <= _MOST_BYTES:
        path = _place(photos.wait_in, address)
        try:
            path.write_bytes(data)
        except OSError:  # it is fetched again, then
            with suppress(OSError):
                path.unlink()


def let_go(photos: FarPhotos, address: str) -> None:
    """Remove a file that waits no longer."""
    if photos.wait_in is not None:
        with suppress(OSError):
            _place(photos.wait_in, address).unlink()


def _place(folder: Path, address: str) -> Path:
    return folder / hashlib.sha256(address.encode()).hexdigest()
