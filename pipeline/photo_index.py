"""An index of photos that finds the few which may be the same picture among millions, before they are compared.

Of each photo six windows are kept: the whole, and what is left when a seventh is cut off all sides, or off two that
meet. Each makes a code of 256 bits, the signs of its lowest frequencies (perceptual hash by DCT: Zauner, Implementation
and Benchmarking of Perceptual Image Hash Functions, 2010). A photo is asked for by all windows that cuts in steps of a
twentieth leave of it, as they are and mirrored: of a photo and one that was cut out of it, or of two cut out of a
third, some windows then show nearly the same. The index itself is Faiss: every code is looked at while they are few;
once they are many, those whose lowest frequencies agree with the code asked for, all but one at most.
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

BITS = 256
MAX_DISTANCE = 80  # of 256 bits; of cut, mirrored and re-encoded copies in the tests 19 in 20 lie nearer
CANDIDATES = 4
_WHOLE_PX, _SIDE_PX, _WAVES = 80, 32, 19
_CUTS_PX = (0, 12)  # off each side of what is kept
_KEPT = (0, 5, 6, 9, 10, 15)  # of the windows that these leave: none cut, two sides that meet, all sides
_CUTS_ASKED_PX = (0, 4, 8, 12)
_NEAREST = 20  # codes looked at for each code asked for
_FEW = 3_000  # codes; below, every one is looked at, which takes longer soon
_AGREEING_BITS, _UNLIKE = 16, 1

Codes = NDArray[np.uint8]
Floats = NDArray[np.float32]


def codes_of(thumb: NDArray[np.uint8]) -> Codes:
    """The codes of a photo's windows, to be kept.

    Args:
        thumb: grey, uint8, shape (height, width), at least 8 px a side.

    Returns:
        Shape (6, 32) uint8: a row a window, the whole first.
    """
    return _packed(_lowest_waves(thumb, _CUTS_PX)[_KEPT, :])


def codes_asked_of(thumb: NDArray[np.uint8]) -> Codes:
    """The codes that a photo is looked for by: more windows, as they are and mirrored.

    Args:
        thumb: as for `codes_of`.

    Returns:
        Shape (512, 32) uint8: a row a window.
    """
    codes = _packed(_lowest_waves(thumb, _CUTS_ASKED_PX))
    return np.concatenate([codes, codes ^ _IN_A_MIRROR])


def _lowest_frequencies() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the 256 lowest frequencies of a square DCT, without the mean."""
    rows, columns = np.mgrid[:_WAVES, :_WAVES]
    order = np.lexsort((columns.ravel(), (rows**2 + columns**2).ravel()))[1 : BITS + 1]
    return rows.ravel()[order], columns.ravel()[order]


_ROWS, _COLUMNS = _lowest_frequencies()
_IN_A_MIRROR = np.packbits(_COLUMNS % 2 == 1)  # of what is uneven from left to right the sign turns


def _cosines() -> Floats:
    """The first rows of the DCT-II of `_SIDE_PX` values, each of one length."""
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
    """What turns a side of the whole into the lowest waves of all its windows, shape (windows x _WAVES, _WHOLE_PX)."""
    spans = [(start, _WHOLE_PX - cut) for start in cuts_px for cut in cuts_px]
    matrix = np.zeros((len(spans), _WAVES, _WHOLE_PX), np.float32)
    for window, (start, end) in zip(matrix, spans, strict=True):
        window[:, start:end] = _cosines() @ _averaging(end - start)
    return matrix.reshape(-1, _WHOLE_PX)


def _lowest_waves(thumb: NDArray[np.uint8], cuts_px: Sequence[int]) -> Floats:
    """The lowest frequencies of each window, shape (windows, 256)."""
    whole = cv2.resize(thumb, (_WHOLE_PX, _WHOLE_PX), interpolation=cv2.INTER_AREA).astype(np.float32)
    matrix, spans = _windows_to_waves(cuts_px), len(cuts_px) ** 2
    waves = (matrix @ whole @ matrix.T).reshape(spans, _WAVES, spans, _WAVES)
    return np.asarray(waves[:, _ROWS, :, _COLUMNS].reshape(BITS, -1).T, np.float32)


def _packed(waves: Floats) -> Codes:
    return np.packbits(waves > 0, axis=1)


class PhotoIndex:
    """Photos by number. What it answers depends on what was added, in which order, and on nothing else."""

    def __init__(self) -> None:
        """Empty."""
        self._codes: faiss.IndexBinary = faiss.IndexBinaryIDMap(faiss.IndexBinaryFlat(BITS))
        self._numbers = np.zeros(0, np.int64)
        self._added: list[NDArray[np.int64]] = []  # numbers that are not among these yet

    def __len__(self) -> int:
        """How many photos."""
        return len(self._all_numbers())

    @classmethod
    def load(cls, folder: Path) -> PhotoIndex:
        """The index that was saved there; an empty one where there is none, or one of other codes."""
        index = cls()
        codes, numbers = folder / "codes.faiss", folder / "numbers.npy"
        if codes.exists() and numbers.exists():
            kept = faiss.read_index_binary(str(codes))
            if kept.d == BITS:
                index._codes, index._numbers = kept, np.load(numbers)
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
            codes: shape (n, 6, 32), as `codes_of` gives them.
        """
        if not len(numbers):
            return
        self._added.append(numbers)
        rows = np.ascontiguousarray(codes.reshape(-1, BITS // 8))
        self._codes.add_with_ids(rows, np.repeat(numbers, codes.shape[1]))
        if isinstance(self._codes, faiss.IndexBinaryIDMap) and self._codes.ntotal >= _FEW:
            self._codes = _by_agreeing_bits(self._codes)

    def _all_numbers(self) -> NDArray[np.int64]:
        """Numbers of all photos, in order; put in order once for many that were added."""
        if self._added:
            self._numbers, self._added = np.unique(np.concatenate([self._numbers, *self._added])), []
        return self._numbers

    def nearest(self, asked: Codes) -> list[list[int]]:
        """The photos that may be the same pictures.

        Args:
            asked: shape (n, 512, 32), as `codes_asked_of` gives them.

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


def _by_agreeing_bits(flat: faiss.IndexBinaryIDMap) -> faiss.IndexBinaryHash:
    """The same codes by their first bits."""
    inner: Any = faiss.downcast_IndexBinary(flat.index)
    index = faiss.IndexBinaryHash(BITS, _AGREEING_BITS)
    index.nflip = _UNLIKE
    index.add_with_ids(faiss.vector_to_array(inner.xb).reshape(-1, BITS // 8), faiss.vector_to_array(flat.id_map))
    return index
