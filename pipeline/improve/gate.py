"""A candidate against what is in use: on the frozen test sets and on the newest decisions, cue by cue and as a queue.

It passes unless something got worse beyond noise. Whatever it says, the listings that changed sides are named and
shown, as a figure that stands still may hide some that rose and others that fell.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Picture

from pipeline import store
from pipeline.chart_colours import BLUE, GREY, ORANGE
from pipeline.contact_sheet import write_contact_sheet
from pipeline.cues import CUES
from pipeline.domain import CAUTION, Assessment, PartReading
from pipeline.evaluate.labelled import photo_key
from pipeline.evaluate.matching import match_parts
from pipeline.evidence import as_fitted
from pipeline.improve.crops import Progress
from pipeline.improve.dataset import Dataset
from pipeline.improve.paired import CUE_FIGURES, QUEUE_FIGURES, Difference, Figure, Rows, differences
from pipeline.improve.relearn import House
from pipeline.improve.shelf import OnShelf
from pipeline.intake import check_against_sheets
from pipeline.model_files import models_id, read_fitted
from pipeline.scan import scan_listings

_EVEN = 0.5
_QUEUE = "the queue"


@dataclass(frozen=True, slots=True)
class ChangedSides:
    """A listing that one model takes to be more likely counterfeit than not, and the other does not."""

    listing_id: str
    where: str
    in_use: float
    candidate: float
    counterfeit: bool

    @property
    def is_right_now(self) -> bool:
        """Whether the candidate is on the right side of it."""
        return (self.candidate >= _EVEN) == self.counterfeit


@dataclass(frozen=True, slots=True)
class Weighed:
    """The outcome: all differences, cues of which too few rows were there, listings that changed sides."""

    in_use: int
    candidate: int
    differences: tuple[Difference, ...]
    too_few: tuple[str, ...]
    changed: tuple[ChangedSides, ...]
    judged_on: tuple[str, ...]

    @property
    def worse(self) -> list[Difference]:
        """What got worse beyond noise."""
        return [one for one in self.differences if one.is_worse]

    @property
    def passes(self) -> bool:
        """Whether the candidate may come into use."""
        return not self.worse


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """What one bundle says of one dataset."""

    queue: Mapping[str, Assessment]
    parts: tuple[PartReading, ...]


def weigh(
    in_use: OnShelf, candidate: OnShelf, tests: Mapping[str, Dataset], house: House, out: Path, progress: Progress
) -> Weighed:
    """Judge both bundles and write `compare.md`, `compare.json`, `compare.png` and sheets of the changed listings.

    Args:
        in_use: the bundle in use.
        candidate: the other.
        tests: by name: frozen sets, the newest decisions.
        house: sheets, the moderators' evidence, folder, processes.
        out: an existing folder.
        progress: gives a context whose value is called with (done, total).
    """
    jobs: list[tuple[str, Rows, Sequence[Figure]]] = []
    too_few: list[str] = []
    changed: list[ChangedSides] = []
    for name, data in tests.items():
        old, new = (_judged(one, data, f"{role}, {name}", house, progress)
                    for role, one in (("in use", in_use), ("candidate", candidate)))  # fmt: skip
        for what, rows, figures in (*_cue_rows(data, old, new), _queue_rows(data, old, new)):
            if rows.can_be_told():
                jobs.append((f"{what}, {name}", rows, figures))
            else:
                too_few.append(f"{what}, {name}")
        mine = _changed(name, data, old, new)
        changed += mine
        _show(mine, data, old, new, out)
    weighed = Weighed(
        in_use.number, candidate.number, tuple(differences(jobs)), tuple(too_few), tuple(changed), tuple(tests)
    )
    (out / "compare.json").write_text(json.dumps(_as_json(weighed), indent=1), encoding="utf-8")
    (out / "compare.md").write_text(_report(weighed), encoding="utf-8")
    _draw(weighed, out / "compare.png")
    return weighed


def _judged(bundle: OnShelf, data: Dataset, label: str, house: House, progress: Progress) -> _Judged:
    """A scan, kept: the same bundle is not asked twice of the same listings by the same rules."""
    rules = hash_of(house.evidence.model_dump_json())
    kept = house.shelf_dir / "scans" / f"{models_id(bundle.folder)}-{data.version}-{rules}"
    if not (kept / store.QUEUE).exists():
        evidence = as_fitted(house.evidence, read_fitted(bundle.folder))
        queue: list[Assessment] = []
        parts: list[PartReading] = []
        for folder in sorted({one.folder for one in data.listings}):
            listings, _ = check_against_sheets(
                [one.listing for one in data.listings if one.folder == folder], house.sheets
            )
            with progress(label) as tell:
                found = scan_listings(listings, folder, house.sheets, evidence, bundle.folder, house.workers, tell)
            queue += found.assessments
            parts += found.parts
        store.write_run(kept, queue, parts, [])
    queue_read = {one.listing_id: one for one in store.read_queue(kept)}
    return _Judged(queue_read, tuple(store.read_parts(kept)))


def hash_of(text: str) -> str:
    """Eight digits of a text."""
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _cue_rows(data: Dataset, old: _Judged, new: _Judged) -> list[tuple[str, Rows, Sequence[Figure]]]:
    """A row a labelled part and cue. A part that a model does not read says nothing: all states alike."""
    labelled = [part for one in data.listings for part in one.parts]
    owner = {photo_key(path): number for number, one in enumerate(data.listings) for path in one.photos}
    by_cue: dict[str, list[tuple[float, float, bool, int]]] = {}
    both = (match_parts(labelled, [part for part in side.parts if part.found.is_sure]) for side in (old, new))
    for (part, mine), (_, theirs) in zip(*both, strict=True):
        for cue, state in part.cues.items():
            if cue in CUES:
                row = (*(_departs(cue, one) for one in (mine, theirs)), state != CUES[cue].genuine_state)
                by_cue.setdefault(cue, []).append((*row, owner[photo_key(part.photo)]))
    return [(CUES[cue].topic, _rows(by_cue[cue]), CUE_FIGURES) for cue in CUES if cue in by_cue]


def _departs(cue: str, part: PartReading | None) -> float:
    """The chance that a cue departs, by one part's reading alone."""
    read = None if part is None else next((one for one in part.cues if one.cue == cue), None)
    genuine = CUES[cue].genuine_state
    return 1 - (1 / len(CUES[cue].states) if read is None else read.likelihood.get(genuine, 0.0))


