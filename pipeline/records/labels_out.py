"""What people decided and corrected, as a labelled folder that training reads.

A listing counts once it stands decided: held back is taken for a counterfeit, let go for genuine. Where an expert is to
say, nothing is taken for true yet. On its parts stands what a person looked at: what was corrected, as corrected; the
signs ticked for holding it back, as read; and on a listing that was let go, the clear readings that nobody objected to.
A look drawn by chance stands for all listings that it was drawn from.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pipeline.cues import CUES
from pipeline.domain import PartName, Problem
from pipeline.intake import read_bytes, root_from_text
from pipeline.records.random_looks import stands_for
from pipeline.records.tables import Correction, Decision, Listing, ListingPhoto, Part, PartCue, Photo, Run
from pipeline.records.words import State

OnProgress = Callable[[int, int], None]
_TRUTH = {State.GONE: False, State.HELD: True}
_CLEAR = 0.9  # a reading this sure, on a listing that a person looked through, stands as a label
_LISTING_FIELDS = (
    "listing_id", "seller_id", "listed_at", "maker", "title", "description", "style_number", "waist_in", "leg_in",
    "hardware_metal", "price_eur",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Gathered:
    """How much was written: listings, labelled parts, and listings left out because a photo is gone."""

    listings: int
    parts: int
    left_out: int


@dataclass(slots=True)
class _Folder:
    """A labelled folder in the making."""

    out: Path
    listings: list[dict[str, Any]] = field(default_factory=list)
    truth: list[dict[str, Any]] = field(default_factory=list)
    images: list[dict[str, Any]] = field(default_factory=list)
    annotations: list[dict[str, Any]] = field(default_factory=list)


def gather_labels(session: Session, out: Path, on_progress: OnProgress, since: datetime | None = None) -> Gathered:
    """Write a labelled folder by the data contract.

    Args:
        session: a reading session.
        out: a folder to make, empty or absent.
        on_progress: called with (listings done, listings in all).
        since: only listings last decided at that moment or later.

    Raises:
        FileExistsError: if `out` has files in it.
    """
    if out.exists() and any(out.iterdir()):
        raise FileExistsError(f"{out} is not empty: choose a new folder, so that no old label mixes in")
    (out / "photos").mkdir(parents=True, exist_ok=True)
    folder, left_out = _Folder(out), 0
    decided = _decided(session, since)
    for done, listing in enumerate(decided, 1):
        left_out += not _take(session, folder, listing)
        on_progress(done, len(decided))
    _write(folder)
    return Gathered(len(folder.listings), len(folder.annotations), left_out)


def _decided(session: Session, since: datetime | None) -> Sequence[Listing]:
    last = (
        select(Decision.listing_id, func.max(Decision.at).label("at"))
        .where(Decision.undone_at.is_(None))
        .group_by(Decision.listing_id)
        .subquery()
    )
    rows = select(Listing).join(last, last.c.listing_id == Listing.id).where(Listing.state.in_(_TRUTH))
    if since is not None:
        rows = rows.where(last.c.at >= since)
    return session.scalars(rows.order_by(Listing.id)).all()


def _take(session: Session, folder: _Folder, listing: Listing) -> bool:
    """One listing with its photos; False if one of them is not there any more."""
    photos = session.execute(
        select(Photo, ListingPhoto.path, Run.photos_root)
        .join(ListingPhoto, ListingPhoto.sha256 == Photo.sha256)
        .join(Run, Run.id == ListingPhoto.run_id)
        .where(ListingPhoto.listing_id == listing.id)
        .order_by(ListingPhoto.position)
    ).all()
    files = []
    for photo, path, root in photos:
        data = read_bytes(root_from_text(root), path)
        if isinstance(data, Problem) or hashlib.sha256(data).hexdigest() != photo.sha256:
            return False
        files.append((photo, path, data))
    names, numbers = [], {}
    for photo, path, data in files:
        names.append(f"photos/{photo.sha256[:20]}{Path(path).suffix.lower()}")
        (folder.out / names[-1]).write_bytes(data)
        numbers[photo.sha256] = len(folder.images) + 1
        size = {"width": photo.width, "height": photo.height}
        folder.images.append({"id": len(folder.images) + 1, "file_name": names[-1], **size})
    labels = _labels(session, listing)
    for part, cues, box in labels:
        folder.annotations.append(_annotation(len(folder.annotations) + 1, numbers[part.photo], part.part, box, cues))
    folder.listings.append({name: getattr(listing, name) for name in _LISTING_FIELDS} | {"photos": names})
    states = {cue: state for _, cues, _ in labels for cue, state in cues.items()}
    truth = {"listing_id": listing.listing_id, "counterfeit": _TRUTH[State(listing.state)], "cues": states}
    folder.truth.append(truth | {"stands_for": stands_for(session, listing.id)})
    return True


def _labels(session: Session, listing: Listing) -> list[tuple[Part, dict[str, str], list[float]]]:
    """Each part that is there, the states that a person stands for, and its box."""
    corrected, boxes = _corrections(session, listing)
    ticked = _ticked(session, listing)
    likelihoods: dict[int, dict[str, Mapping[str, float]]] = defaultdict(dict)
    parts = session.scalars(
        select(Part).where(Part.assessment_id == listing.assessment_id, Part.is_sure.is_(True)).order_by(Part.id)
    ).all()
    for row in session.scalars(select(PartCue).where(PartCue.part_id.in_([part.id for part in parts]))):
        likelihoods[row.part_id][row.cue] = row.likelihood
    found = []
    for part in parts:
        box = boxes.get(part.id, list(part.box))
        if box is not None:
            said = {
                cue: state
                for cue, likelihood in likelihoods[part.id].items()
                if cue in CUES and (state := _stands(cue, likelihood, corrected, ticked, listing)) is not None
            }
            found.append((part, said, box))
    return found


def _stands(
    cue: str,
    likelihood: Mapping[str, float],
    corrected: Mapping[str, str | None],
    ticked: Iterable[str],
    listing: Listing,
) -> str | None:
    """The state of a cue on a part that a person stands for; None where nobody does."""
    if cue in corrected:
        return corrected[cue]
    read = max(likelihood, key=lambda state: likelihood[state])
    is_looked_through = listing.state == State.GONE and likelihood[read] >= _CLEAR
    return read if cue in ticked or is_looked_through else None


def _corrections(session: Session, listing: Listing) -> tuple[dict[str, str | None], dict[int, list[float] | None]]:
    """The newest standing corrections of cues and of boxes."""
    rows = session.scalars(
        select(Correction)
        .where(Correction.listing_id == listing.id, Correction.undone_at.is_(None))
        .order_by(Correction.id)
    ).all()
    cues = {row.cue: row.truly for row in rows if row.cue is not None}
    boxes = {row.part_id: row.true_box for row in rows if row.part_id is not None}
    return cues, boxes


def _ticked(session: Session, listing: Listing) -> set[str]:
    """The signs that the standing decision rests on."""
    cues = session.scalar(
        select(Decision.cues)
        .where(Decision.listing_id == listing.id, Decision.undone_at.is_(None))
        .order_by(Decision.id.desc())
        .limit(1)
    )
    return set(cues or ())


def _annotation(number: int, image: int, part: str, box: Sequence[float], cues: Mapping[str, str]) -> dict[str, Any]:
    return {
        "id": number, "image_id": image, "category_id": _CATEGORIES[PartName(part)], "iscrowd": 0,
        "bbox": list(box), "area": round(box[2] * box[3], 1), "attributes": dict(cues),
    }  # fmt: skip


_CATEGORIES = {part: number for number, part in enumerate(PartName, 1)}


def _write(folder: _Folder) -> None:
    categories = [{"id": number, "name": part.value} for part, number in _CATEGORIES.items()]
    coco = {"images": folder.images, "annotations": folder.annotations, "categories": categories}
    (folder.out / "parts.coco.json").write_text(json.dumps(coco), encoding="utf-8")
    for name, rows in (("listings", folder.listings), ("truth", folder.truth)):
        lines = "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows)
        (folder.out / f"{name}.jsonl").write_text(lines, encoding="utf-8")
