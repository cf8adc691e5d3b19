"""How a row repeats along its length: its correlation with itself, and where exactly that peaks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def autocorrelation(signal: Floats, slow_px: float) -> Floats:
    """Correlation of a signal with itself by lag in px, 1 at lag 0.

    Args:
        signal: shape (n,).
        slow_px: changes over more than about this, such as of shade, are taken off first.

    Returns:
        Shape (n,); all 0 for a signal that does not change.
    """
    count, half = len(signal), len(signal) // 2
    slow = np.convolve(np.pad(signal, half, mode="reflect"), bell(slow_px), mode="same")
    flat = signal - slow[half : half + count]
    raw = np.fft.irfft(np.abs(np.fft.rfft(flat, 2 * count)) ** 2)[:count] / (count - np.arange(count))
    return np.asarray(raw / max(float(raw[0]), 1e-12), np.float64)


def top_of_peak(values: Floats, at: int) -> float:
    """Where a parabola through a peak and its neighbours is highest; `at` itself where they do not bend down."""
    before, here, after = (float(value) for value in values[at - 1 : at + 2])
    bend = before - 2 * here + after
    return at + (0.5 * (before - after) / bend if bend < 0 else 0.0)


def is_peak(values: Floats) -> NDArray[np.bool_]:
    """Which values are no lower than the one before and higher than the one after; the ends never are."""
    peaks = np.zeros(len(values), np.bool_)
    peaks[1:-1] = (values[1:-1] >= values[:-2]) & (values[1:-1] > values[2:])
    return peaks


def bell(sigma_px: float) -> Floats:
    """A Gaussian window that sums to 1."""
    sigma = max(sigma_px, 0.3)
    x = np.arange(-int(np.ceil(3 * sigma)), int(np.ceil(3 * sigma)) + 1)
    window = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(window / window.sum(), dtype=np.float64)
