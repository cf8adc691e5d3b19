"""From a flat canvas to a photo: lamp and shading, perspective, and what a phone's camera adds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.arrays import Array, Arrays
from synthetic.canvas import Canvas, Points
from synthetic.textures import sensor_noise

Matrix = NDArray[np.float64]
Window = tuple[float, float, float, float]  # x, y, w, h in px of the whole photo
Glint = tuple[float, float, float, float]  # where normals look to mirror it: nx, ny; width, strength (dark below 0)


@dataclass(frozen=True, slots=True)
class Lamp:
    """Light on the flat scene: `direction` is a unit vector in scene axes (x right, y down, z to the camera)."""

    direction: tuple[float, float, float]
    ambient: float
    gains: tuple[float, float, float]
    exposure: float
    hot_spot: tuple[float, float]  # brightest place, in photo widths and heights
    falloff: float
    glints: tuple[Glint, ...]  # what metal mirrors


@dataclass(frozen=True, slots=True)
class Overlay:
    """Something between lamp, lens and garment, in px of the whole photo."""

    kind: str  # finger, shadow, glare
    outline: Points
    soft_px: float
    strength: float
    colour: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Sensor:
    """Lens and processing, in px of the whole photo."""

    blur_px: float
    motion_px: float
    motion_angle: float
    noise: float
    chroma_noise: float
    contrast: float
    saturation: float
    sharpen: float
    vignette: float
    noise_offset: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Camera:
    """`to_photo` maps scene mm (homogeneous) to photo px; `bend` bends the cloth a little (px)."""

    size_wh: tuple[int, int]
    to_photo: Matrix
    turn: float  # the camera's turn against the garment, radians
    bend: NDArray[np.float32]  # (5, 5, 2) px offsets on a coarse grid

    def project(self, points: Points) -> Points:
        """Scene mm to photo px, bend included."""
        h = np.hstack([points, np.ones((len(points), 1))]) @ self.to_photo.T
        flat = np.asarray(h[:, :2] / h[:, 2:], np.float64)
        if not self.bend.any():
            return flat
        out = flat.copy()
        for _ in range(3):  # the renderer maps photo -> scene by flat = out + bend(out); solve for out
            out = flat - self._bend_at(out)
        return out

    def _bend_at(self, px: Points) -> Points:
        n = self.bend.shape[0]
        w, h = self.size_wh
        gx, gy = np.clip(px[:, 0] / w * (n - 1), 0, n - 1.001), np.clip(px[:, 1] / h * (n - 1), 0, n - 1.001)
        ix, iy = gx.astype(int), gy.astype(int)
        fx, fy = (gx - ix)[:, None], (gy - iy)[:, None]
        b = self.bend.astype(np.float64)
        top = b[iy, ix] * (1 - fx) + b[iy, ix + 1] * fx
        low = b[iy + 1, ix] * (1 - fx) + b[iy + 1, ix + 1] * fx
        return np.asarray(top * (1 - fy) + low * fy, np.float64)


def look_at(
    size_wh: tuple[int, int],
    target_mm: tuple[float, float],
    px_per_mm: float,
    turn: float,
    tilt: tuple[float, float],
    lens: float,
) -> Matrix:
    """Pinhole homography of the plane z = 0.

    Args:
        size_wh: photo size.
        target_mm: scene point in the photo's centre.
        px_per_mm: scale there.
        turn: rotation in the picture, radians.
        tilt: rotations about the x and y axes, radians.
        lens: focal length in long sides of the photo.
    """
    w, h = size_wh
    f = lens * max(w, h)
    cx, sx, cy, sy, ct, st = *_cs(tilt[0]), *_cs(tilt[1]), *_cs(turn)
    rx = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    ry = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    rz = np.array([[ct, -st, 0], [st, ct, 0], [0, 0, 1]])
    r = rx @ ry @ rz
    k = np.array([[f, 0, w / 2], [0, f, h / 2], [0, 0, 1]])
    plane = np.column_stack([r[:, 0], r[:, 1], [0, 0, f / px_per_mm]])
    move = np.array([[1, 0, -target_mm[0]], [0, 1, -target_mm[1]], [0, 0, 1]])
    return np.asarray(k @ plane @ move, np.float64)


def _cs(a: float) -> tuple[float, float]:
    return float(np.cos(a)), float(np.sin(a))


def window_matrix(camera: Camera, window: Window, out_wh: tuple[int, int]) -> Matrix:
    """Scene mm to pixels of the cut-out window."""
    x, y, w, h = window
    scale, move = np.diag([out_wh[0] / w, out_wh[1] / h, 1]), np.array([[1, 0, -x], [0, 1, -y], [0, 0, 1]])
    return np.asarray(scale @ move @ camera.to_photo, np.float64)


def plan_canvas(camera: Camera, window: Window, out_wh: tuple[int, int]) -> tuple[NDArray[np.float64], int, int]:
    """Axes, scale and size of a canvas that covers what the window sees.

    Returns:
        The affine from scene mm to canvas px, width and height.
    """
    to_out = window_matrix(camera, window, out_wh)
    w, h = out_wh
    bent = float(np.abs(camera.bend).max()) / min(window[2], window[3])  # the bend looks past the window's edge
    reach = 0.04 + bent
    edge = np.array([(x * w, y * h) for x in (-reach, 0.5, 1 + reach) for y in (-reach, 0.5, 1 + reach)])
    back = np.linalg.inv(to_out)
    mm = np.hstack([edge, np.ones((9, 1))]) @ back.T
    mm = mm[:, :2] / mm[:, 2:]
    turn = camera.turn if abs(camera.turn) > 0.25 else 0.0
    c, s = _cs(turn)
    axes = np.array([[c, -s], [s, c]])
    local = mm @ axes.T
    step = np.array([[mm[4, 0], mm[4, 1], 1], [mm[4, 0] + 0.5, mm[4, 1], 1], [mm[4, 0], mm[4, 1] + 0.5, 1]]) @ to_out.T
    step = step[:, :2] / step[:, 2:]
    scale = 2 * max(np.hypot(*(step[1] - step[0])), np.hypot(*(step[2] - step[0])))
    low, high = local.min(0), local.max(0)
    area = np.prod((high - low) * scale)
    scale *= min(1.0, float(np.sqrt(2.2 * w * h / area)))
    size = np.ceil((high - low) * scale).astype(int)
    return np.hstack([axes, -low[:, None]]) * scale, int(size[0]), int(size[1])


_MIRRORED, _DARKEST_MIRRORED = 0.16, 0.03  # what metal mirrors where nothing stands out, and in the darkest corner


def shade(canvas: Canvas, lamp: Lamp) -> Array:
    """Light the canvas: Lambert over the relief, mirrored glints on metal, a soft highlight on gloss. Linear RGB.

    Its colours are used up: the lit ones take their place.
    """
    xp = canvas.arrays.xp
    axes = canvas.to_px[:, :2] / canvas.px_per_mm
    lx, ly = (float(v) for v in axes @ np.array(lamp.direction[:2]))
    lz = lamp.direction[2]
    for rows in canvas.arrays.bands(canvas.height_px, canvas.width):
        gx, gy = _slopes(canvas, rows)
        inv = 1 / xp.sqrt(gx * gx + gy * gy + 1)
        light = xp.clip((lz - lx * gx - ly * gy) * inv, 0.0, 2.0)
        light *= (1 - lamp.ambient) / lz
        light += lamp.ambient
        _gleam(canvas, lamp, rows, (gx, gy, inv), light)
    return canvas.albedo


def _slopes(canvas: Canvas, rows: slice) -> tuple[Array, Array]:
    """The relief's slopes in some rows, mm per mm along x and y; 0 at the canvas's edges."""
    xp, height, k = canvas.arrays.xp, canvas.height, 0.5 * canvas.px_per_mm
    here = height[rows]
    gx, gy = xp.zeros_like(here), xp.zeros_like(here)
    gx[:, 1:-1] = (here[:, 2:] - here[:, :-2]) * k
    top, end = max(rows.start, 1), min(rows.stop, canvas.height_px - 1)
    if end > top:
        gy[top - rows.start : end - rows.start] = (height[top + 1 : end + 1] - height[top - 1 : end - 1]) * k
    return gx, gy


def _gleam(canvas: Canvas, lamp: Lamp, rows: slice, slopes: tuple[Array, Array, Array], light: Array) -> None:
    """Put the light on some rows; where there is metal or gloss, what those mirror too."""
    arrays, xp = canvas.arrays, canvas.arrays.xp
    albedo = canvas.albedo[rows]
    y0, y1, x0, x1 = canvas.shine_box or (0, 0, 0, 0)
    y0, y1 = max(y0, rows.start), min(y1, rows.stop)
    if canvas.metal is None or canvas.gloss is None or y1 <= y0:
        arrays.scale(albedo, light)
        return
    box, within = (slice(y0, y1), slice(x0, x1)), (slice(y0 - rows.start, y1 - rows.start), slice(x0, x1))
    axes = canvas.to_px[:, :2] / canvas.px_per_mm
    gx, gy, inv = (a[within] for a in slopes)
    nx, ny = -gx * inv, -gy * inv
    mirror = xp.zeros_like(nx) + _MIRRORED
    for gnx, gny, width, strength in lamp.glints:
        mirror += strength * _spot(xp, nx, ny, axes @ np.array([gnx, gny]), width)
    mirror = xp.clip(mirror, _DARKEST_MIRRORED, None)
    # what the light does to the colour, and in its place, where there is metal, the mirrored surroundings
    cloth = light[within]
    cloth += canvas.metal[box] * (1.2 * mirror - cloth)
    arrays.scale(albedo, light)
    shine = 0.5 * canvas.gloss[box] * _spot(xp, nx, ny, 0.5 * (axes @ np.array(lamp.direction[:2])), 0.16)
    lit = albedo[within]
    lit += shine[..., None]


def _spot(xp: Any, nx: Array, ny: Array, at: Points, width: float) -> Array:  # noqa: ANN401 - see `Arrays.xp`
    """How near the normals point to a direction, 1 there, falling off as a bell."""
    dx, dy = nx - float(at[0]), ny - float(at[1])
    return xp.exp((dx * dx + dy * dy) * (-1 / width**2))


def photograph(
    shaded: Array,
    canvas: Canvas,
    camera: Camera,
    lamp: Lamp,
    sensor: Sensor,
    overlays: tuple[Overlay, ...],
    window: Window,
    out_wh: tuple[int, int],
) -> NDArray[np.uint8]:
    """Look at the lit canvas through the camera.

    Returns:
        uint8 RGB, (out height, out width, 3).
    """
    arrays = canvas.arrays
    w, h = out_wh
    k = out_wh[0] / window[2]
    bend = None
    if np.abs(camera.bend).max() > 0.2:
        bend = arrays.resize(arrays.put(_window_bend(camera, window)), h, w) * (w / window[2])
    gains = np.array(lamp.gains) * lamp.exposure
    bands = []
    for rows in arrays.bands(h, w):
        x, y = _sampling(arrays, canvas, camera, window, out_wh, rows, bend)
        rgb = arrays.mix(arrays.warp(shaded, x, y), np.diag(gains))
        arrays.scale(rgb, _light_field(arrays, camera, lamp, sensor, window, out_wh, rows))
        bands.append(rgb)
    rgb = bands[0] if len(bands) == 1 else arrays.xp.concat(bands, axis=0)
    for overlay in overlays:
        rgb = _overlaid(arrays, rgb, overlay, window, out_wh)
    if sensor.blur_px * k > 0.35:
        rgb = arrays.blur(rgb, sensor.blur_px * k)
    if sensor.motion_px * k > 1.5:
        rgb = arrays.motion(rgb, _motion_kernel(sensor.motion_px * k, sensor.motion_angle))
    return _develop(arrays, rgb, sensor, min(1.0, k))


def _sampling(
    arrays: Arrays,
    canvas: Canvas,
    camera: Camera,
    window: Window,
    out_wh: tuple[int, int],
    rows: slice,
    bend: Array | None,
) -> tuple[Array, Array]:
    """Where some rows of the photo look on the canvas, px."""
    xp = arrays.xp
    g = np.vstack([canvas.to_px, [0, 0, 1]]) @ np.linalg.inv(window_matrix(camera, window, out_wh))
    g = g / g[2, 2]
    col = arrays.put(np.arange(out_wh[0], dtype=np.float32) + 0.5)[None, :]
    row = arrays.put(np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5)[:, None]
    if bend is not None:
        col, row = col + bend[rows, :, 0], row + bend[rows, :, 1]
    z = 1 / (float(g[2, 0]) * col + float(g[2, 1]) * row + 1.0)
    x = (float(g[0, 0]) * col + float(g[0, 1]) * row + float(g[0, 2])) * z - 0.5
    y = (float(g[1, 0]) * col + float(g[1, 1]) * row + float(g[1, 2])) * z - 0.5
    return xp.astype(x, xp.float32, copy=False), xp.astype(y, xp.float32, copy=False)


def _window_bend(camera: Camera, window: Window) -> NDArray[np.float32]:
    """The bend sampled on a 24 x 24 grid over the window."""
    n = 24
    t = (np.arange(n) + 0.5) / n
    gx, gy = np.meshgrid(window[0] + t * window[2], window[1] + t * window[3])
    flat = camera._bend_at(np.stack([gx.ravel(), gy.ravel()], 1))
    return flat.reshape(n, n, 2).astype(np.float32)


def _light_field(
    arrays: Arrays, camera: Camera, lamp: Lamp, sensor: Sensor, window: Window, out_wh: tuple[int, int], rows: slice
) -> Array:
    """Falloff from the hot spot and the lens's vignette in some rows: a sum of squares in x and y."""
    w, h = camera.size_wh
    fx = (window[0] + (np.arange(out_wh[0]) + 0.5) / out_wh[0] * window[2]) / w
    fy = (window[1] + (np.arange(rows.start, rows.stop) + 0.5) / out_wh[1] * window[3]) / h
    hx, hy = (fx - lamp.hot_spot[0]) ** 2, (fy - lamp.hot_spot[1]) ** 2
    vx, vy = (fx - 0.5) ** 2, (fy - 0.5) ** 2
    across = arrays.put(lamp.falloff * hx + sensor.vignette * vx)[None, :]
    down = arrays.put(1.0 - lamp.falloff * hy - sensor.vignette * vy)[:, None]
    return arrays.xp.clip(down - across, 0.12, 1.0)


