"""Letters as coverage masks, in many open fonts, straight or along an arc."""

from __future__ import annotations

import importlib.metadata
import importlib.util
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

# Open-licensed fonts (Apache-2.0 or OFL-1.1) that come as packages; matplotlib brings DejaVu.
_FONT_PACKAGES = {
    "font_roboto": "files", "font_source_sans_pro": "files", "font_source_serif_pro": "files", "font_lato": "files",
    "font_hanken_grotesk": "files", "font_caladea": "files", "font_fjallaone": "files", "font_manrope": "files",
    "ttf_opensans": "ttf", "matplotlib": "mpl-data/fonts/ttf",
}  # fmt: skip
_UNFIT = (
    "Thin",
    "Light",
    "Variable",
    "STIX",
    "cmex",
    "cmmi",
    "cmsy",
    "cmr10",
    "cmb10",
    "cmss10",
    "cmtt10",
    "Display",
    "LastResort",
)
_GLYPH_PX = 64  # glyphs are drawn once at this height and scaled into place


@lru_cache(maxsize=1)
def font_files() -> tuple[Path, ...]:
    """All usable font files found, sorted by name so that a seed picks the same everywhere.

    Raises:
        FileNotFoundError: if none of the font packages is installed.
    """
    found: list[Path] = []
    for package, sub in _FONT_PACKAGES.items():
        spec = importlib.util.find_spec(package)
        if spec is not None and spec.submodule_search_locations:
            folder = Path(next(iter(spec.submodule_search_locations))) / sub
            found += [p for p in folder.glob("*.[to]tf") if not any(word in p.stem for word in _UNFIT)]
    if not found:
        raise FileNotFoundError("no fonts found: install the packages " + ", ".join(_FONT_PACKAGES))
    by_name = {p.stem: p for p in sorted(found, key=lambda p: (p.stem, p.suffix))}
    return tuple(by_name[name] for name in sorted(by_name))


@dataclass(frozen=True, slots=True)
class Glyphs:
    """A line of text as a mask (uint8) with its size in units of the capital height."""

    mask: NDArray[np.uint8]
    width: float
    height: float


@lru_cache(maxsize=256)
def _font(path: Path, px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(path), px)


@lru_cache(maxsize=4096)
def line_of_text(text: str, path: Path, tracking: float = 0.0, stroke: int = 0) -> Glyphs:
    """Draw one line.

    Args:
        text: what to write.
        path: the font file.
        tracking: extra space between letters, in capital heights.
        stroke: widening of the strokes in 1/64 capital heights; below 0, level strokes are thinned by as much at
            both sides, down to hairlines, as in book faces with strong contrast.

    Returns:
        The mask cropped to its ink, with width and height in capital heights.
    """
    px = int(_GLYPH_PX * 1.4)
    font = _font(path, px)
    cap = font.getbbox("H")[3] - font.getbbox("H")[1]
    if tracking == 0:
        pieces = [(0.0, text)]
        width = font.getlength(text)
    else:
        pieces, x = [], 0.0
        for char in text:
            pieces.append((x, char))
            x += font.getlength(char) + tracking * cap
        width = x
    wider = max(stroke, 0)
    pad = wider + 4
    image = Image.new("L", (int(width) + 2 * pad + 8, int(px * 1.6)), 0)
    draw = ImageDraw.Draw(image)
    for x, piece in pieces:
        draw.text((pad + x, pad), piece, fill=255, font=font, stroke_width=wider)
    ink = image.getbbox() or (0, 0, 2, 2)
    mask = np.asarray(image.crop(ink))
    if stroke < 0:
        mask = _with_hairlines(mask, -stroke)
    return Glyphs(mask, mask.shape[1] / cap, mask.shape[0] / cap)


def _with_hairlines(mask: NDArray[np.uint8], thinner_px: int) -> NDArray[np.uint8]:
    """Level strokes thinned; a stroke that would vanish stays as a faint line."""
    padded = np.pad(mask, ((thinner_px, thinner_px), (0, 0)))  # the letters' own edge is thinned, too
    thinned = cv2.erode(padded, np.ones((2 * thinner_px + 1, 1), np.uint8))[thinner_px:-thinner_px]
    return np.asarray(np.maximum(thinned, (0.4 * mask).astype(np.uint8)))


@lru_cache(maxsize=4096)
def letter_middles(text: str, path: Path, tracking: float = 0.0) -> tuple[float, ...]:
    """Middle of each letter along a line as drawn by `line_of_text`, as shares -0.5..0.5 of its width."""
    font = _font(path, int(_GLYPH_PX * 1.4))
    extra = tracking * (font.getbbox("H")[3] - font.getbbox("H")[1])
    ends = [font.getlength(text[: i + 1]) + extra * i for i in range(len(text))]
    starts = [0.0, *(e + extra for e in ends[:-1])]
    return tuple((a + b) / 2 / ends[-1] - 0.5 for a, b in zip(starts, ends, strict=True))
