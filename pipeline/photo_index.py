"""An index of photos that finds the few which may be the same picture among millions, before they are compared.

Of each photo sixteen windows are kept: the whole, and what is left when a tenth is cut off any of its sides. Each makes
a code of 128 bits, the signs of its lowest frequencies about their median (perceptual hash by DCT: Zauner,
Implementation and Benchmarking of Perceptual Image Hash Functions, 2010). A photo that was cut down then resembles some
window of what it was cut from; the windows of the photo asked for, as it is and mirrored, do the rest. The index itself
is Faiss: every code is looked at while they are few, the nearest of 4096 lists once they are many.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import faiss
import numpy as np
from numpy.typing import NDArray

BITS = 128
MAX_DISTANCE = 40  # of 128 bits; of cut, mirrored and re-encoded copies in the tests 19 in 20 lie nearer
CANDIDATES = 4
_WHOLE_PX, _CUT_PX = 80, 8
_SPANS = [(start, end) for start in (0, _CUT_PX) for end in (_WHOLE_PX, _WHOLE_PX - _CUT_PX)]
_SIDE_PX = 32
_NEAREST = 20  # codes looked at for each code asked for
_FEW = 500_000  # codes; below, every one is looked at
_LISTS, _LISTS_ASKED, _TRAINING = 4096, 16, 200_000

Codes = NDArray[np.uint8]


def _lowest_frequencies() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the 128 lowest frequencies of a square DCT, without the mean."""
    rows, columns = np.mgrid[:16, :16]
    order = np.lexsort((columns.ravel(), (rows**2 + columns**2).ravel()))[1 : BITS + 1]
    return rows.ravel()[order], columns.ravel()[order]


def _cosines() -> NDArray[np.float32]:
    """The first 16 rows of the DCT-II of `_SIDE_PX` values, each of one length."""
    wave, place = np.mgrid[:16, :_SIDE_PX]
    return np.asarray(np.cos(np.pi * wave * (2 * place + 1) / (2 * _SIDE_PX)) * np.where(wave, 1, 0.5**0.5), np.float32)


_FREQUENCIES = _lowest_frequencies()
_DCT = _cosines()


def codes_of(thumb: NDArray[np.uint8]) -> Codes:
    """The codes of a photo's windows.

    Args:
        thumb: grey, uint8, shape (height, width), at least 8 px a side.

    Returns:
        Shape (16, 16) uint8: a row a window, the whole first.
    """
    whole = cv2.resize(thumb, (_WHOLE_PX, _WHOLE_PX), interpolation=cv2.INTER_AREA)
    windows = [
        cv2.resize(whole[top:bottom, left:right], (_SIDE_PX, _SIDE_PX), interpolation=cv2.INTER_AREA)
        for (top, bottom), (left, right) in itertools.product(_SPANS, repeat=2)
    ]
    waves = (_DCT @ np.stack(windows).astype(np.float32) @ _DCT.T)[:, *_FREQUENCIES]
    return np.packbits(waves > np.median(waves, axis=1, keepdims=True), axis=1)


class PhotoIndex:
    """Photos by number. What it answers depends on what was added, in which order, and on nothing else."""

    def __init__(self) -> None:
        """Empty."""
        self._codes: faiss.IndexBinary = faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(BITS))
        self._numbers = np.zeros(0, np.int64)

    def __len__(self) -> int:
        """How many photos."""
        return len(self._numbers)

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
            np.save(drafts[1], self._numbers)
            # The codes first: a photo that is there and not known to be is added once more, which does no harm.
            drafts[0].replace(folder / "codes.faiss")
            drafts[1].replace(folder / "numbers.npy")
        finally:
            for draft in drafts:
                draft.unlink(missing_ok=True)

    def lacking(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Which of these photos are not in it, in order."""
        return np.setdiff1d(numbers, self._numbers)

    def add(self, numbers: NDArray[np.int64], codes: Codes) -> None:
        """Add photos.

        Args:
            numbers: shape (n,), from 0 up.
            codes: shape (n, 16, 16), as `codes_of` gives them.
        """
        if not len(numbers):
            return
        self._numbers = np.union1d(self._numbers, numbers)
        rows = np.ascontiguousarray(codes.reshape(-1, BITS // 8))
        self._codes.add_with_ids(rows, np.repeat(numbers, codes.shape[1]))
        if isinstance(self._codes, faiss.IndexBinaryIDMap2) and self._codes.ntotal >= _FEW:
            self._codes = _in_lists(self._codes)

    def nearest(self, plain: Codes, mirrored: Codes) -> list[list[int]]:
        """The photos that may be the same pictures.

        Args:
            plain: codes of the photos asked for, shape (n, 16, 16).
            mirrored: codes of the same photos mirrored, likewise.

        Returns:
            For each photo the numbers of those nearest to it, nearest first; itself, if it was added, among them.
        """
        if not len(plain):
            return []
        asked = np.concatenate([plain, mirrored], axis=1)
        distances, numbers = self._codes.search(np.ascontiguousarray(asked.reshape(-1, BITS // 8)), _NEAREST)
        shape = (len(plain), -1)
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


def mirror(thumb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A grey copy seen in a mirror."""
    return np.ascontiguousarray(thumb[:, ::-1])


def stacked(codes: Sequence[Codes]) -> Codes:
    """Codes of several photos, shape (n, 16, 16); n may be 0."""
    return np.stack(codes) if codes else np.zeros((0, 16, BITS // 8), np.uint8)
