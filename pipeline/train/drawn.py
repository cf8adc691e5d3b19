"""Samples on disk, brought to where the network runs; what others are still drawing is fetched as it appears."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from pipeline.train.samples import looks_in

LOOK_AGAIN_S = 20.0  # for samples drawn meanwhile
_AT_ONCE = 256


class Drawn:
    """Arrays of one length on disk and the rows of them that are ready, as tensors on a device."""

    def __init__(
        self, arrays: Mapping[str, NDArray[Any]], is_ready: Callable[[], NDArray[np.bool_]], device: torch.device
    ) -> None:
        """Bring what is ready.

        Args:
            arrays: by name, all of the same length; read again whenever new rows are fetched.
            is_ready: which rows are whole, shape (length,); a row that is ready stays as it is.
            device: where the tensors lie.
        """
        self._arrays, self._is_ready = arrays, is_ready
        self.tensors = {
            name: torch.from_numpy(values[:1].copy()).to(device).new_empty(values.shape)
            for name, values in arrays.items()
        }
        self._taken = np.zeros_like(is_ready())
        self._waiting = np.zeros(0, np.int64)
        self._device = device
        self.count = 0
        self.take_new()

    def take_new(self) -> None:
        """Fetch what has become ready since."""
        rows = np.flatnonzero(self._is_ready() & ~self._taken)
        for i in range(0, len(rows), _AT_ONCE):
            some = rows[i : i + _AT_ONCE]
            where = slice(self.count, self.count + len(some))
            for name, values in self._arrays.items():
                self.tensors[name][where] = torch.from_numpy(np.ascontiguousarray(values[some]))
            self._taken[some] = True
            self.count += len(some)

    def batch(self, size: int, rng: np.random.Generator) -> dict[str, Tensor]:
        """The next rows in random order, without end; each row once before any comes again. There must be a row."""
        while len(self._waiting) < size:
            self._waiting = np.concatenate([self._waiting, rng.permutation(self.count)])
        picked, self._waiting = self._waiting[:size], self._waiting[size:]
        index = torch.from_numpy(picked).to(self._device)
        return {name: values[index] for name, values in self.tensors.items()}


def is_in_other_look(
    folder: Path, group: str, without_looks: Collection[str]
) -> Callable[[NDArray[np.bool_]], NDArray[np.bool_]]:
    """Narrows rows that are ready (length,) to those whose look is wanted; a picture without a look always is."""
    return lambda is_ready: np.asarray(is_ready) & ~looks_in(folder, group, without_looks, len(is_ready))
