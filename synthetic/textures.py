"""Tileable surfaces and noise, made once per process from a fixed seed and sampled at random offsets."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float32]
TILE_PX = 512
YARN_PX = 16  # yarn period in the weave tiles


@dataclass(frozen=True, slots=True)
class Weave:
    """A tileable cloth: `light` 0..1 says how much of the pale yarn shows, `relief` 0..1 its height."""

    light: Float
    relief: Float


def _noise(rng: np.random.Generator, sigma_px: tuple[float, float]) -> Float:
    """Tileable smooth noise of unit deviation; sigma per axis (y, x)."""
    white = rng.standard_normal((TILE_PX, TILE_PX))
    fy, fx = np.meshgrid(np.fft.fftfreq(TILE_PX), np.fft.rfftfreq(TILE_PX), indexing="ij")
    keep = np.exp(-2 * np.pi**2 * ((fy * sigma_px[0]) ** 2 + (fx * sigma_px[1]) ** 2))
    smooth = np.fft.irfft2(np.fft.rfft2(white) * keep, white.shape)
    return np.asarray(smooth / smooth.std(), np.float32)


def _twill(rng: np.random.Generator, *, over: int, direction: int, slub: float, ragged: float) -> Weave:
    """A twill: each warp yarn passes over `over` wefts, under one, stepping sideways row by row."""
    cells = TILE_PX // YARN_PX
    period = over + 1
    y, x = np.mgrid[0:TILE_PX, 0:TILE_PX].astype(np.float32)
    x = x + ragged * 2.0 * _noise(rng, (30, 3)) + slub * _noise(rng, (60, 1))
    y = y + ragged * 1.5 * _noise(rng, (3, 30))
    col, row = np.floor(x / YARN_PX), np.floor(y / YARN_PX)
    # cells is a multiple of 4 and 2; for 3/1 and 2/1 twills the step still tiles because col, row wrap at `cells`
    weft = ((col % cells) + direction * (row % cells)) % period == 0
    u, v = x / YARN_PX - col - 0.5, y / YARN_PX - row - 0.5
    warp_relief = np.sqrt(np.clip(1 - (1.9 * u) ** 2, 0, 1)) * (0.75 + 0.25 * np.cos(np.pi * v))
    weft_relief = np.sqrt(np.clip(1 - (1.9 * v) ** 2, 0, 1)) * 0.7
    relief = np.where(weft, weft_relief, warp_relief).astype(np.float32)
    fibre = 0.06 * _noise(rng, (1.2, 0.8)) + 0.05 * _noise(rng, (40, 2))
    light = np.where(weft, 0.75, 0.16 + 0.06 * _noise(rng, (50, 5))) + fibre
    relief = cv2.GaussianBlur(relief + 0.08 * _noise(rng, (1.5, 1.5)), (0, 0), 1.1)
    return Weave(np.clip(cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.2), 0, 1), np.clip(relief, 0, 1))


def _plain(rng: np.random.Generator) -> Weave:
    """A plain weave, for tapes, tags and ribbons."""
    y, x = np.mgrid[0:TILE_PX, 0:TILE_PX].astype(np.float32)
    a, b = np.cos(np.pi * x / YARN_PX) ** 2, np.cos(np.pi * y / YARN_PX) ** 2
    checker = (np.floor(x / YARN_PX) + np.floor(y / YARN_PX)) % 2
    relief = np.where(checker == 0, a, b).astype(np.float32)
    return Weave(np.clip(0.5 + 0.2 * (relief - 0.5) + 0.06 * _noise(rng, (2, 2)), 0, 1).astype(np.float32), relief)


def _leather(rng: np.random.Generator) -> Weave:
    """A grain of pores and creases, for leather-like labels."""
    grain = _noise(rng, (4, 4)) * 0.5 + _noise(rng, (9, 9)) * 0.6 + _noise(rng, (2, 2)) * 0.25
    relief = 1 / (1 + np.exp(-2 * grain))
    return Weave((0.5 + 0.12 * grain).clip(0, 1).astype(np.float32), relief.astype(np.float32))


def _paper(rng: np.random.Generator) -> Weave:
    """Nearly smooth, with faint fibres."""
    grain = 0.5 * _noise(rng, (2, 6)) + 0.5 * _noise(rng, (6, 2)) + 0.4 * _noise(rng, (25, 25))
    return Weave((0.5 + 0.05 * grain).clip(0, 1).astype(np.float32), (0.5 + 0.1 * grain).clip(0, 1).astype(np.float32))


def _smooth(rng: np.random.Generator) -> Weave:
    """No weave at all: a drawing without texture."""
    flat = np.full((TILE_PX, TILE_PX), 0.3, np.float32)
    return Weave(flat + 0.01 * _noise(rng, (20, 20)), np.full_like(flat, 0.5))


def _speckle(rng: np.random.Generator) -> Weave:
    """Unordered grain, as when somebody draws cloth as noise."""
    grain = _noise(rng, (1.5, 1.5)) + 0.6 * _noise(rng, (5, 5))
    return Weave((0.3 + 0.12 * grain).clip(0, 1).astype(np.float32), (0.5 + 0.2 * grain).clip(0, 1).astype(np.float32))


def _diagonal(rng: np.random.Generator) -> Weave:
    """Plain diagonal bands, as when somebody draws twill as a sine."""
    y, x = np.mgrid[0:TILE_PX, 0:TILE_PX].astype(np.float32)
    wave = 0.5 + 0.5 * np.sin(2 * np.pi * (x + y) / (2 * YARN_PX))
    light = 0.18 + 0.3 * wave + 0.05 * _noise(rng, (1.5, 1.5))
    return Weave(light.clip(0, 1).astype(np.float32), wave.astype(np.float32))


_shrunken: dict[tuple[int, int], tuple[Float, Float]] = {}  # each with its tile, so that the tile's id stays its own
_SHRUNKEN_KEPT = 256


def shrunken(tile: Float, size: int) -> Float:
    """A tile averaged to size x size; the last ones are kept, as one picture asks for the same again."""
    key = (id(tile), size)
    if key not in _shrunken:
        level = tile.shape[0]
        while level >= 4 * size:  # by halves, which are kept too: comes to about the same, and is quicker
            level //= 2
        source = shrunken(tile, level) if level < tile.shape[0] else tile
        if len(_shrunken) >= _SHRUNKEN_KEPT:
            _shrunken.pop(next(iter(_shrunken)))
        _shrunken[key] = tile, np.asarray(cv2.resize(source, (size, size), interpolation=cv2.INTER_AREA), np.float32)
    return _shrunken[key][1]


@lru_cache(maxsize=1)
def denim_weaves() -> tuple[Weave, ...]:
    """Twills and other ways in which denim gets drawn."""
    rng = np.random.default_rng(1873_001)
    twills = [
        _twill(rng, over=o, direction=d, slub=s, ragged=r)
        for o, d, s, r in ((3, 1, 0.4, 0.6), (3, -1, 1.5, 1.0), (3, 1, 3.0, 1.3), (1, 1, 0.5, 0.8), (3, -1, 0.2, 0.3))
    ]
    return (*twills, _diagonal(rng), _speckle(rng), _smooth(rng))


@lru_cache(maxsize=1)
def cloth_weaves() -> dict[str, Weave]:
    """Surfaces of labels, tags, ribbons and tapes by name."""
    rng = np.random.default_rng(1873_002)
    return {"plain": _plain(rng), "leather": _leather(rng), "paper": _paper(rng), "smooth": _smooth(rng)}


@lru_cache(maxsize=1)
def cloud_tiles() -> tuple[Float, ...]:
    """Tileable smooth noises of unit deviation, from fine to coarse."""
    rng = np.random.default_rng(1873_003)
    return tuple(_noise(rng, (s, s * a)) for s, a in ((4, 1.0), (10, 1.0), (24, 1.0), (60, 1.0), (6, 8.0)))


@lru_cache(maxsize=1)
def sensor_noise() -> Float:
    """White noise of unit deviation that repeats every 512 px, (512, 2560, 3): wide enough for any photo's rows."""
    tile = np.random.default_rng(1873_004).standard_normal((TILE_PX, TILE_PX, 3)).astype(np.float32)
    return np.tile(tile, (1, 5, 1))


