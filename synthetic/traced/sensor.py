"""From light to a JPEG as a phone makes it: exposure, mosaic, noise, demosaicing, white balance, tone, sharpening."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.traced.pairs import Colour, Rng
from synthetic.traced.shapes import Array

Pixels = NDArray[np.uint8]
_FULL_WELL = 6000.0  # electrons at white, small phone pixels at base gain, common practice


@dataclass(frozen=True, slots=True)
class Sensor:
    """One exposure's accidents."""

    stops: float  # over (+) or under (-) the meter's wish
    gain: float  # 1 at base; higher in the dark, with fewer electrons
    balance: Colour  # error of the white balance, per channel
    adapted: float  # how far the camera corrects the light's colour, 0..1
    vignette: float
    fringe: float  # sideways colour error at the corners, px
    shake_px: float
    shake_turn: float
    contrast: float
    saturation: float
    smooth: float  # noise reduction
    sharpen: float
    seed: int


def draw_sensor(rng: Rng, shake_px: float) -> Sensor:
    """A phone and its guesses at random; `shake_px` is the spread the camera's plan already counts with."""
    error = 2.0 ** rng.normal(0, 0.07, 3)
    return Sensor(
        float(rng.normal(0.0, 0.33)), float(np.exp(rng.uniform(np.log(1.0), np.log(9.0)))),
        (float(error[0]), float(error[1]), float(error[2])), float(rng.uniform(0.7, 1.0)),
        float(rng.uniform(0, 0.35)), float(rng.uniform(0, 0.9)), shake_px, float(rng.uniform(0, np.pi)),
        float(rng.uniform(0.75, 1.25)), float(rng.uniform(0.9, 1.3)), float(rng.uniform(0, 1)),
        float(rng.uniform(0.2, 1.1)), int(rng.integers(2**31)),
    )  # fmt: skip


def develop(light: Array, sensor: Sensor, white: Colour) -> Pixels:
    """A photo (h, w, 3), sRGB uint8, of linear light; `white` is the colour of the light that fell on the scene."""
    rng = np.random.default_rng(sensor.seed)
    shown: Array = _optics(np.clip(np.nan_to_num(light), 0, 1e4), sensor)
    tint = np.array(white, np.float32) / max(white[1], 1e-6)
    shown = shown * (_metered(shown / tint) * 2.0**sensor.stops)
    raw = _noisy(_mosaic(shown), sensor, rng)
    colour = cv2.cvtColor((np.clip(raw, 0, 1) * 65535).astype(np.uint16), cv2.COLOR_BayerRGGB2RGB)
    linear: Array = colour.astype(np.float32) / 65535
    linear = np.clip(linear / tint**sensor.adapted * np.array(sensor.balance, np.float32), 0, 1)
    linear = _quieter(linear, sensor)
    grey = linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    linear = np.clip(grey[..., None] + sensor.saturation * (linear - grey[..., None]), 0, 1)
    coded = _tone(linear, sensor.contrast)
    soft = cv2.GaussianBlur(coded, (0, 0), 1.1)
    return np.asarray(np.clip((coded + sensor.sharpen * (coded - soft)) * 255 + 0.5, 0, 255), np.uint8)


def _metered(balanced: Array) -> float:
    """Factor that brings the picture's middle where the meter wants it; dark subjects stay partly dark."""
    grey = balanced.mean(-1)
    mean = float(np.mean(np.minimum(grey, np.quantile(grey, 0.97))))
    return float(0.2 * (max(mean, 1e-5) / 0.2) ** 0.30 / max(mean, 1e-5))


def _optics(light: Array, sensor: Sensor) -> Array:
    h, w = light.shape[:2]
    out = light.astype(np.float32)
    if sensor.shake_px > 0.9:  # a shaken hand draws a short line
        reach = int(np.ceil(3 * sensor.shake_px)) | 1
        at = np.linspace(-1, 1, 33)[:, None] * (np.cos(sensor.shake_turn), np.sin(sensor.shake_turn))
        kernel = np.zeros((reach, reach), np.float32)
        for x, y in at * sensor.shake_px * 1.3 + reach // 2:
            kernel[int(np.clip(round(y), 0, reach - 1)), int(np.clip(round(x), 0, reach - 1))] += 1
        out = np.asarray(cv2.filter2D(out, -1, kernel / kernel.sum()), np.float32)
    out = np.asarray(cv2.GaussianBlur(out, (0, 0), max(0.3, min(0.9, sensor.shake_px))), np.float32)
    for channel, sign in ((0, 1.0), (2, -1.0)):
        grow = 1 + sign * sensor.fringe / np.hypot(w, h)
        move = np.array([[grow, 0, (1 - grow) * w / 2], [0, grow, (1 - grow) * h / 2]])
        out[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(out[..., channel]), move, (w, h), borderMode=cv2.BORDER_REPLICATE
        )
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j].astype(np.float32)
    glare = cv2.GaussianBlur(np.minimum(out, 8), (0, 0), max(w, h) / 40)
    return np.asarray((0.985 * out + 0.015 * glare) * (1 - sensor.vignette * (x**2 + y**2) / 2)[..., None], np.float32)


def _mosaic(shown: Array) -> Array:
    """One colour a pixel: red top left, blue bottom right of every four."""
    raw = shown[..., 1].copy()
    raw[0::2, 0::2] = shown[0::2, 0::2, 0]
    raw[1::2, 1::2] = shown[1::2, 1::2, 2]
    return raw


def _noisy(raw: Array, sensor: Sensor, rng: Rng) -> Array:
    electrons = np.clip(raw, 0, 1.0) * _FULL_WELL / sensor.gain
    read = rng.normal(0, 3.0, raw.shape)
    return np.asarray((rng.poisson(electrons) + read) * sensor.gain / _FULL_WELL, np.float32)


def _quieter(linear: Array, sensor: Sensor) -> Array:
    """Noise reduction as phones do it: colour noise smeared widely, brightness a little."""
    strength = sensor.smooth * min(1.0, 0.25 + sensor.gain / 8)
    coded = np.sqrt(linear)
    luma = coded.mean(-1, keepdims=True)
    chroma = cv2.GaussianBlur(coded - luma, (0, 0), 0.6 + 2.0 * strength)
    kept = cv2.bilateralFilter(luma[..., 0], 5, 0.02 + 0.10 * strength, 1.5)[..., None]
    return np.asarray(np.clip((1 - 0.7 * strength) * luma + 0.7 * strength * kept + chroma, 0, 1) ** 2, np.float32)


def _tone(linear: Array, contrast: float) -> Array:
    """The sRGB curve (IEC 61966-2-1) with a mild S on top."""
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-8) ** (1 / 2.4) - 0.055)
    bent = coded + 0.55 * (contrast - 0.6) * np.sin(2 * np.pi * (coded - 0.5)) / np.pi
    return np.asarray(np.clip(bent, 0, 1), np.float32)


def jpeg(pixels: Pixels, quality: int) -> bytes:
    """The photo as a JPEG file."""
    _, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return data.tobytes()
