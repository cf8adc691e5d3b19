"""Fits the memory of genuine parts: `python -m pipeline.train.fit_genuine FOLDER [FOLDER ...] --models models`.

Looks at the genuine pairs of labelled folders as a scan does and keeps local features of their parts, a coreset a part;
the parts of other genuine pairs tell how far a genuine part usually is from it. Writes `genuine.npz` and its card.
To be fitted anew for every part network.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS, cut_out, square_for
from pipeline.classify.genuine_memory import (
    CARD,
    FEATURES,
    Floats,
    PartMemory,
    mapped,
    nearest_distances,
    save_arrays,
    spot_score,
)
from pipeline.classify.part_reader import refined_box, shows_clearly
from pipeline.classify.unlike_genuine import compared
from pipeline.cues import CUES
from pipeline.detect import load_detector
from pipeline.detect.detector import Detector
from pipeline.domain import FoundPart, Listing, PartName, Photo
from pipeline.evaluate.labelled import LabelledFolder, LabelledPart, PairTruth, photo_key, read_labelled
from pipeline.intake import read_photo
from pipeline.model_files import GenuineCard, Network, PartsCard, read_card, sha256_of
from pipeline.one_processor import use_one_processor
from pipeline.train.coreset import greedy_centres
from pipeline.train.export import save_card

MEMORY_SHARE = 0.55  # of the pairs, always the same ones; the others tell how far genuine parts usually are
CHANNELS = 64  # that features are mapped to: distances change by some per cent, and cost a seventh
COUNT = 1500  # features kept of a part
_AT_MOST = 30_000  # features of a part that the coreset is picked from
_FEWEST = 20  # held-out parts below which nothing can be said of a part
SPOT, HOT_SHARE, UNLIKE_SHAPE = 5, 0.01, 0.4
_AS_GENUINE = {("zip_mark", "approved")}
_LEAST_IOU = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class GenuinePart:
    """A genuine part that shows clearly: the features of its cells that are compared, half precision (n, channels)."""

    part: PartName
    listing_id: str
    features: NDArray[np.float16]

    @property
    def is_remembered(self) -> bool:
        """Whether it goes into the memory, by its listing; else it is held out."""
        return hashlib.sha256(self.listing_id.encode()).digest()[0] / 256 < MEMORY_SHARE


# ---------------------------------------------------------------- looking


@dataclass(frozen=True, slots=True)
class _Job:
    folder: Path
    listing: Listing
    parts: tuple[LabelledPart, ...]
    truth: PairTruth


def genuine_jobs(folder: Path, labelled: LabelledFolder) -> list[_Job]:
    """The genuine pairs of a labelled folder, each with the labels of its photos."""
    by_photo: dict[str, list[LabelledPart]] = {}
    for part in labelled.parts:
        by_photo.setdefault(photo_key(part.photo), []).append(part)
    return [
        _Job(
            folder,
            listing,
            tuple(part for path in listing.photos for part in by_photo.get(photo_key(path), ())),
            labelled.truth[listing.listing_id],
        )
        for listing in labelled.listings
        if listing.listing_id in labelled.truth and not labelled.truth[listing.listing_id].counterfeit
    ]


def is_as_genuine(part: PartName, truth: PairTruth) -> bool:
    """Whether nothing departs on such a part, not even what is innocent."""
    return all(
        state == CUES[cue].genuine_state or (cue, state) in _AS_GENUINE
        for cue, state in truth.cues.items()
        if part in CUES[cue].parts
    )


class _Looker:
    """Finds parts and takes their features as a scan does."""

    def __init__(self, models_dir: Path) -> None:
        self.detector: Detector = load_detector(models_dir)
        self.card = read_card(models_dir, "parts", PartsCard)
        sides = {spec.side_px for spec in CROPS.values()}
        self.networks = {side: Network(models_dir, self.card.network, side, 1) for side in sides}

    def parts_of(self, job: _Job) -> Iterator[GenuinePart]:
        """The clear parts of one pair that are as genuine."""
        for path in job.listing.photos:
            photo = read_photo(job.folder, path)
            labelled = [part for part in job.parts if photo_key(part.photo) == photo_key(path)]
            for found in self.detector.find(photo) if isinstance(photo, Photo) else ():
                is_there = any(p.part is found.part and p.box.iou(found.box) >= _LEAST_IOU for p in labelled)
                if isinstance(photo, Photo) and is_there and is_as_genuine(found.part, job.truth):
                    yield from self._features(photo, found, job.listing.listing_id)

    def _features(self, photo: Photo, found: FoundPart, listing_id: str) -> Iterator[GenuinePart]:
        square, side_px = square_for(found.part, found.box).snapped(), CROPS[found.part].side_px
        out = self.networks[side_px](cut_out(photo.pixels, square, side_px))
        if FEATURES not in out:
            raise ValueError("the part network gives no features: export it anew")
        if not shows_clearly(found.part, out, self.card):
            return
        box = refined_box(found.box, out["box"], square, photo.size_wh, self.card.box_weight[found.part])
        where = compared(found.part, out[FEATURES].shape[1], square, box, photo.size_wh)
        if where.any():
            yield GenuinePart(found.part, listing_id, out[FEATURES].transpose(1, 2, 0)[where].astype(np.float16))


_worker: dict[str, Any] = {}


def _start(models_dir: Path) -> None:
    use_one_processor()
    _worker["looker"] = _Looker(models_dir)


def _look(job: _Job) -> list[GenuinePart]:
    looker: _Looker = _worker["looker"]
    return list(looker.parts_of(job))


def genuine_parts(folders: Sequence[Path], models_dir: Path, workers: int) -> list[GenuinePart]:
    """The clear genuine parts of labelled folders.

    Raises:
        ValueError: if a folder is not a labelled folder, or the part network gives no features.
    """
    jobs = [job for folder in folders for job in genuine_jobs(folder, read_labelled(folder))]
    with multiprocessing.get_context("spawn").Pool(workers, _start, (models_dir,)) as pool:
        parts: list[GenuinePart] = []
        for done, found in enumerate(pool.imap(_look, jobs), 1):
            parts += found
            if done % 20 == 0:
                print(f"{done} of {len(jobs)} genuine pairs looked at, {len(parts)} clear parts", flush=True)
    return parts


# ---------------------------------------------------------------- fitting


def fit_mapping(features: Floats, channels: int = CHANNELS, seed: int = 0) -> Floats:
    """Brings all channels to one spread, then turns and cuts the space at random (Johnson & Lindenstrauss 1984).

    Args:
        features: shape (n, channels before).
        channels: after; distances are kept on average up to one common factor.
        seed: of the random turn.

    Returns:
        Shape (channels before, channels).
    """
    spread = features.std(axis=0) + 1e-3
    size = features.shape[1]
    turn, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(size, size)))
    return np.asarray(turn[:, : min(channels, size)] / spread[:, None], np.float32)


def fit_part(parts: Sequence[GenuinePart], mapping: Floats, spot: int = SPOT, count: int = COUNT) -> PartMemory | None:
    """A part's memory; None where there are too few genuine ones, remembered or held out."""
    remembered = [part.features for part in parts if part.is_remembered]
    held_out = [part.features for part in parts if not part.is_remembered]
    if min(len(remembered), len(held_out)) < _FEWEST:
        return None
    points = mapped(np.concatenate(remembered).astype(np.float32), mapping)
    if len(points) > _AT_MOST:
        points = points[np.random.default_rng(0).choice(len(points), _AT_MOST, replace=False)]
    # As a scan reads it back, so that held-out parts meet the very same memory.
    kept = points[greedy_centres(points, count)].astype(np.float16).astype(np.float32)
    scores = [spot_score(nearest_distances(mapped(one.astype(np.float32), mapping), kept), spot) for one in held_out]
    return PartMemory(kept, np.sort(np.array(scores, np.float32)))