@lru_cache(maxsize=1)
def backdrops() -> tuple[Float, ...]:
    """Grey tiles (512, 512) in 0..1 for what lies behind the garment: boards, tiles, carpet, sheet, plaster."""
    rng = np.random.default_rng(1873_005)
    y, x = np.mgrid[0:TILE_PX, 0:TILE_PX].astype(np.float32)
    board = np.floor(x / 128)
    grain = 0.5 * _noise(rng, (80, 2)) + 0.4 * _noise(rng, (120, 6))
    planks = 0.5 + 0.1 * grain + 0.08 * np.sin(board * 2.3) - 0.35 * ((x % 128) < 3)
    grout = 0.62 + 0.03 * _noise(rng, (30, 30)) - 0.25 * (((x % 256) < 6) | ((y % 256) < 6))
    carpet = 0.45 + 0.12 * _noise(rng, (1.2, 1.2)) + 0.05 * _noise(rng, (20, 20))
    sheet = 0.75 + 0.06 * _noise(rng, (40, 40))
    plaster = 0.6 + 0.03 * _noise(rng, (3, 3)) + 0.03 * _noise(rng, (60, 60))
    checks = 0.5 + 0.18 * (((x // 64) + (y // 64)) % 2) + 0.03 * _noise(rng, (2, 2))
    stripes = 0.55 + 0.2 * ((x // 32) % 2) + 0.03 * _noise(rng, (2, 2))
    flat = np.full_like(x, 0.6) + 0.01 * _noise(rng, (60, 60))
    return tuple(
        np.clip(t, 0, 1).astype(np.float32) for t in (planks, grout, carpet, sheet, plaster, checks, stripes, flat)
    )
