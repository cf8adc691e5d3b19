"""The pictures that the page shows, made anew from the pixels: nothing else of a seller's file is ever served."""

from __future__ import annotations

import hashlib
import io
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw, ImageOps

from pipeline.contact_sheet import with_heat
from pipeline.domain import Box, HeatMap, PartName, Photo, Problem
from pipeline.intake import read_photo

WIDTHS = (120, 900, 1800)  # px of the longer side: small, on the page, close up
CROP_WH = (336, 252)
_CACHE_BYTES = 160_000_000
_DECODED = 12  # photos; one of two megapixels takes 6 MB
_CONTEXT = 0.55  # of the box's longer side shown round it
_LEAST_CONTEXT_PX = 24
_RIM = 1.08  # so that an outline round the box is never cut off
_GREY = "#8A8F94"
_QUALITY = 86


class Gallery:
    """Pictures by name, made once and kept while there is room; the last few photos stay decoded, for their crops."""

    def __init__(self, most_bytes: int = _CACHE_BYTES) -> None:
        """Start empty."""
        self._kept: OrderedDict[str, bytes] = OrderedDict()
        self._most, self._held = most_bytes, 0
        self._lock = threading.Lock()
        self._decoding = threading.Lock()
        self._decoded: OrderedDict[str, Photo] = OrderedDict()

    def photo(self, sha256: str, read: Callable[[], Photo | None]) -> Photo | None:
        """The decoded photo. One is decoded at a time, as a page asks for many pictures of one photo at once."""
        with self._decoding:
            if sha256 in self._decoded:
                self._decoded.move_to_end(sha256)
                return self._decoded[sha256]
            photo = read()
            if photo is not None:
                self._decoded[sha256] = photo
                while len(self._decoded) > _DECODED:
                    self._decoded.popitem(last=False)
            return photo

    def picture(self, name: str, make: Callable[[], bytes | None]) -> bytes | None:
        """The picture of that name; None if it can't be made."""
        with self._lock:
            if name in self._kept:
                self._kept.move_to_end(name)
                return self._kept[name]
        made = make()
        if made is not None:
            self._keep(name, made)
        return made

    def _keep(self, name: str, made: bytes) -> None:
        with self._lock:
            if name in self._kept:
                return
            self._kept[name] = made
            self._held += len(made)
            while self._held > self._most and self._kept:
                self._held -= len(self._kept.popitem(last=False)[1])


def read_whole(root: str, path: str, sha256: str) -> Photo | None:
    """The photo, if the file is still the one that was taken in."""
    photo = read_photo(Path(root), path)
    if isinstance(photo, Problem):
        return None
    same = hashlib.sha256((Path(root) / path).read_bytes()).hexdigest() == sha256
    return photo if same else None


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
    window = _window(box, photo.size_wh)
    left, top, width, height = window
    backed = Image.new("RGB", (round(width), round(height)), _GREY)
    backed.paste(Image.fromarray(photo.pixels), (-round(left), -round(top)))
    tile = backed.resize(CROP_WH, Image.Resampling.LANCZOS)
    if heat is not None:
        rows = tuple(tuple(row) for row in heat["rows"])
        tile = with_heat(tile, HeatMap(Box(*heat["box"]), rows), Box(*window))
    if box is not None:
        scale = CROP_WH[0] / width
        x, y = (box[0] - left) * scale, (box[1] - top) * scale
        _outline(tile, (x, y, x + box[2] * scale, y + box[3] * scale))
    return _jpeg(tile)


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


def _window(box: Sequence[float] | None, photo_wh: tuple[int, int]) -> tuple[float, float, float, float]:
    """What to show: the box with context in the crop's shape, no larger than fits into the photo if the box allows."""
    shape = CROP_WH[0] / CROP_WH[1]
    if box is None:
        x, y, w, h = 0.0, 0.0, float(photo_wh[0]), float(photo_wh[1])
        width = max(w, h * shape)
    else:
        x, y, w, h = box
        pad = max(_LEAST_CONTEXT_PX, _CONTEXT * max(w, h))
        wanted, fitting = max(w + 2 * pad, (h + 2 * pad) * shape), min(photo_wh[0], photo_wh[1] * shape)
        width = max(min(wanted, fitting), _RIM * w, _RIM * h * shape)
    height = width / shape
    left = _inside(x + w / 2 - width / 2, width, photo_wh[0])
    top = _inside(y + h / 2 - height / 2, height, photo_wh[1])
    return left, top, width, height


def _inside(start: float, length: float, room: float) -> float:
    return (room - length) / 2 if length > room else min(max(start, 0.0), room - length)


def _outline(tile: Image.Image, sides: tuple[float, float, float, float]) -> None:
    """Light with dark rims, so that it shows on any cloth."""
    left, top, right, bottom = (round(side) for side in sides)
    draw = ImageDraw.Draw(tile)
    draw.rectangle((left - 4, top - 4, right + 4, bottom + 4), outline="#10151A", width=4)
    draw.rectangle((left - 3, top - 3, right + 3, bottom + 3), outline="#FFF3C4", width=2)


def _jpeg(image: Image.Image) -> bytes:
    file = io.BytesIO()
    image.convert("RGB").save(file, "JPEG", quality=_QUALITY)
    return file.getvalue()
