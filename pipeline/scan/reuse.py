"""A night's photos that stand under another seller, tonight or on an earlier night."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.domain import Listing, ReuseMatch
from pipeline.one_processor import use_one_processor
from pipeline.photo_index import CANDIDATES, PhotoIndex, codes_asked_of, codes_of
from pipeline.photo_reuse import Fingerprint, Sameness, compare, reuse_reading
from pipeline.records.looks import (
    KnownPhoto,
    Shown,
    photo_numbers,
    read_fingerprints,
    read_photos,
    read_showings,
    some_sellers,
)
from pipeline.records.patience import PatientStore
from pipeline.scan.moments import came_first, moment_of
from pipeline.scan.spool import Reuse, Spooled

_LISTINGS_AT_ONCE = 32
_PHOTOS_AT_ONCE = 400
_HELD = 1000  # fingerprints in memory, 25 kB each


def search_for_reuse(
    entries: Iterable[Spooled], records: PatientStore, index_dir: Path, threads: int
) -> Iterator[Spooled]:
    """The listings of a night with what the search for reused photos says of each that has a photo to compare.

    Args:
        entries: the night, its photos looked at.
        records: where fingerprints and showings are.
        index_dir: the folder of the index, which is made or brought up to date.
        threads: that compare photos; what they find does not depend on how many they are.

    Raises:
        OSError: if the index can't be written.
    """
    index = _up_to_date(PhotoIndex.load(index_dir), records, index_dir)
    sellers = records.read(some_sellers)
    with ThreadPoolExecutor(threads, initializer=use_one_processor) as crew:  # OpenMP asks each thread anew
        search = _Search(records, index, crew)
        entries = iter(entries)
        while some := list(itertools.islice(entries, _LISTINGS_AT_ONCE)):
            found = search.matches(some)
            for entry in some:
                listing, matches = entry.listing, found.get(entry.listing.listing_id)
                if matches is None:
                    yield entry
                    continue
                others = {match.other_listing_id: search.listed_at[match.other_listing_id] for match in matches}
                compared = sum(seller != listing.seller_id for seller in sellers) if listing.seller_id else 0
                reading = reuse_reading(matches, compared, came_first(listing.listed_at, others))
                yield replace(entry, reuse=Reuse(reading, tuple(matches)))
            search.forget_old()


def _up_to_date(index: PhotoIndex, records: PatientStore, index_dir: Path) -> PhotoIndex:
    """The index with every photo of the store, saved if any was new."""
    lacking = index.lacking(records.read(photo_numbers))
    for start in range(0, len(lacking), _PHOTOS_AT_ONCE):
        photos = records.read(read_photos, lacking[start : start + _PHOTOS_AT_ONCE].tolist())
        numbers = sorted(photos)
        codes = [codes_of(photos[number].fingerprint.thumb) for number in numbers]
        index.add(np.array(numbers, np.int64), np.array(codes, np.uint8))
    if len(lacking):
        index.save(index_dir)
    return index


@dataclass(frozen=True, slots=True)
class _Asked:
    """A photo of tonight that is looked for."""

    listing: Listing
    path: str
    sha256: str
    fingerprint: Fingerprint


class _Search:
    """Looks for some photos at a time; holds the fingerprints met last."""

    def __init__(self, records: PatientStore, index: PhotoIndex, crew: Executor) -> None:
        self._records, self._index, self._crew = records, index, crew
        self._photos: dict[int, KnownPhoto] = {}
        self._same: dict[tuple[str, str], Sameness | None] = {}
        self.listed_at: dict[str, str] = {}  # of the listings that were matched just now

    def forget_old(self) -> None:
        """Let go of what was met longest ago."""
        for number in list(itertools.islice(self._photos, max(0, len(self._photos) - _HELD))):
            del self._photos[number]
        for pair in list(itertools.islice(self._same, max(0, len(self._same) - _HELD))):
            del self._same[pair]
        self.listed_at.clear()

    def matches(self, entries: Sequence[Spooled]) -> dict[str, list[ReuseMatch]]:
        """By listing_id of every listing that has a photo to compare its matches, the most cut down first."""
        asked = self._asked(entries)
        candidates = self._candidates(asked)
        shown = self._records.read(read_showings, {photo.sha256 for photos in candidates for photo in photos})
        pairs = [
            (one, photo, others)
            for one, photos in zip(asked, candidates, strict=True)
            for photo in photos
            if (others := _of_other_sellers(one.listing, shown.get(photo.sha256, ())))
        ]
        self._compare((one, photo) for one, photo, _ in pairs)
        found: dict[str, list[ReuseMatch]] = {one.listing.listing_id: [] for one in asked}
        for one, photo, others in pairs:
            found[one.listing.listing_id] += self._matches_with(one, photo, others)
        return {name: sorted(matches, key=self._place) for name, matches in found.items()}

    def _place(self, match: ReuseMatch) -> tuple[float, bool, float, str, str]:
        """The most cut down first; among those alike the one that was listed first."""
        moment = moment_of(self.listed_at[match.other_listing_id])
        seconds = 0.0 if moment is None else moment.timestamp()
        return -match.crop_margin, moment is None, seconds, match.other_listing_id, match.photo

    def _asked(self, entries: Iterable[Spooled]) -> list[_Asked]:
        files = [(entry.listing, file.path, file.sha256) for entry in entries for file in entry.photos if file.sha256]
        prints = self._records.read(read_fingerprints, {sha256 for _, _, sha256 in files})
        return [_Asked(*one, prints[one[2]]) for one in files if one[2] in prints]

    def _candidates(self, asked: Sequence[_Asked]) -> list[list[KnownPhoto]]:
        """For each photo those that may be the same picture; itself among them, as another may show the same file."""
        nearest = list(self._crew.map(self._nearest, asked))
        self._fetch({number for numbers in nearest for number in numbers})
        photos = [[self._photos[number] for number in numbers if number in self._photos] for numbers in nearest]
        return [
            [*(p for p in near if p.sha256 == one.sha256), *[p for p in near if p.sha256 != one.sha256][:CANDIDATES]]
            for one, near in zip(asked, photos, strict=True)
        ]

    def _nearest(self, one: _Asked) -> list[int]:
        return self._index.nearest(codes_asked_of(one.fingerprint.thumb)[None])[0]

    def _fetch(self, numbers: Collection[int]) -> None:
        new = [number for number in numbers if number not in self._photos]
        self._photos |= self._records.read(read_photos, new)

    def _compare(self, pairs: Iterable[tuple[_Asked, KnownPhoto]]) -> None:
        """Compare those not compared yet, the same way round whichever was asked for, as either way may err."""
        new: dict[tuple[str, str], tuple[Fingerprint, Fingerprint]] = {}
        for one, photo in pairs:
            first, second = (one, photo) if one.sha256 <= photo.sha256 else (photo, one)
            if (first.sha256, second.sha256) not in self._same:
                new[first.sha256, second.sha256] = (first.fingerprint, second.fingerprint)
        self._same |= zip(new, self._crew.map(lambda two: compare(*two), new.values()), strict=True)

    def _matches_with(self, one: _Asked, photo: KnownPhoto, others: Iterable[Shown]) -> Iterator[ReuseMatch]:
        same = self._same[min(one.sha256, photo.sha256), max(one.sha256, photo.sha256)]
        if same is None:
            return
        if one.sha256 > photo.sha256:
            same = same.from_the_other_side
        for other in others:
            self.listed_at[other.listing_id] = other.listed_at
            place = (one.path, other.listing_id, other.seller_id, other.path)
            yield ReuseMatch(*place, same.is_mirrored, round(same.agreement, 4), round(same.crop_margin, 4))


def _of_other_sellers(listing: Listing, shown: Iterable[Shown]) -> list[Shown]:
    """Where a photo stands under others; nowhere, for a listing whose seller is not known."""
    return [
        other
        for other in shown
        if listing.seller_id
        and other.seller_id not in ("", listing.seller_id)
        and other.listing_id != listing.listing_id
    ]
