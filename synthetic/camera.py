"""From a flat canvas to a photo: lamp and shading, perspective, and what a phone's camera adds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.arrays import Array, Arrays
from synthetic.canvas import Canvas, Points
from synthetic.textures import TILE_PX, sensor_noise

Matrix = NDArray[np.float64]
Window = tuple[float, float, float, float]  # x, y, w, h in px of the whole photo


@dataclass(frozen=True, slots=True)
class Lamp:
    """Light on the flat scene: `direction` is a unit vector in scene axes (x right, y down, z to the camera)."""

    direction: tuple[float, float, float]
    ambient: float
    gains: tuple[float, float, float]
    exposure: float
    hot_spot: tuple[float, float]  # brightest place, in photo widths and heights
    falloff: float
    glints: tuple[tuple[float, float, float, float], ...]  # what metal mirrors: nx, ny, width, strength


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
        flat = h[:, :2] / h[:, 2:]
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


def shade(canvas: Canvas, lamp: Lamp) -> Array:
    """Light the canvas: Lambert over the relief, mirrored glints on metal, a soft highlight on gloss. Linear RGB."""
    xp = canvas.arrays.xp
    height = canvas.height
    s = canvas.px_per_mm
    gx, gy = xp.zeros_like(height), xp.zeros_like(height)
    gx[:, 1:-1] = (height[:, 2:] - height[:, :-2]) * (0.5 * s)
    gy[1:-1, :] = (height[2:, :] - height[:-2, :]) * (0.5 * s)
    axes = canvas.to_px[:, :2] / s
    lx, ly = axes @ np.array(lamp.direction[:2])
    lz = lamp.direction[2]
    inv = 1 / xp.sqrt(1 + gx * gx + gy * gy)
    lambert = xp.clip((lz - float(lx) * gx - float(ly) * gy) * inv, 0.0, 2.0) * (1 / lz)
    light = lamp.ambient + (1 - lamp.ambient) * lambert
    rgb = canvas.albedo * light[..., None]
    if canvas.metal is None or canvas.gloss is None or canvas.shine_box is None:
        return rgb
    y0, y1, x0, x1 = canvas.shine_box
    box = (slice(y0, y1), slice(x0, x1))
    nx, ny = -gx[box] * inv[box], -gy[box] * inv[box]
    mirror = xp.zeros_like(nx) + 0.16
    for gnx, gny, width, strength in lamp.glints:
        tx, ty = axes @ np.array([gnx, gny])
        mirror = mirror + strength * xp.exp(-((nx - float(tx)) ** 2 + (ny - float(ty)) ** 2) * (1 / width**2))
    metal = canvas.metal[box][..., None]
    shining = canvas.albedo[box] * mirror[..., None] * 1.2
    hx, hy = 0.5 * float(lx), 0.5 * float(ly)
    spot = xp.exp(-((nx - hx) ** 2 + (ny - hy) ** 2) * (1 / 0.16**2)) * canvas.gloss[box]
    rgb[box] = rgb[box] * (1 - metal) + shining * metal + (0.5 * spot)[..., None]
    return rgb


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
    x, y = _sampling(arrays, canvas, camera, window, out_wh)
    rgb = arrays.warp(shaded, x, y)
    rgb = rgb * _light_field(arrays, camera, lamp, sensor, window, out_wh)[..., None]
    rgb = rgb * arrays.put(np.array(lamp.gains) * lamp.exposure)
    for overlay in overlays:
        rgb = _overlaid(arrays, rgb, overlay, window, out_wh)
    if sensor.blur_px * k > 0.35:
        rgb = arrays.blur(rgb, sensor.blur_px * k)
    if sensor.motion_px * k > 1.5:
        rgb = arrays.motion(rgb, _motion_kernel(sensor.motion_px * k, sensor.motion_angle))
    return _develop(arrays, rgb, sensor, min(1.0, k), (h, w))


def _sampling(
    arrays: Arrays, canvas: Canvas, camera: Camera, window: Window, out_wh: tuple[int, int]
) -> tuple[Array, Array]:
    xp = arrays.xp
    w, h = out_wh
    g = np.vstack([canvas.to_px, [0, 0, 1]]) @ np.linalg.inv(window_matrix(camera, window, out_wh))
    g = g / g[2, 2]
    col = arrays.put(np.arange(w, dtype=np.float32) + 0.5)[None, :]
    row = arrays.put(np.arange(h, dtype=np.float32) + 0.5)[:, None]
    if np.abs(camera.bend).max() > 0.2:
        bend = arrays.resize(arrays.put(_window_bend(camera, window)), h, w) * (w / window[2])
        col, row = col + bend[..., 0], row + bend[..., 1]
    z = 1 / (float(g[2, 0]) * col + float(g[2, 1]) * row + 1.0)
    x = (float(g[0, 0]) * col + float(g[0, 1]) * row + float(g[0, 2])) * z - 0.5
    y = (float(g[1, 0]) * col + float(g[1, 1]) * row + float(g[1, 2])) * z - 0.5
    return xp.astype(x, xp.float32), xp.astype(y, xp.float32)


def _window_bend(camera: Camera, window: Window) -> NDArray[np.float32]:
    """The bend sampled on a 24 x 24 grid over the window."""
    n = 24
    t = (np.arange(n) + 0.5) / n
    gx, gy = np.meshgrid(window[0] + t * window[2], window[1] + t * window[3])
    flat = camera._bend_at(np.stack([gx.ravel(), gy.ravel()], 1))
    return flat.reshape(n, n, 2).astype(np.float32)


def _light_field(
    arrays: Arrays, camera: Camera, lamp: Lamp, sensor: Sensor, window: Window, out_wh: tuple[int, int]
) -> Array:
    """Falloff from the hot spot and the lens's vignette: a sum of squares in x and y."""
    xp = arrays.xp
    w, h = camera.size_wh
    fx = (window[0] + (np.arange(out_wh[0]) + 0.5) / out_wh[0] * window[2]) / w
    fy = (window[1] + (np.arange(out_wh[1]) + 0.5) / out_wh[1] * window[3]) / h
    hx, hy = (fx - lamp.hot_spot[0]) ** 2, (fy - lamp.hot_spot[1]) ** 2
    vx, vy = (fx - 0.5) ** 2, (fy - 0.5) ** 2
    cols = arrays.put(lamp.falloff * hx + sensor.vignette * vx)[None, :]
    rows = arrays.put(lamp.falloff * hy + sensor.vignette * vy)[:, None]
    return xp.clip(1.0 - cols - rows, 0.12, 1.0)


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
    linear = np.asarray(reflectance) * np.array(lamp.gains) * lamp.exposure * np.clip(1 - dark, 0.12, 1)
    x = np.clip(linear, 0, 4)
    x = np.clip(x * (1 + 0.12 * x) / (1 + 0.315 * x * x + 0.12 * x), 0, 1)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    y = y + sensor.contrast * (y * y * (3 - 2 * y) - y)
    return np.asarray(np.clip(y.mean() + sensor.saturation * (y - y.mean()), 0, 1), np.float64)


