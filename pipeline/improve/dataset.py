"""Labelled folders as one dataset: known by its content, split the same way every time, parts of it frozen for tests.

A dataset's version is a hash of what its folders say, photos included, whatever the folders are called and in whatever
order they are named. A seller's listings fall all on one side: about a fifth of the sellers, always the same, check
what the others teach.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path

from pipeline.domain import Listing
from pipeline.evaluate.labelled import LabelledPart, PairTruth, photo_key, read_labelled
from pipeline.intake import file_sha256
from pipeline.train.folder_samples import is_held_out

FROZEN = "frozen"


class Side(StrEnum):
    """What a listing is used for."""

    FIT = "fit"
    CHECK = "check"
    TEST = "test"


@dataclass(frozen=True, slots=True)
class LabelledListing:
    """A listing of a labelled folder: where its photos lie, what they show, what is true of the pair.

    `photos` maps each photo's path to the SHA-256 of its file, "" where there is none; `truth` is None where the folder
    does not say.
    """

    folder: Path
    listing: Listing
    photos: Mapping[str, str]
    parts: tuple[LabelledPart, ...]
    truth: PairTruth | None

    @property
    def side(self) -> Side:
        """By its seller: fit, or check."""
        return Side.CHECK if is_held_out(self.listing.seller_id) else Side.FIT

    @property
    def content(self) -> str:
        """Hash of all that is known of it, paths aside."""
        said = asdict(self.listing) | {"photos": [self.photos[path] for path in self.listing.photos]}
        marked = sorted(_dumped(asdict(part) | {"photo": self.photo_of(part)}) for part in self.parts)
        truth = None if self.truth is None else asdict(self.truth)
        return hashlib.sha256(_dumped([said, marked, truth]).encode()).hexdigest()

    def photo_of(self, part: LabelledPart) -> str:
        """The hash of the photo that a part is marked on."""
        return next(sha for path, sha in self.photos.items() if photo_key(path) == photo_key(part.photo))


@dataclass(frozen=True, slots=True)
class Dataset:
    """Listings of one or more labelled folders."""

    listings: tuple[LabelledListing, ...]

    @property
    def version(self) -> str:
        """Sixteen digits that change whenever a label, a photo or a listing does."""
        contents = sorted(one.content for one in self.listings)
        return hashlib.sha256("\n".join(contents).encode()).hexdigest()[:16]

    def of_side(self, side: Side) -> Dataset:
        """The listings of one side."""
        return Dataset(tuple(one for one in self.listings if one.side is side))


@dataclass(frozen=True, slots=True)
class FrozenSet:
    """What a frozen test set holds, by content: training that meets any of it stops."""

    name: str
    version: str
    folder: str
    listings: tuple[str, ...]
    photos: tuple[str, ...]


class FrozenTouched(ValueError):
    """Somebody is about to train on the frozen test set."""


def read_dataset(folders: Sequence[Path]) -> Dataset:
    """Read labelled folders.

    Raises:
        ValueError: if one is not a labelled folder.
    """
    return Dataset(tuple(one for folder in folders for one in _listings_in(folder)))


def _listings_in(folder: Path) -> Iterable[LabelledListing]:
    labelled = read_labelled(folder)
    parts: dict[str, list[LabelledPart]] = defaultdict(list)
    for part in labelled.parts:
        parts[photo_key(part.photo)].append(part)
    for listing in labelled.listings:
        photos = {path: file_sha256(folder / path) for path in listing.photos}
        marked = tuple(part for path in listing.photos for part in parts[photo_key(path)])
        yield LabelledListing(folder, listing, photos, marked, labelled.truth.get(listing.listing_id))


def freeze(folder: Path, name: str, shelf: Path) -> FrozenSet:
    """Note a labelled folder as a frozen test set, so that no training reads it from now on.

    Raises:
        ValueError: if the folder is no labelled folder, or the name stands for another content already.
    """
    data = read_dataset([folder])
    made = FrozenSet(
        name=name,
        version=data.version,
        folder=str(folder.resolve()),
        listings=tuple(one.listing.listing_id for one in data.listings),
        photos=tuple(sorted({sha for one in data.listings for sha in one.photos.values() if sha})),
    )
    path = shelf / FROZEN / f"{name}.json"
    if path.exists() and (known := _frozen_from(path)).version != made.version:
        raise ValueError(f"{path}: {name} was frozen as {known.version} and is now {made.version}; take another name")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(asdict(made), indent=1), encoding="utf-8")
    return made


def frozen_sets(shelf: Path) -> list[FrozenSet]:
    """All frozen test sets of a shelf, by name."""
    return [_frozen_from(path) for path in sorted((shelf / FROZEN).glob("*.json"))]


def read_frozen(frozen: FrozenSet) -> Dataset:
    """A frozen set's listings, to test on.

    Raises:
        ValueError: if its folder is gone or holds something else by now.
    """
    data = read_dataset([Path(frozen.folder)])
    if data.version != frozen.version:
        raise ValueError(
            f"{frozen.folder}: is not the test set {frozen.name} any more ({data.version}, frozen as {frozen.version});"
            " put the old content back, or freeze it under another name"
        )
    return data


def refuse_frozen(data: Dataset, frozen: Iterable[FrozenSet]) -> None:
    """Stop before a test set is trained on, under whatever name or path it comes.

    Raises:
        FrozenTouched: if a photo's bytes or a listing's id stand in a frozen set.
    """
    for test in frozen:
        photos, names = set(test.photos), set(test.listings)
        met = sorted(
            one.listing.listing_id
            for one in data.listings
            if one.listing.listing_id in names or photos & set(one.photos.values())
        )
        if met:
            more = f" and {len(met) - 3} more" if len(met) > 3 else ""
            raise FrozenTouched(
                f"{', '.join(met[:3])}{more}: in the frozen test set {test.name}, so nothing may be trained on them;"
                " take them out of the folders"
            )


def _frozen_from(path: Path) -> FrozenSet:
    row = json.loads(path.read_text(encoding="utf-8"))
    return FrozenSet(**(row | {"listings": tuple(row["listings"]), "photos": tuple(row["photos"])}))


def _dumped(value: object) -> str:
    return json.dumps(value, sort_keys=True, default=str)
