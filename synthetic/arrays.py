"""Array work that runs on NumPy (any machine) or on torch (a GPU): the same picture within rounding.

Elementwise code is written against the array API standard; the few picture operations that the
standard lacks (warp, blur, resize) stand here once per library.
"""

from __future__ import annotations

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

    def get(self, a: Array) -> NDArray[Any]:
        """Bring an array back as NumPy."""

    def blur(self, a: Array, sigma_px: float) -> Array:
        """Gaussian blur."""

    def resize(self, a: Array, height: int, width: int) -> Array:
        """Bilinear resize, half-pixel centres."""

    def warp(self, a: Array, x: Array, y: Array) -> Array:
        """Sample `a` at pixel coordinates (x, y), bilinear, zero outside."""

    def motion(self, a: Array, kernel: NDArray[np.float32]) -> Array:
        """Correlate each channel with a small kernel, edges mirrored."""


class NumpyArrays:
    """NumPy with OpenCV for the picture operations."""

    xp = xnp

    def put(self, a: NDArray[Any]) -> Array:
        """See `Arrays.put`."""
        return np.asarray(a, np.float32)

    def get(self, a: Array) -> NDArray[Any]:
        """See `Arrays.get`."""
        return np.asarray(a)

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


class TorchArrays:
    """torch on a GPU, or on the CPU for the test that both libraries draw the same."""

    def __init__(self, device: str) -> None:
        """Bind to a torch device such as "cuda" or "cpu"."""
        import array_api_compat.torch as xtorch
        import torch

        self.xp = xtorch
        self._torch = torch
        self._device = torch.device(device)

    def put(self, a: NDArray[Any]) -> Array:
        """See `Arrays.put`."""
        return self._torch.from_numpy(np.ascontiguousarray(a, np.float32)).to(self._device, non_blocking=True)

    def get(self, a: Array) -> NDArray[Any]:
        """See `Arrays.get`."""
        return np.asarray(a.cpu().numpy())

    def _planes(self, a: Array) -> Array:
        return a[None, None] if a.ndim == 2 else a.permute(2, 0, 1)[None]

    def _back(self, planes: Array, like: Array) -> Array:
        return planes[0, 0] if like.ndim == 2 else planes[0].permute(1, 2, 0)

    def _correlate(self, planes: Array, kernel: Array) -> Array:
        channels = planes.shape[1]
        pad = (kernel.shape[1] // 2,) * 2 + (kernel.shape[0] // 2,) * 2
        mode = "reflect" if pad[0] < planes.shape[3] and pad[2] < planes.shape[2] else "replicate"
        padded = self._torch.nn.functional.pad(planes, pad, mode=mode)
        weight = kernel[None, None].expand(channels, 1, *kernel.shape)
        return self._torch.nn.functional.conv2d(padded, weight, groups=channels)

    def blur(self, a: Array, sigma_px: float) -> Array:
        """See `Arrays.blur`."""
        size = _kernel_size(sigma_px)[0]
        line = self.put(cv2.getGaussianKernel(size, sigma_px))
        return self._back(self._correlate(self._correlate(self._planes(a), line), line.T), a)

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
        return self._back(self._correlate(self._planes(a), self.put(kernel)), a)


def arrays_for(device: str) -> Arrays:
    """The array library for "cpu" (NumPy) or a torch device such as "cuda"."""
    return NumpyArrays() if device == "cpu" else TorchArrays(device.removeprefix("torch-"))
