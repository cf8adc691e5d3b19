"""Size, layout and orientation of a JPEG, PNG or WebP file from its first bytes, without decoding a pixel.

Photos are untrusted: the size must be known before anything is allocated for it, a file that ends early
must be told from a whole one, and of the EXIF block nothing but the orientation is ever looked at.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

_PNG_MAGIC = b"\x89PNG\r\n\x1a\n"
_JPEG_FRAME_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_JPEG_BARE_MARKERS = frozenset({0x01, *range(0xD0, 0xD9)})
_ORIENTATION_TAG = 0x0112
_TURNED_SIDEWAYS = frozenset({5, 6, 7, 8})


@dataclass(frozen=True, slots=True)
class FileHeader:
    """What a photo file says of itself.

    `stored_wh` is the size as stored, in pixels; `orientation` is the EXIF value 1..8;
    `is_plain` is true where every decoder agrees on the colours (grey or RGB, nothing transparent).
    """

    format: str
    stored_wh: tuple[int, int]
    orientation: int
    is_plain: bool

    @property
    def upright_wh(self) -> tuple[int, int]:
        """Width and height in pixels once the photo stands upright."""
        width, height = self.stored_wh
        return (height, width) if self.orientation in _TURNED_SIDEWAYS else (width, height)


class NotAPhotoError(ValueError):
    """The bytes are not a JPEG, PNG or WebP."""


class CutOffError(ValueError):
    """The file ends before its picture does."""


def parse_header(data: bytes) -> FileHeader:
    """Read the header of a photo file.

    Args:
        data: the whole file.

    Returns:
        What the file says of itself.

    Raises:
        NotAPhotoError: if this is no JPEG, PNG or WebP, or the header makes no sense.
        CutOffError: if the file ends early.
    """
    try:
        if data.startswith(b"\xff\xd8\xff"):
            return _parse_jpeg(data)
        if data.startswith(_PNG_MAGIC):
            return _parse_png(data)
        if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
            return _parse_webp(data)
    except (struct.error, IndexError) as err:
        raise CutOffError("the header is incomplete") from err
    raise NotAPhotoError("no JPEG, PNG or WebP signature")


def _parse_jpeg(data: bytes) -> FileHeader:
    size_wh, components, orientation = (0, 0), 0, 1
    for marker, start, end in _jpeg_segments(data):
        if marker in _JPEG_FRAME_MARKERS:
            height, width, components = struct.unpack_from(">HHB", data, start + 1)
            size_wh = (width, height)
        elif marker == 0xE1 and data[start : start + 6] == b"Exif\0\0":
            orientation = _orientation(data[start + 6 : end])
        elif marker == 0xDA and data.rfind(b"\xff\xd9", end) < 0:
            raise CutOffError("no end-of-image marker")
    return FileHeader("jpeg", size_wh, orientation, components in (1, 3))


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker and payload bounds of every segment up to and with the first start of scan."""
    at = 2
    while True:
        if data[at] != 0xFF:
            raise NotAPhotoError("JPEG marker expected")
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker in _JPEG_BARE_MARKERS:
            at += 2
        else:
            end = at + 2 + struct.unpack_from(">H", data, at + 2)[0]
            if end > len(data):
                raise CutOffError("a segment runs past the end")
            yield marker, at + 4, end
            if marker == 0xDA:
                return
            at = end


def _parse_png(data: bytes) -> FileHeader:
    width, height, _depth, colour_type = struct.unpack_from(">IIBB", data, 16)
    orientation, is_transparent, at, kind = 1, colour_type in (4, 6), 8, b""
    while kind != b"IEND":
        length, kind = struct.unpack_from(">I4s", data, at)
        is_transparent = is_transparent or kind == b"tRNS"
        if kind == b"eXIf":
            orientation = _orientation(data[at + 8 : at + 8 + length])
        at += 12 + length
        if at > len(data):
            raise CutOffError("a chunk runs past the end")
    return FileHeader("png", (width, height), orientation, not is_transparent)


def _parse_webp(data: bytes) -> FileHeader:
    end = 8 + struct.unpack_from("<I", data, 4)[0]
    if end > len(data):
        raise CutOffError("the container is shorter than it says")
    size_wh: tuple[int, int] | None = None
    orientation, is_transparent, at = 1, False, 12
    while at + 8 <= end:
        kind, length = struct.unpack_from("<4sI", data, at)
        body = data[at + 8 : at + 8 + length]
        if kind == b"EXIF":
            orientation = _orientation(body.removeprefix(b"Exif\0\0"))
        elif size_wh is None and kind in (b"VP8X", b"VP8 ", b"VP8L"):
            size_wh, is_transparent = _webp_size_and_alpha(kind, body)
        at += 8 + length + (length & 1)
    if size_wh is None:
        raise NotAPhotoError("WebP without a picture")
    return FileHeader("webp", size_wh, orientation, not is_transparent)


def _webp_size_and_alpha(kind: bytes, body: bytes) -> tuple[tuple[int, int], bool]:
    if kind == b"VP8X":
        width, height = (int.from_bytes(body[at : at + 3], "little") + 1 for at in (4, 7))
        return (width, height), bool(body[0] & 0x10)
    if kind == b"VP8L":
        bits = struct.unpack_from("<I", body, 1)[0]
        return ((bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1), bool(bits >> 28 & 1)
    width, height = struct.unpack_from("<HH", body, 6)
    return (width & 0x3FFF, height & 0x3FFF), False


def _orientation(tiff: bytes) -> int:
    """The orientation tag of an EXIF block; 1 (upright) where it is absent or makes no sense."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(tiff[:4])
    if order is None:
        return 1
    try:
        first = struct.unpack_from(order + "I", tiff, 4)[0]
        count = struct.unpack_from(order + "H", tiff, first)[0]
        for index in range(count):
            tag, kind, _n, value = struct.unpack_from(order + "HHIH", tiff, first + 2 + 12 * index)
            if tag == _ORIENTATION_TAG and kind == 3 and 1 <= value <= 8:
                return int(value)
    except struct.error:
        pass  # a broken EXIF block is no reason to lose the photo
    return 1