def _overlay_mask(overlay: Overlay, window: Window, out_wh: tuple[int, int]) -> NDArray[np.float32]:
    """Coverage 0..1 at a quarter of the window's size."""
    w, h = max(2, out_wh[0] // 4), max(2, out_wh[1] // 4)
    scale = np.array([w / window[2], h / window[3]])
    pts = (overlay.outline - np.array(window[:2])) * scale
    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(pts * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    soft = overlay.soft_px * float(scale[0])
    if soft > 0.4:
        mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), soft), np.uint8)
    return np.asarray(mask.astype(np.float32) / 255, np.float32)


def _overlaid(arrays: Arrays, rgb: Array, overlay: Overlay, window: Window, out_wh: tuple[int, int]) -> Array:
    mask = _overlay_mask(overlay, window, out_wh)
    if mask.max() < 0.01:
        return rgb
    full = arrays.resize(arrays.put(mask), out_wh[1], out_wh[0])[..., None]
    if overlay.kind == "shadow":
        return rgb * (1 - overlay.strength * full)
    if overlay.kind == "glare":
        return rgb + overlay.strength * full
    depth = cv2.distanceTransform((mask > 0.5).astype(np.uint8), cv2.DIST_L2, 3)
    round_ = arrays.resize(
        arrays.put(0.55 + 0.45 * np.clip(depth / max(1.0, float(depth.max())), 0, 1)), out_wh[1], out_wh[0]
    )
    skin = arrays.put(np.array(overlay.colour)) * round_[..., None]
    return rgb + full * (skin - rgb)


