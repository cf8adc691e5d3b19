"""A flat piece of garment as layers (albedo, height, metal, gloss), and a pen that draws on it in millimetres."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.arrays import Array, Arrays
from synthetic.lettering import letter_middles, line_of_text
from synthetic.textures import YARN_PX, Weave, cloud_tiles, shrunken

Points = NDArray[np.float64]  # (n, 2)
Affine = NDArray[np.float64]  # (2, 3)
Colour = tuple[float, ...]  # linear RGB 0..1, always three values
_SHIFT = 4  # OpenCV draws with 1/16 px


def linear(hex_or_rgb: str | Sequence[float]) -> Colour:
    """SRGB hex or 0..1 triple to linear RGB (IEC 61966-2-1)."""
    if isinstance(hex_or_rgb, str):
        digits = hex_or_rgb.lstrip("#")
        values = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    else:
        values = list(hex_or_rgb)
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in values)
    return r, g, b


@dataclass(frozen=True, slots=True)
class Patch:
    """A coverage mask (uint8) whose top-left pixel lies at (x, y) on the canvas."""

    mask: NDArray[np.uint8]
    x: int
    y: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Rows and columns on the canvas."""
        return slice(self.y, self.y + self.mask.shape[0]), slice(self.x, self.x + self.mask.shape[1])

    def grown(self, margin: int, width: int, height: int) -> Patch:
        """The same mask with an empty margin, as far as a canvas of width x height reaches."""
        left, top = min(margin, self.x), min(margin, self.y)
        right = min(margin, width - self.x - self.mask.shape[1])
        low = min(margin, height - self.y - self.mask.shape[0])
        return Patch(np.pad(self.mask, ((top, low), (left, right))), self.x - left, self.y - top)


