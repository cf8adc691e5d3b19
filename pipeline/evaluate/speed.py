"""How fast a scan goes: `python -m pipeline.evaluate.speed FOLDER [--models DIR ...] [--workers N ...]`.

Whole scans first, photos in, queue and contact sheet out, each in a process of its own as a user starts it; variants
take turns, so that whatever else the machine does meets all of them. Then the stages of one photo on one processor, and
what is spent once: to make the networks ready, by each worker, and to compare all photos with each other at the end.
Wall time tells what a user waits; processor time stays the same when others use the machine.
"""

from __future__ import annotations

import argparse
import itertools
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pipeline.classify.part_reader import load_part_reader
from pipeline.detect import load_detector
from pipeline.domain import Listing, Photo
from pipeline.intake import read_listings, read_photo
from pipeline.one_processor import use_one_processor
from pipeline.photo_reuse import ReuseEntry, find_reuse, fingerprint

_READY, _COMPARE = "ready", "compare"
_SHEET = "20"  # listings on the contact sheet
_NOTHING_DONE = 2
_STAGE_LISTINGS = 20
_WARM_UP = 12  # photos before the clock starts: with the first of a size its network is made ready
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class Took:
    """Seconds that something took: on the clock, and of all processors together."""

    wall_s: float
    processor_s: float


def whole_scan(listings: Path, models_dir: Path, workers: int) -> Took:
    """Scan as a user does, process start included.

    Raises:
        RuntimeError: if nothing could be scanned.
    """
    with tempfile.TemporaryDirectory() as out:
        words = ["scan", str(listings), "--out", out, "--models", str(models_dir), "--workers", str(workers)]
        start, before = time.perf_counter(), _children_s()
        run = subprocess.run(
            [sys.executable, "-m", "pipeline", *words, "--contact-sheet", _SHEET],
            capture_output=True,
            text=True,
            check=False,
        )
        took = Took(time.perf_counter() - start, _children_s() - before)
    if run.returncode >= _NOTHING_DONE or run.returncode < 0:
        raise RuntimeError(f"the scan failed: {run.stderr.strip()}")
    return took


def in_turn(variants: Sequence[Answer], repeats: int, measure: Callable[[Answer], Took]) -> dict[Answer, Took]:
    """The least time of each variant, clock and processors each by itself, over rounds in which each has its turn."""
    taken: dict[Answer, list[Took]] = {variant: [] for variant in variants}
    for _, variant in itertools.product(range(repeats), variants):
        taken[variant].append(measure(variant))
    return {
        variant: Took(min(took.wall_s for took in all_), min(took.processor_s for took in all_))
        for variant, all_ in taken.items()
    }


@dataclass(frozen=True, slots=True)
class Stages:
    """Processor time: of each stage, ms a photo; to make the networks ready, and to compare photos, each s in all."""

    each_ms: Mapping[str, float]
    ready_s: float
    compare_s: float


def stages(folder: Path, listings: Sequence[Listing], models_dir: Path) -> Stages:
    """Look at one photo after the other on one processor.

    Args:
        folder: what photo paths start from.
        listings: whose photos; the first few photos only warm up.
        models_dir: the networks.
    """
    spent, entries = Counter[str](), list[ReuseEntry]()
    with _timed(spent, _READY):
        detector, reader = load_detector(models_dir), load_part_reader(models_dir)
    places = [(listing, path) for listing in listings for path in listing.photos]
    for place, (listing, path) in enumerate(places):
        if place == _WARM_UP:
            spent = Counter({_READY: spent.total()})
        with _timed(spent, "read the file"):
            photo = read_photo(folder, path)
        if not isinstance(photo, Photo):
            continue
        with _timed(spent, "find parts"):
            found = detector.find(photo)
        with _timed(spent, "judge parts"):
            for part in found:
                reader.read(photo, part)
        with _timed(spent, "fingerprint"):
            entries.append(ReuseEntry(listing.listing_id, listing.seller_id, path, fingerprint(photo)))
    with _timed(spent, _COMPARE):
        find_reuse(entries)
    ready_ns, compare_ns = spent.pop(_READY), spent.pop(_COMPARE)
    each_ms = {stage: ns / 1e6 / max(1, len(places) - _WARM_UP) for stage, ns in spent.items()}
    beyond_photos_ms = ready_ns / 1e6 - _WARM_UP * sum(each_ms.values())  # what the first photos took longer
    return Stages(each_ms, beyond_photos_ms / 1e3, compare_ns / 1e9)


@contextmanager
def _timed(spent: Counter[str], stage: str) -> Iterator[None]:
    """Add what is done inside to the stage's processor time, in nanoseconds."""
    start = time.process_time_ns()
    yield
    spent[stage] += time.process_time_ns() - start


def _children_s() -> float:
    """Processor time of all processes that this one started and that have ended, and of theirs."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="holds listings.jsonl and its photos")
    parser.add_argument("--models", type=Path, nargs="+", default=[Path("models")], metavar="DIR")
    parser.add_argument("--workers", type=int, nargs="+", default=[2], metavar="N")
    parser.add_argument("--repeats", type=int, default=2, metavar="N")
    args = parser.parse_args()
    use_one_processor()
    listings = args.folder / "listings.jsonl"
    rows = read_listings(listings)[0]
    photos = sum(len(row.photos) for row in rows)
    variants = list(itertools.product(args.models, args.workers))
    print(f"{photos} photos, best of {args.repeats}")
    for (models_dir, workers), took in in_turn(
        variants, args.repeats, lambda variant: whole_scan(listings, *variant)
    ).items():
        speed, each_ms = photos / took.wall_s, 1000 * took.processor_s / photos
        print(f"{models_dir}, {workers} workers: {speed:.1f} photos/s, {each_ms:.1f} ms of processor time a photo")
    for models_dir in args.models:
        of_one = stages(args.folder, rows[:_STAGE_LISTINGS], models_dir)
        each = ", ".join(f"{stage} {spent:.1f} ms" for stage, spent in of_one.each_ms.items())
        print(f"{models_dir}: {each}; networks ready {of_one.ready_s:.1f} s, photos compared {of_one.compare_s:.1f} s")


if __name__ == "__main__":
    main()