def _motion_kernel(length_px: float, angle: float) -> NDArray[np.float32]:
    n = 2 * int(length_px / 2 + 1) + 1
    kernel = np.zeros((n, n), np.float32)
    c = n / 2
    d = np.array([np.cos(angle), np.sin(angle)]) * length_px / 2
    a, b = (
        np.round((np.array([c, c]) - d - 0.5) * 16).astype(int),
        np.round((np.array([c, c]) + d - 0.5) * 16).astype(int),
    )
    cv2.line(kernel, a.tolist(), b.tolist(), 1.0, 1, cv2.LINE_AA, 4)
    return np.asarray(kernel / kernel.sum(), np.float32)


def seen_colour(
    camera: Camera, lamp: Lamp, sensor: Sensor, at_px: Points, reflectance: Sequence[float]
) -> NDArray[np.float64]:
    """About how a matt colour that faces the lamp comes out at a place in the photo, 0..1, noise left aside.

    Args:
        camera: for the photo's size.
        lamp: light, its colour and falloff.
        sensor: vignette, contrast and saturation.
        at_px: the place, (2,).
        reflectance: linear RGB.
    """
    place = np.asarray(at_px) / camera.size_wh
    dark = lamp.falloff * ((place - lamp.hot_spot) ** 2).sum() + sensor.vignette * ((place - 0.5) ** 2).sum()
    y = _tone(np.asarray(reflectance) * np.array(lamp.gains) * lamp.exposure * np.clip(1 - dark, 0.12, 1), sensor)
    return np.asarray(np.clip(y @ _saturation(sensor).T, 0, 1), np.float64)


