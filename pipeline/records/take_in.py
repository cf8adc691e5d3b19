"""A run's folder into the database: what the sellers say, what the scan found, where the photos lie.

Listings come in some dozens at a time, each such lot a transaction of its own, so that moderators need not wait. The
assessment before stays in force until the new one is there. Taking in that was stopped goes on where it was.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from pipeline import store
from pipeline.domain import (
    Assessment,
    Box,
    CueReading,
    HeatMap,
    Listing,
    Measurement,
    PartReading,
    PhotoFile,
    ReuseMatch,
)
from pipeline.intake import PhotosRoot, for_each, photo_file, root_as_text
from pipeline.records import tables
from pipeline.records.adding import add_missing
from pipeline.records.database import Store
from pipeline.records.house import House
from pipeline.records.patience import PatientStore
from pipeline.records.random_looks import draw_random_looks
from pipeline.records.settings import read_house
from pipeline.records.words import State

_LISTINGS_AT_ONCE = 50


@dataclass(frozen=True, slots=True)
class TakenIn:
    """How many listings came in, and how many of them are new; both 0 where the run was there already."""

    listings: int
    new: int


def take_in(
    records: Store,
    run_dir: Path,
    listings: Mapping[str, Listing],
    photos_root: PhotosRoot,
    now: datetime,
    house: House | None = None,
) -> TakenIn:
    """Take in a run that `scan` wrote. A run that is there already is left as it is.

    Args:
        records: where to.
        run_dir: the run's folder.
        listings: by listing_id, as the listings file has them.
        photos_root: the folder that photo paths are relative to, or the addresses that photos lie under.
        now: the moment to write down.
        house: as it was started, says how many looks are drawn by chance unless that was changed on the page; the usual
            house if None.

    Returns:
        How many came in. A listing that was decided keeps its decision; one whose seller had been asked for photos
        and now shows others is to be looked at again.

    Raises:
        OSError: if the folder is no run.
    """
    return take_in_each(PatientStore(records), run_dir, listings.values(), photos_root, now, house)


def take_in_each(
    records: PatientStore,
    run_dir: Path,
    listings: Iterable[Listing],
    photos_root: PhotosRoot,
    now: datetime,
    house: House | None = None,
) -> TakenIn:
    """As `take_in`, holding no more than some dozens of the listings at a time.

    Raises:
        OSError: if the folder is no run, or there is no room left.
        DBAPIError: if the database stays away.
    """
    with (run_dir / store.QUEUE).open("rb") as queue:
        fingerprint = hashlib.file_digest(queue, "sha256").hexdigest()

    run_id = records.write(_begin, run_dir, fingerprint, photos_root, now)
    if run_id is None:
        return TakenIn(0, 0)
    known = new = 0
    with store.RunReader(run_dir) as run:
        wanted = (one for one in listings if run.has(one.listing_id))
        while some := list(itertools.islice(wanted, _LISTINGS_AT_ONCE)):
            lot = [_Taken(one, run.assessment(one.listing_id), _shown(run, one)) for one in some]
            # A path means a file of this night alone: photos of earlier nights lie in other folders.
            matches = [match for one in lot for match in one.assessment.reuse]
            tonight = {match for match in matches if run.has(match.other_listing_id)}
            paths = sorted({match.other_photo for match in tonight}.union(*(one.photos for one in some)))
            files = _files(run, photos_root, paths)
            new += records.write(_take, run_id, files, lot, tonight)
            known += len(some)
    records.write(_end, run_id, house or House())
    return TakenIn(known, new)


def _begin(session: Session, run_dir: Path, fingerprint: str, photos_root: PhotosRoot, now: datetime) -> int | None:
    """The run's number; None if it was taken in as a whole before."""
    run = session.scalar(select(tables.Run).where(tables.Run.fingerprint == fingerprint))
    if run is None:
        about = store.read_about(run_dir)
        run = tables.Run(
            name=run_dir.resolve().name,
            fingerprint=fingerprint,
            photos_root=root_as_text(photos_root),
            model=about.model,
            rules=about.rules,
            taken_in_at=now,
            is_whole=False,
        )
        session.add(run)
        session.flush()
        return run.id
    return None if run.is_whole else run.id


def _end(session: Session, run_id: int, house: House) -> None:
    run = session.get_one(tables.Run, run_id)
    draw_random_looks(session, run, read_house(session, house))
    run.is_whole = True


