"""Lettering as masks: a line of text, set straight or bent round a circle, in typefaces of this renderer's own."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Mask = NDArray[np.floating[Any]]
# Computer Modern and STIX come with matplotlib; the others are data packages under an open font licence.
_PLACES = {
    "cmb10": ("matplotlib", "mpl-data/fonts/ttf"), "cmss10": ("matplotlib", "mpl-data/fonts/ttf"),
    "cmtt10": ("matplotlib", "mpl-data/fonts/ttf"), "cmr10": ("matplotlib", "mpl-data/fonts/ttf"),
    "STIXGeneralBol": ("matplotlib", "mpl-data/fonts/ttf"), "STIXGeneral": ("matplotlib", "mpl-data/fonts/ttf"),
    "RedHatDisplay-Bold": ("font_rhd", "files"), "RedHatDisplay-Medium": ("font_rhd", "files"),
    "FredokaOne-Regular": ("font_fredoka_one", "files"),
}  # fmt: skip
STURDY = ("cmb10", "STIXGeneralBol", "RedHatDisplay-Bold", "FredokaOne-Regular", "cmss10")
PLAIN = ("cmss10", "cmtt10", "RedHatDisplay-Medium", "RedHatDisplay-Bold", "STIXGeneral", "cmr10")


@lru_cache(maxsize=32)
def typeface(name: str) -> Path:
    """Where a typeface lies; one that comes with matplotlib stands in for a missing package.

    Raises:
        FileNotFoundError: if there is no typeface at all.
    """
    package, folder = _PLACES[name]
    spec = importlib.util.find_spec(package)
    if spec is not None and spec.submodule_search_locations:
        path = Path(next(iter(spec.submodule_search_locations))) / folder / f"{name}.ttf"
        if path.is_file():
            return path
    if name == "cmb10":
        raise FileNotFoundError("no typefaces found: install matplotlib")
    return typeface("cmb10")


@lru_cache(maxsize=512)
def line(text: str, name: str, cap_px: float, spacing: float = 0.0) -> Mask:
    """One line as ink 0..1, cropped to its ink.

    Args:
        text: capitals, digits, points.
        name: a typeface of this module.
        cap_px: height of a capital, px.
        spacing: extra room between letters, in capital heights.
    """
    font = ImageFont.truetype(str(typeface(name)), 200)
    box = font.getbbox("H")
    font = ImageFont.truetype(str(typeface(name)), max(4, round(200 * cap_px / (box[3] - box[1]))))
    at, places = 0.0, []
    for letter in text:
        places.append(at)
        at += font.getlength(letter) + spacing * cap_px
    image = Image.new("L", (int(at + 2 * cap_px) + 4, int(3 * cap_px) + 8), 0)
    pen = ImageDraw.Draw(image)
    for x, letter in zip(places, text, strict=True):
        pen.text((cap_px / 2 + x, cap_px / 2), letter, fill=255, font=font)
    ink = image.getbbox() or (0, 0, 1, 1)
    return np.asarray(image.crop(ink), np.float32) / 255


def stamp(canvas: Mask, ink: Mask, centre_xy: tuple[float, float], turn: float = 0.0) -> None:
    """Lay ink on a canvas, its middle at a place (px, y down), turned counter-clockwise by radians."""
    h, w = ink.shape
    c, s = np.cos(turn), np.sin(turn)
    move = np.array([[c, s, centre_xy[0]], [-s, c, centre_xy[1]]])
    move[:, 2] -= move[:, :2] @ ((w - 1) / 2, (h - 1) / 2)
    laid = cv2.warpAffine(ink, move, canvas.shape[::-1], flags=cv2.INTER_LINEAR)
    np.maximum(canvas, laid, out=canvas)


def bend(canvas: Mask, ink: Mask, centre_xy: tuple[float, float], radius_px: float, middle: float) -> None:
    """Lay ink along a circle, feet towards its centre where `radius_px` > 0, away from it where < 0.

    Args:
        canvas: ink so far, changed in place.
        ink: a straight line of text.
        centre_xy: the circle's centre, px, y down.
        radius_px: to the middle of the letters' height; the sign says which way the feet point.
        middle: where the text's middle lies, radians counter-clockwise from three o'clock.
    """
    h, w = ink.shape
    y, x = np.mgrid[0 : canvas.shape[0], 0 : canvas.shape[1]].astype(np.float32)
    dx, dy = x - centre_xy[0], centre_xy[1] - y
    reach, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    turn = (angle - middle + np.pi) % (2 * np.pi) - np.pi
    sign = np.sign(radius_px)
    u = (w - 1) / 2 - sign * turn * abs(radius_px)
    v = (h - 1) / 2 - sign * (reach - abs(radius_px))
    laid = cv2.remap(ink, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR)
    np.maximum(canvas, laid, out=canvas)