_TONE_PER_UNIT = 2048.0  # entries of the tone table per unit of the light's square root: finer than 8 bits show
_BRIGHTEST = 4.0


def _tone(light: NDArray[np.float64], sensor: Sensor) -> NDArray[np.float64]:
    """Highlights, sRGB gamma (IEC 61966-2-1) and contrast: linear light to 0..1."""
    x = np.clip(light, 0, _BRIGHTEST)
    x = np.clip(x * (1 + 0.12 * x) / (1 + 0.315 * x * x + 0.12 * x), 0, 1)  # shoulder
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.asarray(y + sensor.contrast * (y * y * (3 - 2 * y) - y), np.float64)


def _saturation(sensor: Sensor) -> NDArray[np.float64]:
    """Away from grey, or towards it."""
    return sensor.saturation * np.eye(3) + (1 - sensor.saturation) / 3


def _develop(arrays: Arrays, rgb: Array, sensor: Sensor, k: float) -> NDArray[np.uint8]:
    """Tone, colour, noise, sharpening; to 8 bits."""
    entries = np.arange(int(_TONE_PER_UNIT * _BRIGHTEST**0.5) + 1) / _TONE_PER_UNIT
    table = (255 * _tone(entries**2, sensor)).astype(np.float32)
    grain = 255 * sensor.noise * k
    own = grain * (sensor.chroma_noise * np.eye(3) + np.array([1.0, 0.0, 0.0]))  # one channel's noise goes to all
    h, w = rgb.shape[:2]
    bands = []
    for rows in arrays.bands(h, w):
        y = arrays.mix(arrays.curve(rgb[rows], table, _TONE_PER_UNIT), _saturation(sensor))
        if sensor.noise * k > 0.002:
            oy, ox = sensor.noise_offset
            y += arrays.mix(arrays.repeated(sensor_noise(), oy + rows.start, ox, rows.stop - rows.start, w), own)
        bands.append(y)
    y = bands[0] if len(bands) == 1 else arrays.xp.concat(bands, axis=0)
    if sensor.sharpen * k > 0.05:
        soft = arrays.blur(y, 1.0)
        for rows in arrays.bands(h, w):
            edges = y[rows] - soft[rows]
            edges *= sensor.sharpen * k
            sharper = y[rows]
            sharper += edges
    return arrays.eight_bits(y)