def _shown(run: store.RunReader, listing: Listing) -> dict[str, list[PartReading]]:
    return {path: run.parts(path) for path in listing.photos}


@dataclass(frozen=True, slots=True)
class _Taken:
    """A listing, what the run says of it, and the parts found in each of its photos."""

    listing: Listing
    assessment: Assessment
    parts: Mapping[str, Sequence[PartReading]]


_Files = Mapping[str, PhotoFile]


def _files(run: store.RunReader, photos_root: PhotosRoot, paths: Sequence[str]) -> _Files:
    """What the photos' files are, by path; of older runs, which did not write that down, as they are now."""
    known = {path: file for path in paths if (file := run.photo_file(path)) is not None}
    others = [path for path in paths if path not in known]
    return known | dict(zip(others, for_each(photo_file, photos_root, others), strict=True))


def _take(session: Session, run_id: int, files: _Files, lot: Sequence[_Taken], tonight: Collection[ReuseMatch]) -> int:
    return _Taking(session, run_id, files, tonight).take(lot)


@dataclass(frozen=True, slots=True)
class _Taking:
    """Some listings into the database; a few statements for all of them."""

    session: Session
    run_id: int
    files: _Files
    tonight: Collection[ReuseMatch]
    hashes: dict[str, str] = field(default_factory=dict)  # by photo path

    def take(self, lot: Sequence[_Taken]) -> int:
        """Take these in, but for those that came in before the taking in was stopped; how many of them are new."""
        rows = self._rows([one.listing.listing_id for one in lot])
        there = self._assessed(rows.values())
        lot = [one for one in lot if (row := rows.get(one.listing.listing_id)) is None or row.id not in there]
        new = [one for one in lot if one.listing.listing_id not in rows]
        for one in new:
            name = one.listing.listing_id
            rows[name] = tables.Listing(listing_id=name, state=State.WAITING, is_open=True, round=1)
        for one in lot:
            _fill(rows[one.listing.listing_id], one.assessment, one.listing)
        self.session.add_all(rows.values())
        self.session.flush()
        self._take_photos([(rows[one.listing.listing_id], one) for one in lot])
        self._take_assessments([(rows[one.listing.listing_id], one) for one in lot])
        return len(new)

    def _rows(self, names: Sequence[str]) -> dict[str, tables.Listing]:
        asked = select(tables.Listing).where(tables.Listing.listing_id.in_(names))
        return {row.listing_id: row for row in self.session.scalars(asked)}

    def _assessed(self, rows: Iterable[tables.Listing]) -> set[int]:
        """Which of these listings this run has assessed already."""
        asked = select(tables.Assessment.listing_id).where(
            tables.Assessment.run_id == self.run_id, tables.Assessment.listing_id.in_([row.id for row in rows])
        )
        return set(self.session.scalars(asked))

    def _take_photos(self, lot: Sequence[tuple[tables.Listing, _Taken]]) -> None:
        before = self._forget_photos([row.id for row, _ in lot])
        self.hashes.update({path: file.sha256 for path, file in self.files.items() if file.sha256})
        add_missing(self.session, tables.Photo, [
            {"sha256": file.sha256, "width": file.width, "height": file.height}
            for file in self.files.values()
            if file.sha256
        ])  # fmt: skip
        for row, one in lot:
            shown = {self.hashes[path] for path in one.listing.photos if path in self.hashes}
            if row.state == State.ASKED and shown - before.get(row.id, set()):
                row.state, row.is_open = State.WAITING, True
            self.session.add_all(
                tables.ListingPhoto(
                    listing_id=row.id,
                    position=position,
                    run_id=self.run_id,
                    path=path,
                    sha256=self.hashes.get(path),
                    problem=self.files[path].problem,
                )
                for position, path in enumerate(one.listing.photos)
            )

    def _forget_photos(self, ids: Sequence[int]) -> dict[int, set[str | None]]:
        """Let go of the photos that these listings showed until now, by the number of the listing."""
        table, before = tables.ListingPhoto, dict[int, set[str | None]]()
        for number, sha256 in self.session.execute(
            select(table.listing_id, table.sha256).where(table.listing_id.in_(ids))
        ):
            before.setdefault(number, set()).add(sha256)
        self.session.execute(delete(table).where(table.listing_id.in_(ids)))
        return before

    def _take_assessments(self, lot: Sequence[tuple[tables.Listing, _Taken]]) -> None:
        made = [
            tables.Assessment(
                listing_id=row.id,
                run_id=self.run_id,
                probability=one.assessment.probability,
                log10_lr=one.assessment.log10_lr,
                ask_for=[asdict(request) for request in one.assessment.ask_for],
            )
            for row, one in lot
        ]
        self.session.add_all(made)
        self.session.flush()
        parts: list[tuple[tables.Part, PartReading]] = []
        for (row, one), assessment in zip(lot, made, strict=True):
            row.assessment_id = assessment.id
            unseen = dict.fromkeys(one.assessment.not_seen)
            self.session.add_all(tables.Unseen(assessment_id=assessment.id, cue=cue) for cue in unseen)
            self.session.add_all(self._reasons(assessment.id, one.assessment))
            self.session.add_all(self._reused(assessment.id, one.assessment))
            for path, found in one.parts.items():
                if path in self.hashes:
                    parts += [(_part(assessment.id, self.hashes[path], part), part) for part in found]
        self.session.add_all(row for row, _ in parts)
        self.session.flush()
        self.session.add_all(_cue(row.id, cue) for row, part in parts for cue in part.cues)

    def _reasons(self, assessment_id: int, one: Assessment) -> Iterator[tables.Reason]:
        for position, reason in enumerate(one.reasons):
            yield tables.Reason(
                assessment_id=assessment_id,
                position=position,
                cue=reason.cue,
                state=reason.state,
                probability=reason.probability,
                log10_lr=reason.log10_lr,
                sentence=reason.sentence,
                photo=self.hashes.get(reason.photo or ""),
                box=_box(reason.box),
                measured=_measured(reason.measured),
                note=reason.note,
                heat=_heat(reason.heat),
            )

    def _reused(self, assessment_id: int, one: Assessment) -> Iterator[tables.ReusedPhoto]:
        """The photos known again, whether or not the other one can be shown."""
        for position, match in enumerate(one.reuse):
            if match.photo not in self.hashes:
                continue
            is_tonight = match in self.tonight
            yield tables.ReusedPhoto(
                assessment_id=assessment_id,
                position=position,
                photo=self.hashes[match.photo],
                other_listing=match.other_listing_id,
                other_seller=match.other_seller_id,
                other_photo=self.hashes.get(match.other_photo) if is_tonight else self._of_earlier_night(match),
                is_mirrored=match.is_mirrored,
                shows=match.shows,
            )

    def _of_earlier_night(self, match: ReuseMatch) -> str | None:
        """The hash of the other photo by where it was shown; None if that night never came in here."""
        shown = tables.ListingPhoto
        found = self.session.scalar(
            select(shown.sha256)
            .join(tables.Listing, tables.Listing.id == shown.listing_id)
            .where(tables.Listing.listing_id == match.other_listing_id, shown.path == match.other_photo)
        )
        if found is not None:
            return found
        met = tables.Showing  # as the scan kept it; the listing may show other photos by now
        return self.session.scalar(
            select(met.sha256)
            .join(tables.Photo, tables.Photo.sha256 == met.sha256)
            .where(met.listing_id == match.other_listing_id, met.path == match.other_photo)
        )


def _part(assessment_id: int, sha256: str, part: PartReading) -> tables.Part:
    return tables.Part(
        assessment_id=assessment_id,
        photo=sha256,
        part=part.found.part.value,
        box=_box(part.found.box),
        score=part.found.score,
        is_sure=part.found.is_sure,
        texts=[{"field": t.field, "text": t.text, "confidence": t.confidence} for t in part.texts],
    )


def _cue(part_id: int, cue: CueReading) -> tables.PartCue:
    return tables.PartCue(
        part_id=part_id,
        cue=cue.cue,
        likelihood=dict(cue.likelihood),
        measured=_measured(cue.measured),
        heat=_heat(cue.heat),
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


def _box(box: Box | None) -> list[float] | None:
    return None if box is None else [box.x, box.y, box.w, box.h]


def _measured(measured: Measurement | None) -> dict[str, Any] | None:
    return None if measured is None else asdict(measured)


def _heat(heat: HeatMap | None) -> dict[str, Any] | None:
    return None if heat is None else {"box": _box(heat.box), "rows": [list(row) for row in heat.rows]}
