"""A run's folder into the database: what the sellers say, what the scan found, where the photos lie."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pipeline import store
from pipeline.domain import Assessment, Box, HeatMap, Listing, Measurement, PartReading, Problem
from pipeline.intake import photo_header
from pipeline.records import tables
from pipeline.records.database import Store
from pipeline.records.house import House
from pipeline.records.random_looks import draw_random_looks
from pipeline.records.words import State


@dataclass(frozen=True, slots=True)
class TakenIn:
    """How many listings came in, and how many of them are new; both 0 where the run was there already."""

    listings: int
    new: int


def take_in(
    records: Store,
    run_dir: Path,
    listings: Mapping[str, Listing],
    photos_root: Path,
    now: datetime,
    house: House | None = None,
) -> TakenIn:
    """Take in a run that `scan` wrote. A run that is there already is left as it is.

    Args:
        records: where to.
        run_dir: the run's folder.
        listings: by listing_id, as the listings file has them.
        photos_root: the folder that photo paths are relative to.
        now: the moment to write down.
        house: says how many looks are drawn by chance; the usual house if None.

    Returns:
        How many came in. A listing that was decided keeps its decision; one whose seller had been asked for photos
        and now shows others is to be looked at again.

    Raises:
        OSError: if the folder is no run.
    """
    fingerprint = hashlib.sha256((run_dir / store.QUEUE).read_bytes()).hexdigest()
    about = store.read_about(run_dir)
    with records.writing() as session:
        if session.scalar(select(tables.Run.id).where(tables.Run.fingerprint == fingerprint)) is not None:
            return TakenIn(0, 0)
        run = tables.Run(
            name=run_dir.resolve().name,
            fingerprint=fingerprint,
            photos_root=str(photos_root.resolve()),
            model=about.model,
            rules=about.rules,
            taken_in_at=now,
        )
        session.add(run)
        session.flush()
        taking = _Taking(session, run, photos_root, _parts_by_photo(store.read_parts(run_dir)))
        known = [one for one in store.read_queue(run_dir) if one.listing_id in listings]
        new = sum(taking.take(one, listings[one.listing_id]) for one in known)
        session.flush()
        draw_random_looks(session, run, house or House())
    return TakenIn(len(known), new)


def _parts_by_photo(parts: Iterable[PartReading]) -> dict[str, list[PartReading]]:
    by_photo: dict[str, list[PartReading]] = defaultdict(list)
    for part in parts:
        by_photo[part.found.photo].append(part)
    return by_photo


@dataclass(frozen=True, slots=True)
class _Taking:
    session: Session
    run: tables.Run
    photos_root: Path
    parts: Mapping[str, Sequence[PartReading]]

    def take(self, one: Assessment, listing: Listing) -> bool:
        """One listing; True if it is new."""
        row = self.session.scalar(select(tables.Listing).where(tables.Listing.listing_id == one.listing_id))
        is_new = row is None
        if row is None:
            row = tables.Listing(listing_id=one.listing_id, state=State.WAITING, is_open=True, round=1)
            self.session.add(row)
        _fill(row, one, listing)
        self.session.flush()
        before = {} if is_new else self._forget_photos(row)
        hashes = self._take_photos(row, listing)
        if not is_new and row.state == State.ASKED and set(hashes.values()) - set(before.values()):
            row.state, row.is_open = State.WAITING, True
        self._take_assessment(row, one, hashes)
        return is_new

    def _forget_photos(self, row: tables.Listing) -> dict[str, str | None]:
        old = self.session.scalars(select(tables.ListingPhoto).where(tables.ListingPhoto.listing_id == row.id)).all()
        for photo in old:
            self.session.delete(photo)
        self.session.flush()
        return {photo.path: photo.sha256 for photo in old}

    def _take_photos(self, row: tables.Listing, listing: Listing) -> dict[str, str]:
        hashes = {}
        for position, path in enumerate(listing.photos):
            photo = self._photo(path)
            problem = photo.reason if isinstance(photo, Problem) else None
            sha256 = None if isinstance(photo, Problem) else photo.sha256
            if sha256 is not None:
                hashes[path] = sha256
            self.session.add(
                tables.ListingPhoto(
                    listing_id=row.id,
                    position=position,
                    run_id=self.run.id,
                    path=path,
                    sha256=sha256,
                    problem=problem,
                )
            )
        return hashes

    def _photo(self, path: str) -> tables.Photo | Problem:
        """The photo, known to the database from now on, or why there is none."""
        photo = _look_up(self.photos_root, path)
        if isinstance(photo, tables.Photo):
            self.session.merge(photo)
            self.session.flush()
        return photo

    def _take_reuse(self, assessment_id: int, one: Assessment, hashes: Mapping[str, str]) -> None:
        """The photos known again, where both are there to be shown."""
        for position, match in enumerate(one.reuse):
            other = self._photo(match.other_photo)
            if match.photo in hashes and isinstance(other, tables.Photo):
                self.session.add(
                    tables.ReusedPhoto(
                        assessment_id=assessment_id,
                        position=position,
                        photo=hashes[match.photo],
                        other_listing=match.other_listing_id,
                        other_photo=other.sha256,
                        is_mirrored=match.is_mirrored,
                        shows=match.shows,
                    )
                )

    def _take_assessment(self, row: tables.Listing, one: Assessment, hashes: Mapping[str, str]) -> None:
        made = tables.Assessment(
            listing_id=row.id,
            run_id=self.run.id,
            probability=one.probability,
            log10_lr=one.log10_lr,
            ask_for=[asdict(request) for request in one.ask_for],
        )
        self.session.add(made)
        self.session.flush()
        row.assessment_id = made.id
        self.session.add_all(tables.Unseen(assessment_id=made.id, cue=cue) for cue in dict.fromkeys(one.not_seen))
        self.session.add_all(
            tables.Reason(
                assessment_id=made.id,
                position=position,
                cue=reason.cue,
                state=reason.state,
                probability=reason.probability,
                log10_lr=reason.log10_lr,
                sentence=reason.sentence,
                photo=hashes.get(reason.photo or ""),
                box=_box(reason.box),
                measured=_measured(reason.measured),
                note=reason.note,
                heat=_heat(reason.heat),
            )
            for position, reason in enumerate(one.reasons)
        )
        self._take_reuse(made.id, one, hashes)
        for path, sha256 in hashes.items():
            for part in self.parts.get(path, ()):
                self._take_part(made.id, sha256, part)

    def _take_part(self, assessment_id: int, sha256: str, part: PartReading) -> None:
        row = tables.Part(
            assessment_id=assessment_id,
            photo=sha256,
            part=part.found.part.value,
            box=_box(part.found.box),
            score=part.found.score,
            is_sure=part.found.is_sure,
            texts=[{"field": t.field, "text": t.text, "confidence": t.confidence} for t in part.texts],
        )
        self.session.add(row)
        self.session.flush()
        self.session.add_all(
            tables.PartCue(
                part_id=row.id,
                cue=cue.cue,
                likelihood=dict(cue.likelihood),
                measured=_measured(cue.measured),
                heat=_heat(cue.heat),
            )
            for cue in part.cues
        )


def _fill(row: tables.Listing, one: Assessment, listing: Listing) -> None:
    for name in (
        "seller_id", "listed_at", "maker", "title", "description", "style_number", "waist_in", "leg_in",
        "hardware_metal", "price_eur",
    ):  # fmt: skip
        setattr(row, name, getattr(listing, name))
    searched = (listing.listing_id, listing.seller_id, listing.style_number or "", listing.title, listing.description)
    row.search = "\n".join(searched).lower()
    row.probability, row.log10_lr = one.probability, one.log10_lr
    price = listing.price_eur
    row.expected_loss = one.probability * price if price is not None and math.isfinite(price) else 0.0


def _look_up(root: Path, path: str) -> tables.Photo | Problem:
    header = photo_header(root, path)  # refuses what lies outside the folder, before the file is read here
    if isinstance(header, Problem):
        return header
    width, height = header.upright_wh
    sha256 = hashlib.sha256((root / path).read_bytes()).hexdigest()
    return tables.Photo(sha256=sha256, width=width, height=height)


def _box(box: Box | None) -> list[float] | None:
    return None if box is None else [box.x, box.y, box.w, box.h]


def _measured(measured: Measurement | None) -> dict[str, Any] | None:
    return None if measured is None else asdict(measured)


def _heat(heat: HeatMap | None) -> dict[str, Any] | None:
    return None if heat is None else {"box": _box(heat.box), "rows": [list(row) for row in heat.rows]}
