"""A night's photos that stand under another seller, tonight or on an earlier night."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.domain import Listing, ReuseMatch
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


def search_for_reuse(entries: Iterable[Spooled], records: PatientStore, index_dir: Path) -> Iterator[Spooled]:
    """The listings of a night with what the search for reused photos says of each that has a photo to compare.

    Args:
        entries: the night, its photos looked at.
        records: where fingerprints and showings are.
        index_dir: the folder of the index, which is made or brought up to date.

    Raises:
        OSError: if the index can't be written.
    """
    index = _up_to_date(PhotoIndex.load(index_dir), records, index_dir)
    sellers = records.read(some_sellers)
    search = _Search(records, index)
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

    def __init__(self, records: PatientStore, index: PhotoIndex) -> None:
        self._records, self._index = records, index
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
        found: dict[str, list[ReuseMatch]] = {}
        for one, photos in zip(asked, candidates, strict=True):
            matches = found.setdefault(one.listing.listing_id, [])
            if one.listing.seller_id:
                for photo in photos:
                    matches += self._matches_with(one, photo, shown.get(photo.sha256, ()))
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
        nearest = self._index.nearest(np.array([codes_asked_of(one.fingerprint.thumb) for one in asked], np.uint8))
        self._fetch({number for numbers in nearest for number in numbers})
        photos = [[self._photos[number] for number in numbers if number in self._photos] for numbers in nearest]
        return [
            [*(p for p in near if p.sha256 == one.sha256), *[p for p in near if p.sha256 != one.sha256][:CANDIDATES]]
            for one, near in zip(asked, photos, strict=True)
        ]

    def _fetch(self, numbers: Collection[int]) -> None:
        new = [number for number in numbers if number not in self._photos]
        self._photos |= self._records.read(read_photos, new)

    def _matches_with(self, one: _Asked, photo: KnownPhoto, shown: Iterable[Shown]) -> Iterator[ReuseMatch]:
        others = [
            other
            for other in shown
            if other.seller_id not in ("", one.listing.seller_id) and other.listing_id != one.listing.listing_id
        ]
        same = self._compared(one, photo) if others else None
        if same is None:
            return
        for other in others:
            self.listed_at[other.listing_id] = other.listed_at
            place = (one.path, other.listing_id, other.seller_id, other.path)
            yield ReuseMatch(*place, same.is_mirrored, round(same.agreement, 4), round(same.crop_margin, 4))

    def _compared(self, one: _Asked, photo: KnownPhoto) -> Sameness | None:
        """Two photos compared once, the same way round whichever was asked for, as either way may err."""
        first, second = sorted(((one.sha256, one.fingerprint), (photo.sha256, photo.fingerprint)), key=lambda p: p[0])
        pair = (first[0], second[0])
        if pair not in self._same:
            self._same[pair] = compare(first[1], second[1])
        same = self._same[pair]
        return same if same is None or first[0] == one.sha256 else same.from_the_other_side
