"""What training and test must not share: listings, sellers, and photos, however cropped, mirrored or re-encoded."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence

from pipeline.domain import Photo
from pipeline.improve.dataset import Dataset, LabelledListing, Side
from pipeline.improve.findings import Finding, Worry
from pipeline.intake import read_photo
from pipeline.photo_reuse import Fingerprint, find_reuse, fingerprint

OnProgress = Callable[[int, int], None]
Sides = Mapping[Side, Sequence[LabelledListing]]
_SHOWN = 6


def find_leaks(train: Dataset, test: Dataset, on_progress: OnProgress) -> list[Finding]:
    """Whatever stands on more than one side: fit, check and test.

    Args:
        train: what is trained on; its own check side must not know its fit side either.
        test: what is tested on; may be empty.
        on_progress: called with (photos looked at, photos in all).
    """
    sides = {side: train.of_side(side).listings for side in (Side.FIT, Side.CHECK)} | {Side.TEST: test.listings}
    return [*_same_listings(sides), *_same_sellers(sides), *_same_photos(sides, on_progress)]


def _same_listings(sides: Sides) -> list[Finding]:
    names = {side: {one.listing.listing_id for one in listings} for side, listings in sides.items()}
    return [
        Finding(Worry.LEAK, f"{len(both)} listings stand in {one} and in {other}: {_some(both)}.", tuple(both))
        for one, other in itertools.combinations(names, 2)
        if (both := sorted(names[one] & names[other]))
    ]


def _same_sellers(sides: Sides) -> list[Finding]:
    sellers: dict[Side, dict[str, str]] = {
        side: {one.listing.seller_id: one.listing.listing_id for one in listings} for side, listings in sides.items()
    }
    return [
        Finding(
            Worry.LEAK,
            f"{len(both)} sellers stand in {one} and in {other}, so the test may know their way of taking photos: "
            f"{_some(both)}.",
            tuple(sellers[other][seller] for seller in both),
        )
        for one, other in itertools.combinations(sellers, 2)
        if (both := sorted(set(sellers[one]) & set(sellers[other])))
    ]


def _same_photos(sides: Sides, on_progress: OnProgress) -> list[Finding]:
    """Photos of one side that are known again on another; the search for reused photos compares across sides."""
    entries: list[tuple[str, str, str, Fingerprint]] = []
    unread: list[Finding] = []
    jobs = [(side, one, path) for side, listings in sides.items() for one in listings for path in one.photos]
    for done, (side, one, path) in enumerate(jobs, 1):
        photo = read_photo(one.folder, path)
        if isinstance(photo, Photo):
            entries.append((f"{side} {one.listing.listing_id}", side.value, path, fingerprint(photo)))
        else:
            name = one.listing.listing_id
            unread.append(Finding(Worry.UNREADABLE, f"{name}, {path}: {photo.reason}.", (name,)))
        on_progress(done, len(jobs))
    pairs: dict[tuple[str, str], str] = {}
    for name, matches in find_reuse(entries).items():
        for match in matches:
            mine, theirs = sorted((name, match.other_listing_id))
            pairs.setdefault((mine, theirs), match.photo)
    return [
        *(
            Finding(Worry.LEAK, f"{one} and {other} show the same photo ({photo}).", (_listing(one), _listing(other)))
            for (one, other), photo in sorted(pairs.items())
        ),
        *unread,
    ]


def _listing(name: str) -> str:
    return name.split(" ", 1)[1]


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"


def photos_twice(data: Dataset) -> list[tuple[LabelledListing, LabelledListing, str]]:
    """Pairs of listings that hold a photo file of the same bytes, with its hash."""
    holders: dict[str, list[LabelledListing]] = defaultdict(list)
    for one in data.listings:
        for sha in set(one.photos.values()) - {""}:
            holders[sha].append(one)
    return [
        (one, other, sha) for sha, listings in holders.items() for one, other in itertools.combinations(listings, 2)
    ]