def fit_genuine(
    parts: Sequence[GenuinePart], models_dir: Path, command: str, unlike_shape: float = UNLIKE_SHAPE
) -> Mapping[PartName, PartMemory]:
    """Fit the memory of every part and write it with its card into the models' folder.

    Raises:
        ValueError: if there is no part to remember.
    """
    if not any(part.is_remembered for part in parts):
        raise ValueError("no clear genuine part to remember in these folders")
    rows = [part.features[:: max(1, len(part.features) // 20)] for part in parts if part.is_remembered]
    mapping = fit_mapping(np.concatenate(rows).astype(np.float32))
    fitted = {name: fit_part([part for part in parts if part.part is name], mapping) for name in PartName}
    memory = {name: one for name, one in fitted.items() if one is not None}
    path = models_dir / f"{CARD}.npz"
    save_arrays(path, mapping, memory)
    network = read_card(models_dir, "parts", PartsCard)
    card = {
        "version": 1,
        "memory": path.name,
        "sha256": {path.name: sha256_of(path)},
        "parts_sha256": network.sha256[network.network.replace(".xml", ".bin")],
        "spot": SPOT,
        "unlike_shape": unlike_shape,
        "hot_share": HOT_SHARE,
        "about": {
            "use": "says how unlike the genuine parts seen so far a part is, so that a fault nobody listed is noticed",
            "not_for": "saying that a pair is or is not genuine: wear, repairs and odd light are unlike them too",
            "command": command,
            "remembered": _counts(parts, memory, True),
            "held_out": _counts(parts, memory, False),
        },
    }
    save_card(models_dir / f"{CARD}.yaml", GenuineCard.model_validate(card).model_dump(mode="json"))
    return memory


def _counts(parts: Sequence[GenuinePart], memory: Mapping[PartName, PartMemory], is_remembered: bool) -> dict[str, int]:
    return {
        name.value: sum(part.part is name and part.is_remembered == is_remembered for part in parts) for name in memory
    }


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--models", type=Path, default=Path("models"))
    parser.add_argument("--unlike-shape", type=float, default=UNLIKE_SHAPE, metavar="A")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    parts = genuine_parts(args.folders, args.models, args.workers)
    seeds = ", ".join(folder.name for folder in args.folders)
    memory = fit_genuine(parts, args.models, f"python -m pipeline.train.fit_genuine {seeds}", args.unlike_shape)
    for name, one in memory.items():
        print(f"{name.value}: {len(one.features)} features, {len(one.genuine)} held-out parts")


if __name__ == "__main__":
    main()
