"""Array work that runs on NumPy (any machine) or on torch (a GPU): the same picture within rounding.

Elementwise code is written against the array API standard; the few picture operations that the
standard lacks (warp, blur, resize) stand here once per library.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from typing import Any, Protocol

import array_api_compat.numpy as xnp
import cv2
import numpy as np
from numpy.typing import NDArray

Array = Any  # a NumPy array or a torch tensor, float32 unless said otherwise


class Arrays(Protocol):
    """What the renderer asks of an array library. Pictures are (height, width) or (height, width, 3)."""

    @property
    def xp(self) -> Any:  # noqa: ANN401 - two libraries' namespaces, which share no type
        """The library's namespace by the array API standard."""

    def put(self, a: NDArray[Any]) -> Array:
        """Bring a NumPy array to the device as float32."""

    def colour(self, values: Sequence[float]) -> Array:
        """A colour as an array, not to be written to."""

    def zeros(self, *shape: int) -> Array:
        """A new float32 array of zeros."""

    def bands(self, height: int, width: int) -> Sequence[slice]:
        """Rows to work on at a time: few enough for a cache, or all where that does not matter."""

    def get(self, a: Array) -> NDArray[Any]:
        """Bring an array back as NumPy."""

    def eight_bits(self, a: Array) -> NDArray[np.uint8]:
        """Bring 0..255 back as NumPy, rounded and clipped."""

    def cover(self, mask: NDArray[np.uint8], strength: float) -> Array:
        """A mask's coverage, 0..1, times a strength."""

    def factor(self, mask: NDArray[np.uint8], strength: float) -> Array:
        """1 + strength times a mask's coverage."""

    def scale(self, a: Array, factor: Array) -> None:
        """Multiply in place a picture's channels (height, width, 3) by one factor (height, width)."""

    def blend(self, a: Array, target: Array, weight: Array) -> None:
        """Move `a` (height, width, 3) in place towards a picture or one colour, by a weight (height, width)."""

    def dye(self, dark: Sequence[float], pale: Sequence[float], light: Array, shade: Array) -> Array:
        """The colour between two colours by `light` 0..1, times `shade`: (height, width, 3)."""

    def curve(self, a: Array, table: NDArray[np.float32], per_unit: float) -> Array:
        """The table's entry nearest to sqrt(a) * per_unit, each value on its own."""

    def mix(self, a: Array, matrix: NDArray[np.float64]) -> Array:
        """Multiply each pixel's three channels by a 3 x 3 matrix."""

    def repeated(self, tile: NDArray[np.float32], y: int, x: int, height: int, width: int) -> Array:
        """A piece, not to be written to, of an endlessly repeated tile that lives as long as the process."""

    def tiled(self, tile: NDArray[np.float32], back: NDArray[np.float64], height: int, width: int) -> Array:
        """Sample an endlessly repeated square tile, bilinear; `back` (2, 3) maps (column, row, 1) to the tile's px."""

    def blur(self, a: Array, sigma_px: float) -> Array:
        """Gaussian blur."""

    def resize(self, a: Array, height: int, width: int) -> Array:
        """Bilinear resize, half-pixel centres."""

    def warp(self, a: Array, x: Array, y: Array) -> Array:
        """Sample `a` at pixel coordinates (x, y), bilinear, zero outside."""

    def motion(self, a: Array, kernel: NDArray[np.float32]) -> Array:
        """Correlate each channel with a small kernel, edges mirrored."""


def _thrice(plane: NDArray[np.float32]) -> Array:
    """The same plane for each of three channels: much faster to multiply by than a broadcast one."""
    return cv2.merge([plane, plane, plane])


_BAND_PX = 1 << 15  # pixels worked on at a time: a few float32 planes of them fit a core's own cache


