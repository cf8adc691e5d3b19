"""The index of earlier photos as it fills: `python -m tests.scan.many_photos --sizes 0 200000 900000 10000000`.

Looked for are copies (cut on up to four sides by up to 15%, resized, JPEG again, half of them mirrored) of the
path-traced photos in `tests/traced` and of pieces of real photos. The others' codes are made in bulk: those of random
windows of the same pictures, two laid over each other bit by bit (one has three quarters of the bits), then one bit in
eight flipped; so they resemble what is looked for more than strangers' photos would. Prints a line of JSON a size: the
share of copies that are among the first candidates, milliseconds a query, memory.

`--false` counts, in place of that, false matches: the windows themselves are the index, and each copy is compared with
those of the nearest that are of other listings' photos and other pictures. `--pairs FOLDER ...` compares all pairs of
photos of different listings of labelled folders, and real pieces of different photos.
"""

from __future__ import annotations

import argparse
import itertools
import json
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import faiss
import numpy as np
import psutil
from numpy.typing import NDArray

from pipeline import photo_index
from pipeline.intake import read_listings
from pipeline.photo_index import Codes, PhotoIndex, codes_asked_of, codes_of
from pipeline.photo_reuse import Fingerprint, compare
from tests.test_photo_reuse import SCENES, TEXTURES, as_reused, load, ninths, printed

_TRACED = Path(__file__).resolve().parents[1] / "traced"
_REAL = (*SCENES, *TEXTURES, "china.jpg", "flower.jpg", "motorcycle_left.png")
_AT_ONCE = 100_000
_LOOKED_UP_TO = (5, 9, 17)

Pixels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A photo of a listing, or a real photo; `group` names the listing or the photo.

    `may_be_reused`: of a listing of which the truth says that it shows a photo of another one.
    """

    kind: str
    group: str
    pixels: Pixels
    may_be_reused: bool = False

    def is_unlike(self, other: Picture) -> bool:
        """Whether neither can be the other's photo."""
        return self.group != other.group and not (self.may_be_reused or other.may_be_reused)


def traced() -> list[Picture]:
    """The path-traced photos."""
    return [one for name in ("departed", "natural") for one in labelled(_TRACED / name, "traced")]


def labelled(folder: Path, kind: str) -> list[Picture]:
    """The photos of a folder's listings."""
    listings, _ = read_listings(folder / "listings.jsonl")
    truths = map(json.loads, (folder / "truth.jsonl").read_text().splitlines())
    reused = {one["listing_id"] for one in truths if one["cues"].get("photo_reuse") == "other_seller"}
    return [
        Picture(
            kind,
            f"{folder.name} {one.listing_id}",
            cv2.cvtColor(cv2.imread(str(folder / path)), cv2.COLOR_BGR2RGB),
            one.listing_id in reused,
        )
        for one in listings
        for path in one.photos
    ]


def real_pieces() -> list[Picture]:
    """Pieces of the photos that scikit-image and scikit-learn ship."""
    return [Picture("real", name, np.ascontiguousarray(cell)) for name in _REAL for cell in ninths(load(name))]


def windows(pictures: Sequence[Picture], many: int, rng: np.random.Generator) -> Iterator[Picture]:
    """Random windows of pictures, half of them mirrored."""
    for _ in range(many):
        one = pictures[rng.integers(len(pictures))]
        height, width = one.pixels.shape[:2]
        tall, wide = (
            int(side * share) for side, share in zip((height, width), rng.uniform(0.35, 0.95, 2), strict=True)
        )
        top, left = rng.integers(height - tall), rng.integers(width - wide)
        cut = one.pixels[top : top + tall, left : left + wide]
        yield replace(one, pixels=np.ascontiguousarray(cut[:, ::-1] if rng.random() < 0.5 else cut))


def small(pixels: Pixels) -> Pixels:
    """A grey copy, as large as a fingerprint's and without its corners."""
    step = max(1, max(pixels.shape) // 512)
    grey = cv2.cvtColor(np.ascontiguousarray(pixels[::step, ::step]), cv2.COLOR_RGB2GRAY)
    scale = 128 / max(grey.shape)
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)