class Canvas:
    """Layers of one flat scene at a fixed resolution.

    Attributes:
        albedo: linear RGB reflectance, (h, w, 3).
        height: relief in mm, (h, w).
        metal, gloss: 0..1, (h, w); present once something metal or glossy was painted.
        shine_box: canvas rows and columns that metal or gloss occupies.
    """

    def __init__(self, arrays: Arrays, to_px: Affine, width: int, height: int) -> None:
        """Start an empty canvas; `to_px` maps scene millimetres to canvas pixels."""
        self.arrays = arrays
        self.to_px = to_px
        self.width, self.height_px = width, height
        self.px_per_mm = float(np.sqrt(abs(np.linalg.det(to_px[:, :2]))))
        self.albedo: Array = arrays.zeros(height, width, 3)
        self.height: Array = arrays.zeros(height, width)
        self.metal: Array | None = None
        self.gloss: Array | None = None
        self.shine_box: tuple[int, int, int, int] | None = None

    def texture(
        self,
        tile: NDArray[np.float32],
        px_per_tile_px: float,
        offset: tuple[float, float],
        patch: Patch | None = None,
        angle: float = 0.0,
    ) -> Array:
        """Sample a tile over the canvas (or a patch), locked to the garment's own directions; not to be written to.

        Args:
            tile: square tileable picture, (512, 512), that lives as long as the process.
            px_per_tile_px: canvas pixels per tile pixel; below 1 the tile is averaged, not aliased.
            offset: shift in tiles.
            patch: restrict to this patch.
            angle: extra turn of the tile in radians.
        """
        k = px_per_tile_px
        if k < 1:  # average the tile once; from then on a tile pixel is a canvas pixel
            tile, k = shrunken(tile, max(4, round(tile.shape[0] * k))), 1.0
        size = tile.shape[0]
        h, w = patch.mask.shape if patch else (self.height_px, self.width)
        x0, y0 = (patch.x, patch.y) if patch else (0, 0)
        turn = float(np.arctan2(self.to_px[1, 0], self.to_px[0, 0])) + angle
        if abs(turn) < 0.02 and k == 1:
            oy, ox = int(offset[1] * size + y0) % size, int(offset[0] * size + x0) % size
            return self.arrays.repeated(tile, oy, ox, h, w)
        c, s = np.cos(turn) / k, np.sin(turn) / k
        back = np.array([[c, s], [-s, c]])
        shift = back @ np.array([x0, y0]) + np.array(offset) * size
        return self.arrays.tiled(tile, np.hstack([back, shift[:, None]]), h, w)

    def lay_cloth(
        self,
        weave: Weave,
        dark: Colour,
        pale: Colour,
        yarn_mm: float,
        relief_mm: float,
        rng: np.random.Generator,
        patch: Patch | None = None,
        mottle: float = 0.15,
    ) -> None:
        """Cover the canvas or a patch with woven cloth."""
        offset = (float(rng.random()), float(rng.random()))
        scale = yarn_mm * self.px_per_mm / YARN_PX
        light = self.texture(weave.light, scale, offset, patch)
        clouds = cloud_tiles()
        wide = max(1.0, self.width / self.px_per_mm / 350)  # a whole garment would show the tile repeating
        blotch = self.texture(clouds[3], self.px_per_mm * 0.25 * wide, (rng.random(), rng.random()), patch)
        streak = self.texture(clouds[4], self.px_per_mm * 0.12, (rng.random(), rng.random()), patch, np.pi / 2)
        light = light + (0.15 * mottle) * (blotch + streak)
        light = self.arrays.xp.clip(light, 0.0, 1.0, out=light)
        colour = self.arrays.dye(dark, pale, light, 1 + (0.5 * mottle) * blotch)
        if patch is None:
            self.albedo = colour
            if relief_mm:
                self.height += relief_mm * self.texture(weave.relief, scale, offset)
            return
        ys, xs = patch.slices
        self.arrays.blend(self.albedo[ys, xs], colour, self.arrays.cover(patch.mask, 1.0))
        if relief_mm:
            raised = self.texture(weave.relief, scale, offset, patch) - 0.5
            raised *= self.arrays.cover(patch.mask, relief_mm)
            under = self.height[ys, xs]
            under += raised

    def paint(
        self,
        patch: Patch | None,
        colour: Colour | None,
        *,
        alpha: float = 1.0,
        raise_mm: float = 0.0,
        bevel_px: float = 0.8,
        metal: float | None = None,
        gloss: float | None = None,
        grain: Array | None = None,
    ) -> None:
        """Put a colour and a step in height where the mask is.

        Args:
            patch: where; None paints nothing (it fell outside the canvas).
            colour: linear RGB, or None to change the relief only.
            alpha: opacity of the colour, 0..1.
            raise_mm: height added under the mask.
            bevel_px: softness of that step.
            metal: new share of mirrored light under the mask; None leaves it.
            gloss: new strength of the highlight under the mask; None leaves it.
            grain: multiplies the colour, (h, w) of the patch.
        """
        if patch is None:
            return
        ys, xs = patch.slices
        if colour is not None:
            target = self.arrays.colour(colour)
            if grain is not None:
                target = target * grain[..., None]
            self.arrays.blend(self.albedo[ys, xs], target, self.arrays.cover(patch.mask, alpha))
        if raise_mm and bevel_px <= 0.3:
            under = self.height[ys, xs]
            under += self.arrays.cover(patch.mask, raise_mm)
        elif raise_mm:
            wide = patch.grown(int(2.5 * bevel_px) + 1, self.width, self.height_px)
            wys, wxs = wide.slices
            under = self.height[wys, wxs]
            under += self.arrays.blur(self.arrays.cover(wide.mask, raise_mm), bevel_px)
        if metal is not None or gloss is not None:
            self._shine(patch, metal, gloss)

    def flatten(self, patch: Patch | None, keep: float = 0.0) -> None:
        """Take the relief out under the mask (a hard thing lies on the cloth)."""
        if patch is None:
            return
        ys, xs = patch.slices
        under = self.height[ys, xs]
        under *= self.arrays.factor(patch.mask, keep - 1)

    def darken(self, patch: Patch | None, strength: float) -> None:
        """Multiply the colour by 1 - strength under the mask; negative lightens."""
        if patch is None:
            return
        ys, xs = patch.slices
        self.arrays.scale(self.albedo[ys, xs], self.arrays.factor(patch.mask, -strength))

    def add_height(self, patch: Patch, field: Array) -> None:
        """Add a relief in mm over a patch's rectangle."""
        ys, xs = patch.slices
        under = self.height[ys, xs]
        under += field

    def _shine(self, patch: Patch, metal: float | None, gloss: float | None) -> None:
        if self.metal is None or self.gloss is None:
            self.metal = self.arrays.zeros(self.height_px, self.width)
            self.gloss = self.arrays.zeros(self.height_px, self.width)
        ys, xs = patch.slices
        rest = self.arrays.factor(patch.mask, -1.0)
        for layer, level in ((self.metal, metal), (self.gloss, gloss)):
            if level is not None:
                under = layer[ys, xs]
                under *= rest
                under += self.arrays.cover(patch.mask, level)
        box = (patch.y, patch.y + patch.mask.shape[0], patch.x, patch.x + patch.mask.shape[1])
        old = self.shine_box or box
        self.shine_box = (min(old[0], box[0]), max(old[1], box[1]), min(old[2], box[2]), max(old[3], box[3]))