def _queue_rows(data: Dataset, old: _Judged, new: _Judged) -> tuple[str, Rows, Sequence[Figure]]:
    rows = [
        (old.queue[name].log10_lr, new.queue[name].log10_lr, one.truth.counterfeit, number)
        for number, one in enumerate(data.listings)
        if one.truth is not None and (name := one.listing.listing_id) in old.queue and name in new.queue
    ]
    return _QUEUE, _rows(rows), QUEUE_FIGURES


def _rows(rows: Sequence[tuple[float, float, bool, int]]) -> Rows:
    old, new, departs, listing = zip(*rows, strict=True) if rows else ((), (), (), ())
    return Rows(np.array(old, float), np.array(new, float), np.array(departs, bool), np.array(listing, np.int64))


def _changed(where: str, data: Dataset, old: _Judged, new: _Judged) -> list[ChangedSides]:
    found = [
        ChangedSides(name, where, old.queue[name].probability, new.queue[name].probability, one.truth.counterfeit)
        for one in data.listings
        if one.truth is not None and (name := one.listing.listing_id) in old.queue and name in new.queue
    ]
    moved = [one for one in found if (one.in_use >= _EVEN) != (one.candidate >= _EVEN)]
    return sorted(moved, key=lambda one: one.is_right_now)


def _show(changed: Sequence[ChangedSides], data: Dataset, old: _Judged, new: _Judged, out: Path) -> None:
    """A sheet of the changed listings as each of the two models sees them."""
    names = {one.listing_id for one in changed}
    for folder in sorted({one.folder for one in data.listings if one.listing.listing_id in names}):
        listings = {one.listing.listing_id: one.listing for one in data.listings if one.folder == folder}
        order = [one.listing_id for one in changed if one.listing_id in listings]
        for role, judged in (("in-use", old), ("candidate", new)):
            place = out / "changed" / changed[0].where.replace(" ", "-") / role
            place.mkdir(parents=True, exist_ok=True)
            write_contact_sheet(place, [judged.queue[name] for name in order], listings, folder, len(order))