class NumpyArrays:
    """NumPy with OpenCV for the picture operations."""

    xp = xnp

    def put(self, a: NDArray[Any]) -> Array:
        """See `Arrays.put`."""
        return np.asarray(a, np.float32)

    def colour(self, values: Sequence[float]) -> Array:
        """See `Arrays.colour`."""
        return np.array(values, np.float32)

    def zeros(self, *shape: int) -> Array:
        """See `Arrays.zeros`."""
        return np.zeros(shape, np.float32)

    def bands(self, height: int, width: int) -> Sequence[slice]:
        """See `Arrays.bands`."""
        rows = max(8, _BAND_PX // max(1, width))
        return [slice(y, min(y + rows, height)) for y in range(0, height, rows)]

    def get(self, a: Array) -> NDArray[Any]:
        """See `Arrays.get`."""
        return np.asarray(a)

    def eight_bits(self, a: Array) -> NDArray[np.uint8]:
        """See `Arrays.eight_bits`."""
        out = np.empty(a.shape, np.uint8)
        for rows in self.bands(*a.shape[:2]):
            out[rows] = np.clip(a[rows] + np.float32(0.5), 0, 255)
        return out

    def cover(self, mask: NDArray[np.uint8], strength: float) -> Array:
        """See `Arrays.cover`."""
        return mask * np.float32(strength / 255)

    def factor(self, mask: NDArray[np.uint8], strength: float) -> Array:
        """See `Arrays.factor`."""
        return cv2.LUT(mask, 1 + np.arange(256, dtype=np.float32) * np.float32(strength / 255))

    def scale(self, a: Array, factor: Array) -> None:
        """See `Arrays.scale`."""
        for rows in self.bands(*factor.shape):
            a[rows] *= _thrice(factor[rows])

    def blend(self, a: Array, target: Array, weight: Array) -> None:
        """See `Arrays.blend`."""
        for rows in self.bands(*weight.shape):
            step = (target[rows] if target.ndim == 3 else target) - a[rows]
            step *= _thrice(weight[rows])
            a[rows] += step

    def dye(self, dark: Sequence[float], pale: Sequence[float], light: Array, shade: Array) -> Array:
        """See `Arrays.dye`."""
        out = np.empty((*light.shape, 3), np.float32)
        for rows in self.bands(*light.shape):
            tinted = light[rows] * shade[rows]
            for c, (d, p) in enumerate(zip(dark, pale, strict=True)):
                out[rows, :, c] = np.float32(d) * shade[rows] + np.float32(p - d) * tinted
        return out

    def curve(self, a: Array, table: NDArray[np.float32], per_unit: float) -> Array:
        """See `Arrays.curve`."""
        at = np.sqrt(np.maximum(a, 0))
        at *= np.float32(per_unit)
        at += np.float32(0.5)
        return np.take(table, at.astype(np.intp), mode="clip")

    def mix(self, a: Array, matrix: NDArray[np.float64]) -> Array:
        """See `Arrays.mix`."""
        return cv2.transform(a, matrix)

    def repeated(self, tile: NDArray[np.float32], y: int, x: int, height: int, width: int) -> Array:
        """See `Arrays.repeated`."""
        y, x = y % tile.shape[0], x % tile.shape[1]
        if y + height <= tile.shape[0]:
            tile, y = tile[y : y + height], 0
        if x + width <= tile.shape[1]:
            tile, x = tile[:, x : x + width], 0
        down, across = max(0, y + height - tile.shape[0]), max(0, x + width - tile.shape[1])
        if down or across:
            tile = np.asarray(cv2.copyMakeBorder(tile, 0, down, 0, across, cv2.BORDER_WRAP), np.float32)
        return tile[y : y + height, x : x + width]

    def tiled(self, tile: NDArray[np.float32], back: NDArray[np.float64], height: int, width: int) -> Array:
        """See `Arrays.tiled`."""
        corners = np.array([(0, 0), (width, 0), (width, height), (0, height)]) @ back[:, :2].T
        start = back[:, 2] + corners.min(0)
        whole = np.floor(start).astype(int)
        reach = np.ceil(np.ptp(corners, axis=0)).astype(int) + 3
        moved = np.hstack([back[:, :2], (back[:, 2] - whole)[:, None]])
        return cv2.warpAffine(
            self.repeated(tile, int(whole[1]), int(whole[0]), int(reach[1]), int(reach[0])), moved, (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip

    def blur(self, a: Array, sigma_px: float) -> Array:
        """See `Arrays.blur`."""
        return cv2.GaussianBlur(a, _kernel_size(sigma_px), sigma_px, borderType=cv2.BORDER_REFLECT_101)

    def resize(self, a: Array, height: int, width: int) -> Array:
        """See `Arrays.resize`."""
        return cv2.resize(a, (width, height), interpolation=cv2.INTER_LINEAR)

    def warp(self, a: Array, x: Array, y: Array) -> Array:
        """See `Arrays.warp`."""
        return cv2.remap(a, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)

    def motion(self, a: Array, kernel: NDArray[np.float32]) -> Array:
        """See `Arrays.motion`."""
        return cv2.filter2D(a, -1, kernel, borderType=cv2.BORDER_REFLECT_101)


def _kernel_size(sigma_px: float) -> tuple[int, int]:
    half = max(1, round(3 * sigma_px))
    return 2 * half + 1, 2 * half + 1


_KEPT_TILES = 160  # on the device, some 1 MB each


class TorchArrays:
    """torch on a GPU, or on the CPU for the test that both libraries draw the same."""

    def __init__(self, device: str) -> None:
        """Bind to a torch device such as "cuda" or "cpu"."""
        import array_api_compat.torch as xtorch
        import torch

        self.xp = xtorch
        self._torch = torch
        self._device = torch.device(device)
        self._lines: dict[tuple[float, int], Array] = {}
        self._one = torch.ones((1, 1), device=self._device)
        self._colours: dict[tuple[float, ...], Array] = {}
        self._mask: tuple[NDArray[np.uint8], Array] | None = None  # the last one: mostly asked for several times over
        self._kept: OrderedDict[int, tuple[Any, Array]] = OrderedDict()

    def put(self, a: NDArray[Any]) -> Array:
        """See `Arrays.put`."""
        return self._torch.from_numpy(np.ascontiguousarray(a, np.float32)).to(self._device, non_blocking=True)

    def _keep(self, a: NDArray[np.float32]) -> Array:
        """A tile on the device, its first rows and columns repeated at its end; the most recent ones are kept."""
        if id(a) in self._kept:
            self._kept.move_to_end(id(a))
        else:
            around = ((0, 1), (0, 1)) + ((0, 0),) * (a.ndim - 2)
            self._kept[id(a)] = a, self.put(np.pad(a, around, mode="wrap"))
            if len(self._kept) > _KEPT_TILES:
                self._kept.popitem(last=False)
        return self._kept[id(a)][1]

    def colour(self, values: Sequence[float]) -> Array:
        """See `Arrays.colour`; each crosses to the device once a picture or so, not once a stitch row."""
        key = tuple(values)
        if key not in self._colours:
            if len(self._colours) > _KEPT_TILES:
                self._colours.clear()
            self._colours[key] = self.put(np.array(key))
        return self._colours[key]

    def zeros(self, *shape: int) -> Array:
        """See `Arrays.zeros`."""
        return self._torch.zeros(shape, dtype=self._torch.float32, device=self._device)

    def bands(self, height: int, width: int) -> Sequence[slice]:
        """See `Arrays.bands`."""
        return [slice(0, height)]

    def get(self, a: Array) -> NDArray[Any]:
        """See `Arrays.get`."""
        return np.asarray(a.cpu().numpy())

    def eight_bits(self, a: Array) -> NDArray[np.uint8]:
        """See `Arrays.eight_bits`."""
        return np.asarray((a + 0.5).clamp_(0, 255).to(self._torch.uint8).cpu().numpy())

    def cover(self, mask: NDArray[np.uint8], strength: float) -> Array:
        """See `Arrays.cover`."""
        return self._there(mask) * (strength / 255)

    def factor(self, mask: NDArray[np.uint8], strength: float) -> Array:
        """See `Arrays.factor`."""
        return self._torch.add(self._one, self._there(mask), alpha=strength / 255)

    def _there(self, mask: NDArray[np.uint8]) -> Array:
        """A mask on the device."""
        if self._mask is None or self._mask[0] is not mask:
            self._mask = mask, self._torch.from_numpy(np.ascontiguousarray(mask)).to(self._device, non_blocking=True)
        return self._mask[1]

    def scale(self, a: Array, factor: Array) -> None:
        """See `Arrays.scale`."""
        a.mul_(factor[..., None])

    def blend(self, a: Array, target: Array, weight: Array) -> None:
        """See `Arrays.blend`."""
        a.lerp_(target, weight[..., None])

    def dye(self, dark: Sequence[float], pale: Sequence[float], light: Array, shade: Array) -> Array:
        """See `Arrays.dye`."""
        tinted = self._torch.lerp(self.colour(dark), self.colour(pale), light[..., None])
        return tinted.mul_(shade[..., None])

    def curve(self, a: Array, table: NDArray[np.float32], per_unit: float) -> Array:
        """See `Arrays.curve`."""
        at = a.clamp(min=0).sqrt_().mul_(per_unit).add_(0.5).clamp_(max=len(table) - 1)
        return self.put(table)[at.to(self._torch.int64)]

    def mix(self, a: Array, matrix: NDArray[np.float64]) -> Array:
        """See `Arrays.mix`."""
        return a @ self.put(matrix.T)

    def repeated(self, tile: NDArray[np.float32], y: int, x: int, height: int, width: int) -> Array:
        """See `Arrays.repeated`."""
        size_y, size_x = tile.shape[:2]
        y, x = y % size_y, x % size_x
        whole = self._keep(tile)[:size_y, :size_x]
        reps = (-(-(y + height) // size_y), -(-(x + width) // size_x), *(1,) * (tile.ndim - 2))
        return (
            whole.repeat(reps)[y : y + height, x : x + width] if max(reps) > 1 else whole[y : y + height, x : x + width]
        )

    def tiled(self, tile: NDArray[np.float32], back: NDArray[np.float64], height: int, width: int) -> Array:
        """See `Arrays.tiled`."""
        size, kept = tile.shape[0], self._keep(tile)
        unit = 2 / (size + 1)  # a px of the kept tile, in a grid from -1 to 1
        cols = np.arange(width)[:, None] * back[:, 0] + back[:, 2]
        rows = np.arange(height)[:, None] * back[:, 1]
        ends = self.put((np.concatenate([cols, rows]) % size) * unit)
        grid = (ends[:width][None] + ends[width:][:, None]).remainder_(size * unit).add_(0.5 * unit - 1)
        sampled = self._torch.nn.functional.grid_sample(kept[None, None], grid[None], align_corners=False)
        return sampled[0, 0]

    def _planes(self, a: Array) -> Array:
        return a[None, None] if a.ndim == 2 else a.permute(2, 0, 1)[None]

    def _back(self, planes: Array, like: Array) -> Array:
        return planes[0, 0] if like.ndim == 2 else planes[0].permute(1, 2, 0)

    def _padded(self, a: Array, across: int, down: int) -> Array:
        """Planes with mirrored edges, at least two of them.

        A convolution of several planes each on its own runs in torch's own kernel, in full float32; that of a single
        plane would be planned anew for every size by another library, which takes longer than the work itself.
        """
        planes = a[None, None].expand(1, 2, *a.shape) if a.ndim == 2 else self._planes(a)
        mode = "reflect" if across < planes.shape[3] and down < planes.shape[2] else "replicate"
        pad = (across, across, down, down)
        return self._torch.nn.functional.pad(planes, pad, mode=mode).contiguous()

    def _correlate(self, planes: Array, weight: Array) -> Array:
        return self._torch.nn.functional.conv2d(planes, weight, groups=planes.shape[1])

    def blur(self, a: Array, sigma_px: float) -> Array:
        """See `Arrays.blur`."""
        weight = self._gaussian(sigma_px, 2 if a.ndim == 2 else a.shape[2])
        half = weight.shape[2] // 2
        return self._back(self._correlate(self._correlate(self._padded(a, half, half), weight), weight.mT), a)

    def _gaussian(self, sigma_px: float, channels: int) -> Array:
        """Kernels on the device, (channels, 1, n, 1); the last few are kept, as one picture asks for the same again."""
        if (sigma_px, channels) not in self._lines:
            if len(self._lines) > _KEPT_TILES:
                self._lines.clear()
            line = cv2.getGaussianKernel(_kernel_size(sigma_px)[0], sigma_px)
            self._lines[sigma_px, channels] = self.put(np.tile(line, (channels, 1, 1, 1)))
        return self._lines[sigma_px, channels]

    def resize(self, a: Array, height: int, width: int) -> Array:
        """See `Arrays.resize`."""
        planes = self._torch.nn.functional.interpolate(
            self._planes(a), (height, width), mode="bilinear", align_corners=False
        )
        return self._back(planes, a)

    def warp(self, a: Array, x: Array, y: Array) -> Array:
        """See `Arrays.warp`."""
        height, width = a.shape[:2]
        grid = self._torch.stack(((2 * x + 1) / width - 1, (2 * y + 1) / height - 1), -1)[None]
        planes = self._torch.nn.functional.grid_sample(
            self._planes(a), grid, mode="bilinear", padding_mode="zeros", align_corners=False
        )
        return self._back(planes, a)

    def motion(self, a: Array, kernel: NDArray[np.float32]) -> Array:
        """See `Arrays.motion`."""
        padded = self._padded(a, kernel.shape[1] // 2, kernel.shape[0] // 2)
        weight = self.put(np.tile(kernel, (padded.shape[1], 1, 1, 1)))
        return self._back(self._correlate(padded, weight), a)


def arrays_for(device: str) -> Arrays:
    """The array library for "cpu" (NumPy) or a torch device such as "cuda"."""
    return NumpyArrays() if device == "cpu" else TorchArrays(device.removeprefix("torch-"))
