"""The bytes of a photo's file, from the listings' folder or from elsewhere, and nothing outside of that."""

from __future__ import annotations

import stat
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TypeVar
from urllib.parse import unquote

from pipeline.domain import Problem
from pipeline.intake.far_photos import LOCAL, NOT_NAMED, FarPhotos, NotFetchedError, fetch
from pipeline.intake.fetched import let_go, let_wait, waiting

MAX_FILE_BYTES = 200_000_000
PhotosRoot = Path | FarPhotos
"""The folder that photo paths are relative to, or the addresses that photos lie under."""
_FAR_AT_ONCE = 8
_Found = TypeVar("_Found")


def read_bytes(root: PhotosRoot, path: str) -> bytes | Problem:
    """A photo's file as it is.

    Args:
        root: where photos lie; nothing outside it is read.
        path: the photo as the listing names it.

    Returns:
        The bytes, or what is wrong; no more than `MAX_FILE_BYTES` and one are ever read.
    """
    if isinstance(root, Path):
        return Problem(NOT_NAMED, photo=path) if "://" in path else _read_inside(root, path, path)
    try:
        prefix, rest = root.address_of(path)
        if prefix.startswith(LOCAL):
            return _read_inside(Path(prefix.removeprefix(LOCAL)), unquote(rest) if "://" in path else rest, path)
        data = waiting(root, prefix + rest)
        if data is None:
            data = fetch(root, prefix, rest, MAX_FILE_BYTES)
            let_wait(root, prefix + rest, data)
    except NotFetchedError as err:
        return Problem(str(err), photo=path)
    except FileNotFoundError:
        return Problem("there is no such photo file", photo=path)
    return _size_problem(path, len(data)) or data


def looked_at(root: PhotosRoot, path: str) -> None:
    """A photo that was looked at, or will not be, needs to wait no longer."""
    if isinstance(root, FarPhotos):
        with suppress(NotFetchedError):
            let_go(root, "".join(root.address_of(path)))


def for_each(look_up: Callable[[PhotosRoot, str], _Found], root: PhotosRoot, paths: Sequence[str]) -> list[_Found]:
    """`look_up(root, path)` for each path, in their order; several at once where each waits for another machine."""
    if isinstance(root, Path):
        return [look_up(root, path) for path in paths]
    with ThreadPoolExecutor(_FAR_AT_ONCE) as threads:
        return list(threads.map(lambda path: look_up(root, path), paths))


def root_as_text(root: PhotosRoot) -> str:
    """Where photos lie, to be kept."""
    return str(root.resolve()) if isinstance(root, Path) else str(root)


def root_from_text(text: str) -> PhotosRoot:
    """What `root_as_text` made a text of; a whole path has no two slashes side by side."""
    return FarPhotos(tuple(text.split())) if "://" in text else Path(text)


def _read_inside(folder: Path, name: str, path: str) -> bytes | Problem:
    """The file's bytes, provided that it lies in the folder once every link is followed."""
    root = folder.resolve()
    try:
        target = (root / name).resolve()
        if not target.is_relative_to(root):
            return Problem("the path leads out of the listings' folder, so the file was not opened", photo=path)
        status = target.stat()
        if not stat.S_ISREG(status.st_mode):
            return Problem("there is no such photo file", photo=path)
        return _size_problem(path, status.st_size) or target.read_bytes()
    except FileNotFoundError:
        return Problem("there is no such photo file", photo=path)
    except (OSError, ValueError, RuntimeError) as err:  # no right to read; NUL in the path; a loop of links
        return Problem(f"the file can't be opened ({type(err).__name__})", photo=path)


def _size_problem(path: str, size: int) -> Problem | None:
    if size == 0:
        return Problem("the file is empty (zero bytes)", photo=path)
    if size > MAX_FILE_BYTES:
        reason = f"the file is larger than {MAX_FILE_BYTES // 1_000_000} MB, so it was not opened"
        return Problem(reason, photo=path)
    return None