def others(codes: Codes, many: int, rng: np.random.Generator) -> Codes:
    """Codes of photos that are not there, shaped as those of any."""
    words = codes.reshape(len(codes), -1).view(np.uint64)
    one, other = words[rng.integers(len(words), size=many)], words[rng.integers(len(words), size=many)]
    masks = _random(rng, (many, codes.shape[2] // 8)) | _random(rng, (many, codes.shape[2] // 8))
    taken = np.tile(masks, (1, codes.shape[1]))  # the same bits of every window
    flipped = _random(rng, one.shape) & _random(rng, one.shape) & _random(rng, one.shape)
    return (((one & taken) | (other & ~taken)) ^ flipped).view(np.uint8).reshape(many, *codes.shape[1:])


def _random(rng: np.random.Generator, shape: tuple[int, ...]) -> NDArray[np.uint64]:
    return np.frombuffer(rng.bytes(8 * int(np.prod(shape))), np.uint64).reshape(shape)


def fill(sizes: Sequence[int], steps: Sequence[tuple[int, ...]], asked_unlike: Sequence[int]) -> None:
    """Print what is found at each size."""
    rng = np.random.default_rng(8)
    pictures = [*traced(), *real_pieces()]
    copies = [as_reused(one.pixels, rng, mirrored=bool(rng.random() < 0.5)) for one in pictures]
    thumbs = [printed(pixels).thumb for pixels in copies]
    base = np.array([codes_of(small(one.pixels)) for one in windows(pictures, 20_000, rng)])
    index = PhotoIndex()
    index.add(np.arange(len(pictures)), np.array([codes_of(printed(one.pixels).thumb) for one in pictures]))
    kinds = np.array([one.kind for one in pictures])
    del pictures, copies
    put = 0
    for size in sizes:
        start = time.perf_counter(), time.process_time()
        while put < size:
            many = min(_AT_ONCE, size - put)
            index.add(np.arange(1_000_000 + put, 1_000_000 + put + many), others(base, many, rng))
            put += many
        filled = {"fill_s": round(time.perf_counter() - start[0]), "fill_cpu_s": round(time.process_time() - start[1])}
        for cuts, unlike in itertools.product(steps, asked_unlike):
            if isinstance(index._codes, faiss.IndexBinaryHash):
                index._codes.nflip = unlike
            photo_index._CUTS_ASKED_PX = cuts
            asked = np.array([codes_asked_of(thumb) for thumb in thumbs])
            photo_index.CANDIDATES = max(_LOOKED_UP_TO) - 1
            start = time.perf_counter(), time.process_time()
            nearest = [found for some in np.array_split(asked, 15) for found in index.nearest(some)]
            took = [
                (now - then) / len(asked)
                for now, then in zip((time.perf_counter(), time.process_time()), start, strict=True)
            ]
            place = np.array([found.index(n) if n in found else 999 for n, found in enumerate(nearest)])
            recall = {
                kind: {k: round(float((place[kinds == kind] < k).mean()), 4) for k in _LOOKED_UP_TO}
                for kind in np.unique(kinds)
            }
            print(json.dumps({
                "photos": len(kinds) + put, "steps": cuts, "unlike": unlike, "recall": recall, **filled,
                "query_ms": round(1000 * took[0], 1), "query_cpu_ms": round(1000 * took[1], 1),
                "memory_gb": round(psutil.Process().memory_info().rss / 1e9, 2),
            }), flush=True)  # fmt: skip


def false_matches(many: int, nearest: int) -> None:
    """Print how many of the nearest windows of other pictures are told as the same photo."""
    rng = np.random.default_rng(8)
    pictures = [*traced(), *real_pieces()]
    base = [(one, printed(one.pixels)) for one in windows(pictures, many, rng)]
    index = PhotoIndex()
    index.add(np.arange(len(base)), np.array([codes_of(print_.thumb) for _, print_ in base]))
    photo_index.CANDIDATES, photo_index._NEAREST = nearest - 1, 4 * nearest
    compared, told = dict.fromkeys(("traced", "real"), 0), list[tuple[str, str]]()
    for one in pictures:
        copy = printed(as_reused(one.pixels, rng, mirrored=bool(rng.random() < 0.5)))
        (found,) = index.nearest(codes_asked_of(copy.thumb)[None])
        for number in found:
            other, print_ = base[number]
            if one.is_unlike(other):
                compared[one.kind] += 1
                if compare(copy, print_) is not None:
                    told.append((one.group, other.group))
    print(json.dumps({"windows": many, "compared": compared, "false": told}), flush=True)


def pairs(folders: Sequence[Path], most: int) -> None:
    """Print how many pairs of photos that are not the same, of `most` drawn by chance, are told as the same."""
    pictures = [*traced(), *real_pieces(), *(one for folder in folders for one in labelled(folder, folder.name))]
    prints: list[tuple[Picture, Fingerprint]] = [(one, printed(one.pixels)) for one in pictures]
    unlike = [(one, other) for one, other in itertools.combinations(prints, 2) if one[0].is_unlike(other[0])]
    drawn = np.random.default_rng(8).permutation(len(unlike))[:most]
    told = [
        (one.group, other.group)
        for (one, print_), (other, other_print) in (unlike[place] for place in drawn)
        if compare(print_, other_print) is not None
    ]
    print(json.dumps({"photos": len(prints), "pairs": len(drawn), "false": told}), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[])
    parser.add_argument("--steps", type=int, nargs="+", action="append")
    parser.add_argument("--unlike", type=int, nargs="+", default=[photo_index._UNLIKE], metavar="BITS")
    parser.add_argument("--agreeing", type=int, default=photo_index._AGREEING_BITS, metavar="BITS")
    parser.add_argument("--false", type=int, metavar="WINDOWS")
    parser.add_argument("--pairs", type=Path, nargs="*")
    parser.add_argument("--most", type=int, default=1_000_000, metavar="PAIRS")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    photo_index._AGREEING_BITS = asked.agreeing
    if asked.sizes:
        fill(asked.sizes, [tuple(s) for s in asked.steps or [photo_index._CUTS_ASKED_PX]], asked.unlike)
    if asked.false:
        false_matches(asked.false, 17)
    if asked.pairs is not None:
        pairs(asked.pairs, asked.most)