def _softened(mask: NDArray[np.uint8], sigma_px: float) -> NDArray[np.uint8]:
    """Blur a mask; a wide blur runs on a shrunken copy."""
    if sigma_px <= 0.3:
        return mask
    h, w = mask.shape
    shrink = min(int(sigma_px / 2), h, w)
    if shrink < 2:
        return np.asarray(cv2.GaussianBlur(mask, (0, 0), sigma_px), np.uint8)
    small = cv2.resize(mask, (max(1, w // shrink), max(1, h // shrink)), interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), sigma_px / shrink)
    return np.asarray(cv2.resize(soft, (w, h), interpolation=cv2.INTER_LINEAR), np.uint8)


class Pen:
    """Makes masks on a canvas from shapes given in a part's own millimetres."""

    def __init__(self, canvas: Canvas, placed: Affine | None = None) -> None:
        """`placed` maps the part's millimetres to scene millimetres (identity if None)."""
        self.canvas = canvas
        own = np.vstack([placed if placed is not None else np.eye(2, 3), [0, 0, 1]])
        self.m: Affine = canvas.to_px @ own
        self.scale = float(np.sqrt(abs(np.linalg.det(self.m[:, :2]))))

    def px(self, points: Points | Sequence[tuple[float, float]]) -> Points:
        """Part millimetres to canvas pixels."""
        return np.asarray(points, np.float64) @ self.m[:, :2].T + self.m[:, 2]

    def _window(self, pts: Points, margin: float) -> tuple[int, int, int, int] | None:
        x0, y0 = np.floor(pts.min(0) - margin).astype(int)
        x1, y1 = np.ceil(pts.max(0) + margin).astype(int) + 1
        x0, y0 = max(0, x0), max(0, y0)
        x1, y1 = min(self.canvas.width, x1), min(self.canvas.height_px, y1)
        return (x0, y0, x1, y1) if x1 - x0 >= 1 and y1 - y0 >= 1 else None

    def polygon(self, points: Points | Sequence[tuple[float, float]], soften_px: float = 0.0) -> Patch | None:
        """A filled polygon."""
        pts = self.px(points)
        window = self._window(pts, 2 + 3 * soften_px)
        if window is None:
            return None
        x0, y0, x1, y1 = window
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        cv2.fillPoly(mask, [_fixed(pts - (x0, y0))], 255, cv2.LINE_AA, _SHIFT)
        return Patch(_softened(mask, soften_px), x0, y0)

    def disc(self, centre: tuple[float, float], radius: float, soften_px: float = 0.0) -> Patch | None:
        """A filled circle."""
        return self.polygon(circle(centre, radius), soften_px)

    def ring(self, centre: tuple[float, float], radius: float, width: float) -> Patch | None:
        """A circle's line."""
        return self.strokes([circle(centre, radius, closed=True)], width)

    def strokes(
        self, lines: Sequence[Points] | NDArray[np.float64], width: float, margin_px: float = 2.0
    ) -> Patch | None:
        """Polylines with round ends in one mask: an (n, k, 2) array or a list; those off the canvas are dropped."""
        if len(lines) == 0:
            return None
        width_px = width * self.scale
        drawn = self._on_canvas(lines, width_px)
        if not drawn:
            return None
        window = self._window(np.concatenate(drawn), width_px / 2 + margin_px)
        if window is None:
            return None
        x0, y0, x1, y1 = window
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        strength = 255 if width_px >= 1 else max(25, int(255 * width_px))
        together = _fixed(np.concatenate(drawn) - (x0, y0))
        ends = itertools.accumulate((len(p) for p in drawn), initial=0)
        fixed = [together[a:b] for a, b in itertools.pairwise(ends)]
        cv2.polylines(mask, fixed, False, strength, max(1, round(width_px)), cv2.LINE_AA, _SHIFT)
        return Patch(mask, x0, y0)

    def _on_canvas(self, lines: Sequence[Points] | NDArray[np.float64], width_px: float) -> list[Points]:
        """The lines in px, without those that lie wholly outside."""
        if isinstance(lines, np.ndarray):
            together = lines @ self.m[:, :2].T + self.m[:, 2]
            low, high = together.min(1), together.max(1)
            px = list(together)
        else:
            px = [self.px(line) for line in lines]
            low, high = np.array([p.min(0) for p in px]), np.array([p.max(0) for p in px])
        m = 2 + width_px
        keep = (high > -m).all(1) & (low < np.array([self.canvas.width, self.canvas.height_px]) + m).all(1)
        return [px[i] for i in np.flatnonzero(keep)]

    def visible_span(self, a: Points, b: Points, margin_mm: float = 6.0) -> tuple[float, float] | None:
        """Which part (0..1) of the straight line a-b can touch the canvas; None if none of it."""
        pa, pb = self.px([(a[0], a[1]), (b[0], b[1])])
        lo, hi = 0.0, 1.0
        m = margin_mm * self.scale
        for start, delta, end in zip(pa, pb - pa, (self.canvas.width, self.canvas.height_px), strict=True):
            if abs(delta) < 1e-9:
                if not -m <= start <= end + m:
                    return None
                continue
            t0, t1 = sorted(((-m - start) / delta, (end + m - start) / delta))
            lo, hi = max(lo, t0), min(hi, t1)
        return (float(lo), float(hi)) if lo < hi else None

    def text(
        self,
        text: str,
        font: Path,
        cap_mm: float,
        centre: tuple[float, float],
        angle: float = 0.0,
        stretch: float = 1.0,
        tracking: float = 0.0,
        stroke: int = 0,
        fit_mm: float | None = None,
    ) -> Patch | None:
        """A straight line of text, centred; `fit_mm` narrows it to at most that length."""
        glyphs = line_of_text(text, font, tracking, stroke)
        width = glyphs.width * cap_mm * stretch
        squeeze = min(1.0, fit_mm / width) if fit_mm else 1.0
        return self._place(glyphs.mask, width * squeeze, glyphs.height * cap_mm, centre, angle)

    def arc_text(
        self,
        text: str,
        font: Path,
        cap_mm: float,
        centre: tuple[float, float],
        radius: float,
        middle: float,
        spread: float,
        *,
        outward: bool = True,
        stroke: int = 0,
    ) -> Patch | None:
        """Letters along a circle.

        Args:
            text: what to write.
            font: font file.
            cap_mm: capital height.
            centre: the circle's centre.
            radius: of the letters' middle line.
            middle: angle (radians, y down, 0 = right) of the text's middle.
            spread: angle from first to last letter.
            outward: letters' tops point away from the centre.
            stroke: widening of strokes, see `line_of_text`.
        """
        sign = 1 if outward else -1
        cap_mm = min(cap_mm, arc_cap_limit(text, font, stroke, radius, abs(spread)))
        around = self._window(self.px(circle(centre, radius + cap_mm)), 2)
        if around is None:
            return None
        x0, y0, x1, y1 = around
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        for char, at in zip(text, arc_middles(text, font, stroke), strict=True):
            if not char.strip():
                continue
            theta = middle + sign * at * spread
            spot = (centre[0] + radius * np.cos(theta), centre[1] + radius * np.sin(theta))
            glyphs = line_of_text(char, font, 0.0, stroke)
            patch = self._place(
                glyphs.mask, glyphs.width * cap_mm, glyphs.height * cap_mm, spot, theta + sign * np.pi / 2
            )
            if patch is not None:
                ys, xs = (
                    slice(patch.y - y0, patch.y - y0 + patch.mask.shape[0]),
                    slice(patch.x - x0, patch.x - x0 + patch.mask.shape[1]),
                )
                view = mask[max(0, ys.start) : ys.stop, max(0, xs.start) : xs.stop]
                cut = patch.mask[max(0, -ys.start) :, max(0, -xs.start) :][: view.shape[0], : view.shape[1]]
                np.maximum(view, cut, out=view)
        return Patch(mask, x0, y0)

    def _place(
        self, mask: NDArray[np.uint8], width: float, height: float, centre: tuple[float, float], angle: float
    ) -> Patch | None:
        """Scale, turn and move a mask so that it covers width x height mm round the centre."""
        c, s = np.cos(angle), np.sin(angle)
        h, w = mask.shape
        local = np.array([[c, -s], [s, c]]) @ np.diag([width / w, height / h])
        move = np.array(centre) - local @ np.array([w / 2, h / 2])
        m = self.m @ np.vstack([np.hstack([local, move[:, None]]), [0, 0, 1]])
        corners = np.array([[0, 0], [w, 0], [w, h], [0, h]]) @ m[:, :2].T + m[:, 2]
        window = self._window(corners, 1)
        if window is None:
            return None
        x0, y0, x1, y1 = window
        shrink = float(np.sqrt(abs(np.linalg.det(m[:, :2]))))
        if shrink < 0.7:  # average first, so that small print does not alias
            size = (max(1, round(w * shrink)), max(1, round(h * shrink)))
            mask = np.asarray(cv2.resize(mask, size, interpolation=cv2.INTER_AREA), np.uint8)
            m = m @ np.vstack([np.hstack([np.diag([w / size[0], h / size[1]]), [[0], [0]]]), [0, 0, 1]])
        m = m.copy()
        m[:, 2] -= (x0, y0)
        moved = cv2.warpAffine(mask, m, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR)
        return Patch(np.asarray(moved, np.uint8), x0, y0)


def _fixed(points: Points) -> NDArray[np.int32]:
    return np.round((points - 0.5) * (1 << _SHIFT)).astype(np.int32)


@dataclass(frozen=True, slots=True)
class Print:
    """A line of print: drawn by `on`, its letters' middles told by `letters`; straight, or along `arc` if set."""

    text: str
    font: Path
    cap_mm: float
    centre: tuple[float, float]
    angle: float = 0.0
    tracking: float = 0.0
    stroke: int = 0
    fit_mm: float | None = None
    arc: tuple[float, float, float] | None = None  # radius, middle angle, spread

    def on(self, pen: Pen) -> Patch | None:
        """Draw with a pen."""
        if self.arc is not None:
            radius, middle, spread = self.arc
            return pen.arc_text(
                self.text, self.font, self.cap_mm, self.centre, radius, middle, spread, stroke=self.stroke
            )
        return pen.text(
            self.text,
            self.font,
            self.cap_mm,
            self.centre,
            self.angle,
            tracking=self.tracking,
            stroke=self.stroke,
            fit_mm=self.fit_mm,
        )

    def letters(self) -> Points:
        """Middle of each character, part mm, (n, 2)."""
        if self.arc is not None:
            radius, middle, spread = self.arc
            at = arc_middles(self.text, self.font, self.stroke) * spread + middle
            return np.stack([self.centre[0] + radius * np.cos(at), self.centre[1] + radius * np.sin(at)], 1)
        width = line_of_text(self.text, self.font, self.tracking, self.stroke).width * self.cap_mm
        width = min(width, self.fit_mm) if self.fit_mm else width
        along = np.array(letter_middles(self.text, self.font, self.tracking)) * width
        direction = np.array([np.cos(self.angle), np.sin(self.angle)])
        return np.asarray(np.array(self.centre) + along[:, None] * direction, np.float64)


def arc_middles(text: str, font: Path, stroke: int) -> NDArray[np.float64]:
    """Where letters stand along an arc, as shares -0.5..0.5 of its spread."""
    advances = np.array([line_of_text(c, font, 0.0, stroke).width if c.strip() else 0.5 for c in text]) + 0.18
    return np.asarray((np.cumsum(advances) - advances / 2) / advances.sum() - 0.5, np.float64)


def arc_cap_limit(text: str, font: Path, stroke: int, radius: float, spread: float) -> float:
    """The greatest capital height at which letters along an arc do not run into each other at their inner ends."""
    widths = [line_of_text(c, font, 0.0, stroke).width if c.strip() else 0.5 for c in text]
    return radius * spread / (sum(widths) + 0.08 * len(text) + 0.5 * spread)


def circle(centre: tuple[float, float], radius: float, closed: bool = False, n: int = 72) -> Points:
    """Points on a circle; `closed` repeats the first."""
    t = np.linspace(0, 2 * np.pi, n + 1 if closed else n, endpoint=closed)
    return np.stack([centre[0] + radius * np.cos(t), centre[1] + radius * np.sin(t)], 1)


def rectangle(x: float, y: float, w: float, h: float) -> Points:
    """Corner points."""
    return np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)
