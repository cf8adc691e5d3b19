"""What was seen in photos, kept by their content, so that the same photo is never looked at twice by the same judge."""

from __future__ import annotations

import zlib
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter
from sqlalchemy import Select, delete, select
from sqlalchemy.orm import Session

from pipeline.domain import PartReading
from pipeline.photo_reuse import Fingerprint, fingerprint_from_bytes, fingerprint_to_bytes
from pipeline.records import tables
from pipeline.records.adding import add_missing

_PARTS = TypeAdapter(tuple[PartReading, ...])
_AT_ONCE = 400  # values in one question; SQLite of old takes 999
_MOST_SHOWINGS = 20
_Value = TypeVar("_Value", int, str)


class LookKey(NamedTuple):
    """A photo by the SHA-256 of its file, and by what it is judged."""

    sha256: str
    judge: str


@dataclass(frozen=True, slots=True)
class Look:
    """What one judge made of one photo: parts and a fingerprint, or the reason why not after so many tries.

    `fingerprint` is None where there was a reason, and on looks that were read back.
    """

    key: LookKey
    parts: tuple[PartReading, ...] = ()
    fingerprint: Fingerprint | None = None
    problem: str | None = None
    tries: int = 1


@dataclass(frozen=True, slots=True)
class Shown:
    """A photo in a listing."""

    sha256: str
    listing_id: str
    seller_id: str
    listed_at: str
    path: str  # as the listing names it


def known_looks(session: Session, keys: Collection[LookKey]) -> set[LookKey]:
    """Which of these are there already."""
    rows = _by_sha256(session, select(tables.Look.sha256, tables.Look.judge), tables.Look, keys)
    return {LookKey(*row) for row in rows} & set(keys)


def read_looks(session: Session, keys: Collection[LookKey]) -> dict[LookKey, Look]:
    """Those of these that are there, as they were kept; their parts name no photo but the one kept first."""
    asked = select(
        tables.Look.sha256, tables.Look.judge, tables.Look.seen, tables.Look.problem, tables.Look.tries
    )  # fmt: skip
    wanted = set(keys)
    found = {}
    for sha256, judge, seen, problem, tries in _by_sha256(session, asked, tables.Look, keys):
        key = LookKey(sha256, judge)
        if key in wanted:
            found[key] = Look(key, () if seen is None else _parts(seen), None, problem, tries)
    return found


def keep_looks(session: Session, looks: Sequence[Look], now: datetime) -> None:
    """Keep them; one that is there already stays as it is."""
    add_missing(session, tables.Look, [
        {
            "sha256": look.key.sha256,
            "judge": look.key.judge,
            "seen": None if look.problem else zlib.compress(_PARTS.dump_json(look.parts), 6),
            "problem": look.problem,
            "tries": look.tries,
            "at": now,
        }
        for look in looks
    ])  # fmt: skip
    add_missing(session, tables.Fingerprint, [
        {
            "id": photo_number(look.key.sha256),
            "sha256": look.key.sha256,
            "data": fingerprint_to_bytes(look.fingerprint),
        }
        for look in looks
        if look.fingerprint is not None
    ])  # fmt: skip


def forget_set_aside(session: Session, judges: Collection[str]) -> None:
    """Forget what was tried more than once without an outcome, so that it is tried again."""
    session.execute(delete(tables.Look).where(tables.Look.tries > 1, tables.Look.judge.in_(judges)))


def keep_showings(session: Session, shown: Iterable[Shown], now: datetime) -> None:
    """Keep where photos were shown, and when that was last met."""
    rows = [
        {"sha256": one.sha256, "listing_id": one.listing_id, "seller_id": one.seller_id, "listed_at": one.listed_at,
         "path": one.path, "at": now}
        for one in shown
    ]  # fmt: skip
    add_missing(session, tables.Showing, rows, renewed=("seller_id", "listed_at", "path", "at"))


def read_fingerprints(session: Session, sha256s: Collection[str]) -> dict[str, Fingerprint]:
    """The fingerprints of those that have one."""
    asked = select(tables.Fingerprint.sha256, tables.Fingerprint.data)
    rows = _by_sha256(session, asked, tables.Fingerprint, [(sha256,) for sha256 in sha256s])
    return {sha256: fingerprint_from_bytes(data) for sha256, data in rows}


@dataclass(frozen=True, slots=True, eq=False)
class KnownPhoto:
    """A photo that was looked at."""

    sha256: str
    fingerprint: Fingerprint


def photo_number(sha256: str) -> int:
    """A photo's number: the first 60 bits of its SHA-256, so that it has the same one wherever it is met."""
    return int(sha256[:15], 16)


def photo_numbers(session: Session) -> NDArray[np.int64]:
    """The numbers of all photos that have a fingerprint, in order."""
    asked = session.scalars(select(tables.Fingerprint.id).execution_options(yield_per=10_000))
    return np.sort(np.fromiter(asked, np.int64))


def read_photos(session: Session, numbers: Sequence[int]) -> dict[int, KnownPhoto]:
    """Photos by their numbers; those that are gone are absent."""
    asked = select(tables.Fingerprint.id, tables.Fingerprint.sha256, tables.Fingerprint.data)
    found = {}
    for some in _some(sorted(numbers)):
        for number, sha256, data in session.execute(asked.where(tables.Fingerprint.id.in_(some))):
            found[number] = KnownPhoto(sha256, fingerprint_from_bytes(data))
    return found


def read_showings(session: Session, sha256s: Collection[str]) -> dict[str, list[Shown]]:
    """Where these photos were shown, some of the places where they are many."""
    table = tables.Showing
    found: dict[str, list[Shown]] = {}
    for some in _some(sorted(sha256s)):
        rows = session.execute(
            select(table.sha256, table.listing_id, table.seller_id, table.listed_at, table.path)
            .where(table.sha256.in_(some))
            .order_by(table.sha256, table.listed_at, table.listing_id)
        )
        for row in rows:
            shown = found.setdefault(row.sha256, [])
            if len(shown) < _MOST_SHOWINGS:
                shown.append(Shown(*row))
    return found


def some_sellers(session: Session) -> list[str]:
    """Two of the sellers whose photos are known, or one, or none."""
    asked = (
        select(tables.Showing.seller_id)
        .join(tables.Fingerprint, tables.Fingerprint.sha256 == tables.Showing.sha256)
        .where(tables.Showing.seller_id != "")
        .distinct()
        .limit(2)
    )
    return list(session.scalars(asked))


def moved_to(parts: Iterable[PartReading], photo: str) -> tuple[PartReading, ...]:
    """The readings of a photo as those of the same file in another place."""
    return tuple(
        replace(
            part,
            found=replace(part.found, photo=photo),
            cues=tuple(cue if cue.photo is None else replace(cue, photo=photo) for cue in part.cues),
            texts=tuple(replace(text, photo=photo) for text in part.texts),
        )
        for part in parts
    )


def _parts(seen: bytes) -> tuple[PartReading, ...]:
    return _PARTS.validate_json(zlib.decompress(seen))


def _by_sha256(
    session: Session,
    asked: Select[*tuple[Any, ...]],
    table: type[tables.Look | tables.Fingerprint],
    keys: Collection[Sequence[str]],
) -> Iterable[Any]:
    """Rows of a question about these photos, some hundred photos at a time."""
    for some in _some(sorted({key[0] for key in keys})):
        yield from session.execute(asked.where(table.sha256.in_(some)))


def _some(values: Sequence[_Value]) -> Iterator[Sequence[_Value]]:
    for start in range(0, len(values), _AT_ONCE):
        yield values[start : start + _AT_ONCE]
