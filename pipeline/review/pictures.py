"""The pictures that the page shows, made anew from the pixels: nothing else of a seller's file is ever served."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from cachetools import LRUCache
from PIL import Image, ImageOps

from pipeline.domain import Box, HeatMap, PartName, Photo, Problem
from pipeline.intake import read_photo, root_from_text
from pipeline.part_picture import part_picture

WIDTHS = (120, 900, 1800)  # px of the longer side: small, on the page, close up
CROP_WH = (336, 252)
_CACHE_BYTES = 160_000_000
_DECODED = 12  # photos; one of two megapixels takes 6 MB
_QUALITY = 86


class Gallery:
    """Pictures by name, made once and kept while there is room; the last few photos stay decoded, for their crops."""

    def __init__(self, most_bytes: int = _CACHE_BYTES) -> None:
        """Start empty."""
        self._pictures: LRUCache[str, bytes] = LRUCache(most_bytes, getsizeof=len)
        self._photos: LRUCache[str, Photo] = LRUCache(_DECODED)
        self._lock = threading.Lock()
        self._decoding = threading.Lock()

    def photo(self, sha256: str, read: Callable[[], Photo | None]) -> Photo | None:
        """The decoded photo. One is decoded at a time, as a page asks for many pictures of one photo at once."""
        with self._decoding:
            photo = self._photos.get(sha256) or read()
            if photo is not None:
                self._photos[sha256] = photo
            return photo

    def picture(self, name: str, make: Callable[[], bytes | None]) -> bytes | None:
        """The picture of that name; None if it can't be made."""
        with self._lock:
            kept = self._pictures.get(name)
        made = kept or make()
        if made is not None and kept is None:
            with self._lock:
                self._pictures[name] = made
        return made


def read_whole(root: str, path: str, sha256: str) -> Photo | None:
    """The photo, if the file is still the one that was taken in."""
    photo = read_photo(root_from_text(root), path, sha256)
    return None if isinstance(photo, Problem) else photo


def resized(photo: Photo, longest: int) -> bytes:
    """The photo with its longer side at most `longest` px, as a JPEG without any of the file's own data."""
    image = Image.fromarray(photo.pixels)
    image.thumbnail((longest, longest), Image.Resampling.BILINEAR, reducing_gap=2.0)
    return _jpeg(image)


def cropped(photo: Photo, box: Sequence[float] | None, heat: Mapping[str, Any] | None = None) -> bytes:
    """The box with something round it, outlined, `CROP_WH` px; the whole photo without a box.

    Args:
        photo: upright.
        box: `[x, y, w, h]` px.
        heat: a heat map as stored, drawn over the crop.
    """
    rows = () if heat is None else tuple(tuple(row) for row in heat["rows"])
    drawn = None if heat is None else HeatMap(Box(*heat["box"]), rows)
    return _jpeg(part_picture(photo, None if box is None else Box(*box), CROP_WH, drawn))


def find_references(folder: Path) -> dict[str, dict[str, Path]]:
    """Pictures of genuine parts: by maker, then by part, in `folder/MAKER/PART.png` (or .jpg, .webp).

    `PART-METAL` stands for parts of that metal.
    """
    names = {part.value for part in PartName}
    return {
        maker.name: {
            path.stem: path
            for path in sorted(maker.iterdir())
            if path.stem.split("-")[0] in names and path.suffix in {".png", ".jpg", ".webp"}
        }
        for maker in (sorted(folder.iterdir()) if folder.is_dir() else ())
        if maker.is_dir()
    }


def reference(path: Path) -> bytes | None:
    """A picture of a genuine part, filled into `CROP_WH`."""
    photo = read_photo(path.parent, path.name)
    if isinstance(photo, Problem):
        return None
    return _jpeg(ImageOps.fit(Image.fromarray(photo.pixels), CROP_WH, Image.Resampling.LANCZOS))


def _jpeg(image: Image.Image) -> bytes:
    file = io.BytesIO()
    image.convert("RGB").save(file, "JPEG", quality=_QUALITY)
    return file.getvalue()
