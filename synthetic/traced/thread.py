"""Sewing: rows of stitches as twisted tubes that come out of the cloth and go back in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic.traced.cloth import Sheet
from synthetic.traced.pairs import Colour, Rng
from synthetic.traced.shapes import Array, Look, Surface, join, tube

THREAD_MM = 0.34  # radius of topstitching thread, common practice


@dataclass(frozen=True, slots=True)
class Row:
    """One row of stitches: ends of each stitch, (n, 2, 2) mm, and where its needle went in."""

    ends: Array

    @property
    def holes(self) -> Array:
        """Needle holes (n, 2)."""
        return self.ends.reshape(-1, 2)


def resampled(path: Array, step: float) -> Array:
    """A line of points (n, 2) walked in even steps."""
    lengths = np.hypot(*np.diff(path, axis=0).T)
    run = np.concatenate([[0], np.cumsum(lengths)])
    at = np.arange(0, run[-1], step)
    return np.stack([np.interp(at, run, path[:, 0]), np.interp(at, run, path[:, 1])], -1).astype(np.float32)


def even_row(rng: Rng, path: Array, per_inch: float) -> Row:
    """A row as a sound machine sews it."""
    pitch = 25.4 / per_inch * rng.uniform(0.97, 1.03)
    points = resampled(path, pitch) + rng.normal(0, 0.05, (len(resampled(path, pitch)), 2)).astype(np.float32)
    return _row(points, rng.uniform(0.76, 0.86))


def uneven_row(rng: Rng, path: Array, per_inch: float) -> Row:
    """A row as an unsteady hand sews it: long and short stitches, gaps, a wandering line."""
    fine = resampled(path, 0.1)
    pitch, at = 25.4 / per_inch, 0.0
    picked = [0]
    while at < 0.1 * (len(fine) - 2):
        at += pitch * float(np.clip(rng.lognormal(0, 0.42), 0.45, 2.4))
        picked.append(min(len(fine) - 1, int(at / 0.1)))
    points = fine[picked] + np.cumsum(rng.normal(0, 0.35, (len(picked), 2)), axis=0).clip(-1.1, 1.1).astype(np.float32)
    row = _row(points, rng.uniform(0.7, 0.86))
    missed = rng.random(len(row.ends)) < 0.12
    return Row(row.ends[~missed] if (~missed).any() else row.ends)


def _row(points: Array, cover: float) -> Row:
    """Stitches between neighbouring holes, each covering a share of the way."""
    start, end = points[:-1], points[1:]
    rest = (1 - cover) / 2
    return Row(np.stack([start + rest * (end - start), end - rest * (end - start)], 1))


def sew(
    sheet: Sheet, row: Row, colour: Colour, rng: Rng, lift: float = 0.0, radius: float = THREAD_MM, detail: int = 11
) -> list[Surface]:
    """Sew a row into a sheet: pricks the cloth and gives the thread, if any of it lies in the sheet's region.

    Args:
        sheet: changed in place.
        row: the stitches.
        colour: the thread's.
        rng: chance.
        lift: height (mm) that the stitches lie above the sheet (on a tab or a label).
        radius: of the thread, mm.
        detail: points along a stitch.
    """
    region = sheet.region
    near = (np.abs(row.ends.mean(1) - (region.x, region.y)) < (region.half_x, region.half_y)).all(axis=1)
    ends = row.ends[near]
    if not len(ends):
        return []
    base = sheet.height_at(ends.mean(1), 0.5) + lift
    sheet.prick(ends.reshape(-1, 2), 0.38, 0.35, 0.55)
    return [threads(ends, base, colour, rng, radius, detail)]


def threads(ends: Array, base: Array, colour: Colour, rng: Rng, radius: float, detail: int = 11) -> Surface:
    """The thread of many stitches; `base` is the height (n,) they lie on."""
    t = np.linspace(0, 1, detail)[:, None]
    tones = np.repeat(np.array(colour, np.float32)[None] * rng.uniform(0.82, 1.15, (len(ends), 1)), 1, 0)
    pieces = []
    for (start, end), floor in zip(ends, base, strict=True):
        flat = start + t * (end - start) + rng.normal(0, 0.03, 2)
        arch = np.clip(np.sin(np.pi * t[:, 0]) * 2.2, 0, 1) ** 0.7
        z = floor + radius * (0.75 * arch - 1.3 * (1 - arch)) + rng.normal(0, 0.02)
        pieces.append(tube(np.column_stack([flat, z]), radius * rng.uniform(0.92, 1.08), Look("thread", colour), 8, 3))
    whole = join(pieces, "thread")
    per = len(pieces[0].points)
    uv = np.column_stack([np.repeat((np.arange(len(ends)) + 0.5) / len(ends), per), np.full(per * len(ends), 0.5)])
    look = Look("thread", np.repeat(np.repeat(tones[None], 2, 0), 2, 1), 0.5)
    return Surface(whole.points, whole.faces, uv.astype(np.float32), look, "thread")


def cut_end(at: Array, turn: float, floor: float, colour: Colour, rng: Rng, length: float = 4.0) -> Surface:
    """A loose end of thread lying on the cloth."""
    t = np.linspace(0, 1, 24)
    bend = turn + np.cumsum(rng.normal(0, 0.12, 24))
    steps = np.column_stack([np.cos(bend), np.sin(bend)]) * length / 24
    flat = at + np.cumsum(steps, 0)
    z = floor + THREAD_MM * (0.3 + 1.2 * np.sin(np.pi * np.minimum(1, t * 1.3)))
    return tube(np.column_stack([flat, z]), THREAD_MM * 0.8, Look("thread", colour, 0.5), 8, 3, name="thread")
