"""An index of photos that finds the few which may be the same picture among millions, before they are compared.

Of each photo sixteen windows are kept: the whole, and what is left when a tenth is cut off any of its sides. Each makes
a code of 128 bits, the signs of its lowest frequencies about their median (perceptual hash by DCT: Zauner,
Implementation and Benchmarking of Perceptual Image Hash Functions, 2010). A photo that was cut down then resembles some
window of what it was cut from. A photo is asked for by windows of its own in steps of a twentieth, as they are and
mirrored: the finer steps cost no room and bring copies half as much nearer again. The index itself is Faiss: every code
is looked at while they are few, the nearest of 4096 lists once they are many.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import faiss
import numpy as np
from numpy.typing import NDArray

BITS = 128
MAX_DISTANCE = 40  # of 128 bits; of cut, mirrored and re-encoded copies in the tests 19 in 20 lie nearer
CANDIDATES = 4
WINDOWS = 16
_WHOLE_PX, _SIDE_PX, _WAVES = 80, 32, 16
_CUTS_PX = (0, 8)  # off each side of what is kept
_CUTS_ASKED_PX = (0, 4, 8)
_NEAREST = 20  # codes looked at for each code asked for
_FEW = 100_000  # codes; below, every one is looked at
_LISTS, _LISTS_ASKED, _TRAINING = 4096, 16, 200_000

Codes = NDArray[np.uint8]
Floats = NDArray[np.float32]


def codes_of(thumb: NDArray[np.uint8]) -> Codes:
    """The codes of a photo's windows, to be kept.

    Args:
        thumb: grey, uint8, shape (height, width), at least 8 px a side.

    Returns:
        Shape (16, 16) uint8: a row a window, the whole first.
    """
    return _packed(_lowest_waves(thumb, _CUTS_PX))


def codes_asked_of(thumb: NDArray[np.uint8]) -> Codes:
    """The codes that a photo is looked for by: more windows, as they are and mirrored.

    Args:
        thumb: as for `codes_of`.

    Returns:
        Shape (162, 16) uint8: a row a window.
    """
    waves = _lowest_waves(thumb, _CUTS_ASKED_PX)
    return _packed(np.concatenate([waves, waves * _IN_A_MIRROR]))


def _lowest_frequencies() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the 128 lowest frequencies of a square DCT, without the mean."""
    rows, columns = np.mgrid[:_WAVES, :_WAVES]
    order = np.lexsort((columns.ravel(), (rows**2 + columns**2).ravel()))[1 : BITS + 1]
    return rows.ravel()[order], columns.ravel()[order]


_ROWS, _COLUMNS = _lowest_frequencies()
_IN_A_MIRROR = np.where(_COLUMNS % 2, -1, 1).astype(np.float32)  # of what is uneven from left to right the sign turns


def _cosines() -> Floats:
    """The first 16 rows of the DCT-II of `_SIDE_PX` values, each of one length."""
    wave, place = np.mgrid[:_WAVES, :_SIDE_PX]
    return np.asarray(np.cos(np.pi * wave * (2 * place + 1) / (2 * _SIDE_PX)) * np.where(wave, 1, 0.5**0.5), np.float32)


def _averaging(size: int) -> Floats:
    """What shrinks `size` values to `_SIDE_PX` by the share of each that falls into them, shape (_SIDE_PX, size)."""
    edges = np.linspace(0, size, _SIDE_PX + 1)
    values = np.arange(size)
    shared = np.minimum(edges[1:, None], values + 1) - np.maximum(edges[:-1, None], values)
    return np.asarray(np.clip(shared, 0, None) * _SIDE_PX / size, np.float32)


@cache
def _windows_to_waves(cuts_px: Sequence[int]) -> Floats:
    """What turns a side of the whole into the lowest waves of all its windows, shape (windows x 16, _WHOLE_PX)."""
    spans = [(start, _WHOLE_PX - cut) for start in cuts_px for cut in cuts_px]
    matrix = np.zeros((len(spans), _WAVES, _WHOLE_PX), np.float32)
    for window, (start, end) in zip(matrix, spans, strict=True):
        window[:, start:end] = _cosines() @ _averaging(end - start)
    return matrix.reshape(-1, _WHOLE_PX)


def _lowest_waves(thumb: NDArray[np.uint8], cuts_px: Sequence[int]) -> Floats:
    """The lowest frequencies of each window, shape (windows, 128)."""
    whole = cv2.resize(thumb, (_WHOLE_PX, _WHOLE_PX), interpolation=cv2.INTER_AREA).astype(np.float32)
    matrix, spans = _windows_to_waves(cuts_px), len(cuts_px) ** 2
    waves = (matrix @ whole @ matrix.T).reshape(spans, _WAVES, spans, _WAVES)
    return waves[:, _ROWS, :, _COLUMNS].reshape(BITS, -1).T


