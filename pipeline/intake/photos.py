"""One reader for every photo: upright, uint8 RGB, or a `Problem` that says what is wrong with it."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from pipeline.domain import Photo, PhotoFile, Problem
from pipeline.intake._headers import CutOffError, FileHeader, NotAPhotoError, parse_header
from pipeline.intake.photo_bytes import PhotosRoot, read_bytes

MAX_PIXELS = 60_000_000
MIN_SIDE_PX = 32
CHANGED = "the photo file was changed while it was being looked at; scan again"


def read_photo(root: PhotosRoot, path: str, sha256: str | None = None) -> Photo | Problem:
    """Read one photo, upright.

    Nothing but the pixels is kept: no place, time or camera from the file.

    Args:
        root: the folder that the listings file lies in, or the addresses that photos lie under; nothing outside is
            read.
        path: the photo's path as the listing gives it.
        sha256: of the file as it was when it was last looked up and nothing was wrong with it; None where nobody did.

    Returns:
        The photo, uint8 RGB, shape (height, width, 3), or the problem with it, `CHANGED` if the file is another one
        now, or can't be read here. The problem names the photo but not the listing; the caller knows that.

    Raises:
        MemoryError: if the picture needs more memory than there is.
    """
    loaded = _load(root, path)
    if isinstance(loaded, Problem):
        return loaded if sha256 is None else _problem(path, CHANGED)
    data, header = loaded
    if sha256 is not None and hashlib.sha256(data).hexdigest() != sha256:
        return _problem(path, CHANGED)
    pixels = _decode(data, header)
    if pixels is None:
        return _problem(path, "the picture in the file is damaged and can't be shown; ask the seller to send it again")
    return Photo(path=path, pixels=pixels)


def photo_header(root: PhotosRoot, path: str) -> FileHeader | Problem:
    """Read a photo's size, format and orientation without decoding it.

    Args:
        root: as for `read_photo`.
        path: as for `read_photo`.

    Returns:
        The header, or the same problem that `read_photo` would give for a file that can't be opened.
    """
    loaded = _load(root, path)
    return loaded if isinstance(loaded, Problem) else loaded[1]


def photo_file(root: PhotosRoot, path: str) -> PhotoFile:
    """What a photo's file is, or the problem that `read_photo` would give without decoding it."""
    loaded = _load(root, path)
    if isinstance(loaded, Problem):
        return PhotoFile(path, problem=loaded.reason)
    data, header = loaded
    return PhotoFile(path, hashlib.sha256(data).hexdigest(), *header.upright_wh)


def file_sha256(path: Path) -> str:
    """The SHA-256 of a file in hex; "" where there is none."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _load(root: PhotosRoot, path: str) -> tuple[bytes, FileHeader] | Problem:
    data = read_bytes(root, path)
    if isinstance(data, Problem):
        return data
    try:
        header = parse_header(data)
    except NotAPhotoError:
        return _problem(path, "this file is not a JPEG, PNG or WebP picture")
    except CutOffError:
        return _problem(path, "the file is cut off before its end; ask the seller to send it again")
    return _size_problem(path, header) or (data, header)


def _size_problem(path: str, header: FileHeader) -> Problem | None:
    width, height = header.upright_wh
    if width * height > MAX_PIXELS:
        megapixels = round(width * height / 1e6)
        return _problem(path, f"the photo has {megapixels} megapixels, over the limit of {MAX_PIXELS // 1_000_000}")
    if min(width, height) < MIN_SIDE_PX:
        return _problem(path, f"the photo is {width} x {height} pixels, too small to judge anything on")
    return None


def _decode(data: bytes, header: FileHeader) -> NDArray[np.uint8] | None:
    if header.is_plain:
        return _decode_plain(data)
    return _decode_with_pillow(data)


def _decode_plain(data: bytes) -> NDArray[np.uint8] | None:
    """OpenCV: about three times as fast as Pillow, and it turns the photo by its EXIF tag itself."""
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
    except cv2.error as err:
        if err.code == cv2.Error.StsNoMem:
            raise MemoryError(str(err)) from err
        return None
    return None if pixels is None else np.asarray(pixels, dtype=np.uint8)


def _decode_with_pillow(data: bytes) -> NDArray[np.uint8] | None:
    """CMYK and transparent pictures, whose colours OpenCV takes another way; transparent turns white."""
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as image:
            upright = ImageOps.exif_transpose(image)
            if upright.has_transparency_data:
                layer = upright.convert("RGBA")
                upright = Image.alpha_composite(Image.new("RGBA", layer.size, "white"), layer)
            return np.array(upright.convert("RGB"), dtype=np.uint8)
    except (OSError, SyntaxError, ValueError):
        return None


def _problem(path: str, reason: str) -> Problem:
    return Problem(reason=reason, photo=path)