def _develop(arrays: Arrays, rgb: Array, sensor: Sensor, k: float, hw: tuple[int, int]) -> NDArray[np.uint8]:
    """Highlights, gamma, contrast, colour, noise, sharpening; to 8 bits."""
    xp = arrays.xp
    x = xp.clip(rgb, 0.0, 4.0)
    x = x * (1 + x * 0.12) / (1 + 0.9 * x * x * 0.35 + 0.12 * x)  # shoulder
    x = xp.clip(x, 0.0, 1.0)
    root = xp.sqrt(x)
    fourth = xp.sqrt(root)
    y = (
        0.662002687 * root + 0.684122060 * fourth - 0.323583601 * xp.sqrt(fourth) - 0.0225411470 * x
    )  # sRGB gamma, within 0.005
    if sensor.contrast:
        y = y + sensor.contrast * (y * y * (3 - 2 * y) - y)
    if sensor.saturation != 1:
        grey = xp.sum(y, axis=-1, keepdims=True) * (1 / 3)
        y = grey + sensor.saturation * (y - grey)
    if sensor.noise * k > 0.002:
        y = y + _noise(arrays, sensor, k, hw)
    if sensor.sharpen * k > 0.05:
        y = y + sensor.sharpen * k * (y - arrays.blur(y, 1.0))
    eight = xp.clip(y * 255 + 0.5, 0.0, 255.0)
    return arrays.get(eight).astype(np.uint8)


def _noise(arrays: Arrays, sensor: Sensor, k: float, hw: tuple[int, int]) -> Array:
    h, w = hw
    oy, ox = sensor.noise_offset
    tile = sensor_noise()  # repeats beyond TILE_PX, and is stored twice each way, so that any offset is a slice
    reps = (-(-(oy + h) // TILE_PX), -(-(ox + w) // TILE_PX), 1)
    whole = tile if max(reps) <= 2 else np.tile(tile[:TILE_PX, :TILE_PX], reps)
    cut = arrays.put(whole[oy : oy + h, ox : ox + w])
    return (sensor.noise * k) * (cut[..., :1] + sensor.chroma_noise * cut)