def _packed(waves: Floats) -> Codes:
    middle = np.partition(waves, BITS // 2 - 1, axis=1)[:, BITS // 2 - 1]  # half of the bits lie above it
    return np.packbits(waves > middle[:, None], axis=1)


class PhotoIndex:
    """Photos by number. What it answers depends on what was added, in which order, and on nothing else."""

    def __init__(self) -> None:
        """Empty."""
        self._codes: faiss.IndexBinary = faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(BITS))
        self._numbers = np.zeros(0, np.int64)
        self._added: list[NDArray[np.int64]] = []  # numbers that are not among these yet

    def __len__(self) -> int:
        """How many photos."""
        return len(self._all_numbers())

    @classmethod
    def load(cls, folder: Path) -> PhotoIndex:
        """The index that was saved there; an empty one where there is none."""
        index = cls()
        codes, numbers = folder / "codes.faiss", folder / "numbers.npy"
        if codes.exists() and numbers.exists():
            index._codes = faiss.read_index_binary(str(codes))
            index._numbers = np.load(numbers)
        return index

    def save(self, folder: Path) -> None:
        """Save it, so that a kill at any moment leaves one that can be loaded.

        Raises:
            OSError: if there is no room or no right to write.
        """
        folder.mkdir(parents=True, exist_ok=True)
        drafts = [folder / f"{name}.{os.getpid()}.npy" for name in ("codes", "numbers")]
        try:
            try:
                faiss.write_index_binary(self._codes, str(drafts[0]))
            except RuntimeError as err:
                raise OSError(f"{folder}: the index of photos can't be written ({str(err)[:200]})") from err
            np.save(drafts[1], self._all_numbers())
            # The codes first: a photo that is there and not known to be is added once more, which does no harm.
            drafts[0].replace(folder / "codes.faiss")
            drafts[1].replace(folder / "numbers.npy")
        finally:
            for draft in drafts:
                draft.unlink(missing_ok=True)

    def lacking(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Which of these photos are not in it, in order."""
        return np.setdiff1d(numbers, self._all_numbers())

    def add(self, numbers: NDArray[np.int64], codes: Codes) -> None:
        """Add photos.

        Args:
            numbers: shape (n,), from 0 up.
            codes: shape (n, 16, 16), as `codes_of` gives them.
        """
        if not len(numbers):
            return
        self._added.append(numbers)
        rows = np.ascontiguousarray(codes.reshape(-1, BITS // 8))
        self._codes.add_with_ids(rows, np.repeat(numbers, codes.shape[1]))
        if isinstance(self._codes, faiss.IndexBinaryIDMap2) and self._codes.ntotal >= _FEW:
            self._codes = _in_lists(self._codes)

    def _all_numbers(self) -> NDArray[np.int64]:
        """Numbers of all photos, in order; put in order once for many that were added."""
        if self._added:
            self._numbers, self._added = np.unique(np.concatenate([self._numbers, *self._added])), []
        return self._numbers

    def nearest(self, asked: Codes) -> list[list[int]]:
        """The photos that may be the same pictures.

        Args:
            asked: shape (n, 162, 16), as `codes_asked_of` gives them.

        Returns:
            For each photo the numbers of those nearest to it, nearest first; itself, if it was added, among them.
        """
        if not len(asked):
            return []
        distances, numbers = self._codes.search(np.ascontiguousarray(asked.reshape(-1, BITS // 8)), _NEAREST)
        shape = (len(asked), -1)
        return [_by_distance(*one) for one in zip(distances.reshape(shape), numbers.reshape(shape), strict=True)]


def _by_distance(distances: NDArray[np.int32], numbers: NDArray[np.int64]) -> list[int]:
    near = (numbers >= 0) & (distances <= MAX_DISTANCE)
    nearest: dict[int, int] = {}
    for distance, number in sorted(zip(distances[near].tolist(), numbers[near].tolist(), strict=True)):
        nearest.setdefault(number, distance)
    return list(nearest)[: CANDIDATES + 1]  # one of them may be the photo itself


def _in_lists(flat: faiss.IndexBinaryIDMap2) -> faiss.IndexBinaryIVF:
    """The same codes in lists of like ones."""
    inner: Any = faiss.downcast_IndexBinary(flat.index)
    codes = faiss.vector_to_array(inner.xb).reshape(-1, BITS // 8)
    index = faiss.IndexBinaryIVF(faiss.IndexBinaryFlat(BITS), BITS, _LISTS)
    index.train(codes[:: max(1, len(codes) // _TRAINING)])
    index.add_with_ids(codes, faiss.vector_to_array(flat.id_map))
    index.nprobe = _LISTS_ASKED
    return index