def _as_json(weighed: Weighed) -> dict[str, object]:
    rows = [asdict(one) | {"is_worse": one.is_worse, "is_better": one.is_better} for one in weighed.differences]
    changed = [asdict(one) | {"is_right_now": one.is_right_now} for one in weighed.changed]
    return {
        "in_use": weighed.in_use, "candidate": weighed.candidate, "passes": weighed.passes,
        "judged_on": list(weighed.judged_on), "differences": rows, "too_few": list(weighed.too_few), "changed": changed,
    }  # fmt: skip


def _report(weighed: Weighed) -> str:
    lines = [f"# Candidate {weighed.candidate} against {weighed.in_use}, which is in use", ""]
    lines.append(
        "Nothing got worse beyond noise." if weighed.passes else "Worse beyond noise, so it does not come into use:"
    )
    lines += [f"- {one.what}: {one.figure} {one.in_use:.3f} to {one.candidate:.3f}" for one in weighed.worse]
    lines += ["", "Bounds hold for all rows together at 95%.", ""]
    lines += ["| what | figure | in use | candidate | difference at least, at most | rows (departed) | |"]
    lines += ["| --- | --- | --- | --- | --- | --- | --- |"]
    for one in weighed.differences:
        word = "worse" if one.is_worse else "better" if one.is_better else ""
        bounds = f"{one.low:+.3f}, {one.high:+.3f}"
        lines.append(
            f"| {one.what} | {one.figure} | {one.in_use:.3f} | {one.candidate:.3f} | {bounds} | "
            f"{one.rows} ({one.departed}) | {word} |"
        )
    if weighed.too_few:
        lines += ["", f"Too few rows to tell: {'; '.join(weighed.too_few)}."]
    lines += ["", f"## Listings that changed sides ({len(weighed.changed)})", ""]
    lines.append("Above or below even odds. Sheets of them as either model sees them stand in `changed/`.")
    lines += [
        f"- {one.listing_id} ({one.where}): {one.in_use:.0%} to {one.candidate:.0%}, truly "
        f"{'counterfeit' if one.counterfeit else 'genuine'}: {'now right' if one.is_right_now else 'NOW WRONG'}"
        for one in weighed.changed
    ] or ["", "None."]
    return "\n".join(lines) + f"\n\n{CAUTION}\n"


def _draw(weighed: Weighed, path: Path) -> None:
    """Every difference with its bounds; to the right is better."""
    rows = list(reversed(weighed.differences))
    picture = Picture(figsize=(9, 1.6 + 0.27 * max(1, len(rows))), layout="constrained")
    FigureCanvasAgg(picture)
    axes = picture.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    axes.axvline(0, color=GREY, linewidth=1)
    for place, one in enumerate(rows):
        sign = 1 if one.rises else -1
        colour = ORANGE if one.is_worse else BLUE if one.is_better else GREY
        axes.plot([sign * one.low, sign * one.high], [place, place], color=colour, linewidth=2)
        axes.plot(sign * (one.candidate - one.in_use), place, "o", color=colour, markersize=4)
    axes.set_yticks(range(len(rows)), [f"{one.what}: {one.figure}" for one in rows], fontsize=7)
    axes.set_ylim(-0.7, len(rows) - 0.3)
    axes.set_xlabel("to the right the candidate is better\nbounds hold for all rows together at 95%")
    said = "nothing worse beyond noise" if weighed.passes else f"{len(weighed.worse)} worse beyond noise"
    axes.set_title(f"Candidate {weighed.candidate} against {weighed.in_use}: {said}", loc="left")
    picture.supxlabel(CAUTION, fontsize=7, color=GREY)
    picture.savefig(path, dpi=120)
