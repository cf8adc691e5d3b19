"""A labelled night of listings: `listings.jsonl`, `photos/`, `parts.coco.json`, `truth.jsonl`."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.config import ReferenceSheet
from pipeline.domain import PartName
from synthetic.arrays import arrays_for
from synthetic.looks import LOOKS
from synthetic.pair import (
    METALS,
    Pair,
    balanced_states,
    cues_without_place,
    make_pair,
    natural_states,
    states_departing_in,
)
from synthetic.parts.pocket import tab_top_mm
from synthetic.views import Annotation, View, annotate, plan_view

Rng = np.random.Generator
_CATEGORIES = tuple(PartName)
# How likely a seller takes each kind of photo (invented); three to eight are kept.
_PHOTO_CHANCES = {
    "whole_back": 0.6, "whole_front": 0.5, "back_pocket": 0.85, "label": 0.75, "tab": 0.4, "button": 0.6,
    "button_back": 0.4, "rivet": 0.55, "zip": 0.55, "care_tag": 0.5,
}  # fmt: skip
_TITLES = (
    "{name} {style}, W{w} L{l}",
    "{name} jeans {style} size {w}/{l}",
    "Jeans {name} {w} x {l}",
    "{style} {name}, good condition, {w}/{l}",
    "Vintage {name} denim W{w}",
)
_TEXTS = (
    "Worn a few times, no holes.",
    "Bought two years ago, does not fit any more.",
    "From a smoke-free home. Ask for more photos!",
    "Some fading as seen in the pictures.",
    "Hardly worn, selling because I need the space.",
    "Found in the attic; sold as is.",
    "Great colour, soft denim.",
    "Small mark near the hem, otherwise fine.",
)
_ORIENTATIONS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}
_EXIF_ORIENTATION = 0x0112


@dataclass(frozen=True, slots=True)
class SynthOptions:
    """What a night is like.

    With `departure_rate` None counterfeits depart in one to six cues; else every cue of every pair departs with
    that chance. With `only_cue` counterfeits depart in that cue and no other, and genuine pairs in none.
    """

    counterfeit_share: float = 0.2
    departure_rate: float | None = None
    only_cue: str | None = None
    looks: tuple[str, ...] = tuple(LOOKS)


@dataclass(frozen=True, slots=True)
class _Job:
    out: Path
    sheet_name: str
    sheet: ReferenceSheet
    index: int
    total: int
    seed: int
    options: SynthOptions


@dataclass(frozen=True, slots=True)
class _Drawn:
    listing: dict[str, Any]
    truth: dict[str, Any]
    photos: list[tuple[str, int, int, list[Annotation], Pair]] = field(default_factory=list)


def write_folder(
    out: Path,
    *,
    listings: int,
    seed: int,
    sheet: ReferenceSheet,
    options: SynthOptions | None = None,
    on_progress: Callable[[int, int], None] | None = None,
    workers: int = 2,
    device: str = "cpu",
) -> None:
    """Write a labelled folder by the data contract.

    Args:
        out: folder to create; must be empty or absent.
        listings: how many.
        seed: same seed, same listings (on the same set of fonts).
        sheet: the maker's reference sheet.
        options: shares and looks.
        on_progress: called with (listings done, total).
        workers: processes.
        device: "cpu", or a torch device such as "cuda" for the pixel work.

    Raises:
        FileExistsError: if `out` has files in it.
    """
    if out.exists() and any(out.iterdir()):
        raise FileExistsError(f"{out} is not empty: choose a new folder, so that no old photo mixes in")
    (out / "photos").mkdir(parents=True, exist_ok=True)
    jobs = [_Job(out, sheet.maker, sheet, i, listings, seed, options or SynthOptions()) for i in range(listings)]
    drawn: list[_Drawn] = []
    with multiprocessing.get_context("spawn").Pool(max(1, workers), _start, (device,)) as pool:
        for done, result in enumerate(pool.imap(_draw_listing, jobs, chunksize=1), 1):
            drawn.append(result)
            if on_progress:
                on_progress(done, listings)
    _write_tables(out, drawn)


_state: dict[str, Any] = {}


def _start(device: str) -> None:
    cv2.setNumThreads(1)
    _state["arrays"] = arrays_for(device)


@dataclass(frozen=True, slots=True)
class _Plan:
    pair: Pair
    kinds: tuple[str, ...]
    seller: str
    view_seed: int


def _plan_listing(job: _Job, index: int) -> _Plan:
    """What is true of listing `index`; the same whoever asks."""
    rng = np.random.default_rng([job.seed, index])
    o = job.options
    style = str(rng.choice(_styles(job)))
    without = cues_without_place(job.sheet, style) | ({"photo_reuse"} if index == 0 else set())  # nobody came before
    if o.only_cue is not None:
        counterfeit = bool(rng.random() < o.counterfeit_share)
        states = states_departing_in(rng, o.only_cue if counterfeit else None)
    elif o.departure_rate is None:
        counterfeit = bool(rng.random() < o.counterfeit_share)
        states = natural_states(rng, job.sheet, counterfeit, without)
    else:
        states = balanced_states(rng, o.departure_rate)
        counterfeit = bool(rng.random() < o.counterfeit_share)
    if states["photo_reuse"] == "other_seller" and index == 0:
        states["photo_reuse"] = "none"
    pair = make_pair(rng, job.sheet, states, counterfeit, LOOKS[str(rng.choice(list(o.looks)))], style)
    kinds = choose_kinds(rng, job.sheet.styles[style].fly)
    sellers = max(3, job.total // 3)
    seller = (
        f"s{int(rng.integers(sellers)) if not counterfeit else sellers + int(rng.integers(max(2, sellers // 6))):05d}"
    )
    return _Plan(pair, kinds, seller, int(rng.integers(2**31)))


def _styles(job: _Job) -> list[str]:
    """The styles to draw from: those that have a place for the one cue asked for."""
    return [s for s in job.sheet.styles if job.options.only_cue not in cues_without_place(job.sheet, s)]


def choose_kinds(rng: Rng, fly: str) -> tuple[str, ...]:
    """Which photos a seller takes, in the order shown: three to eight; of a zip only where there is one."""
    chances = {k: (0.0 if k == "zip" and fly == "button" else p) for k, p in _PHOTO_CHANCES.items()}
    kinds = [k for k, p in chances.items() if rng.random() < p]
    while len(kinds) < 3:
        kinds.append(str(rng.choice([k for k, p in chances.items() if p > 0 and k not in kinds])))
    rng.shuffle(kinds)
    return tuple(kinds[:8])


def _draw_listing(job: _Job) -> _Drawn:
    plan = _plan_listing(job, job.index)
    rng = np.random.default_rng([job.seed, job.index, 1])
    listing_id = f"L{job.seed}-{job.index:05d}"
    drawn = _Drawn(
        _listing_row(job, plan, listing_id, rng),
        {"listing_id": listing_id, "counterfeit": plan.pair.counterfeit, "cues": dict(plan.pair.states)},
    )
    for k, kind in enumerate(plan.kinds):
        name = f"photos/{listing_id}_{k}.jpg"
        pixels, notes = _draw_photo(plan, k, kind)
        if k == 0 and plan.pair.states["photo_reuse"] == "other_seller":
            pixels, notes = _taken_photo(job, rng, plan)
        save_photo(job.out / name, pixels, rng)
        drawn.photos.append((name, pixels.shape[1], pixels.shape[0], notes, plan.pair))
        drawn.listing["photos"].append(name)
    return drawn


def _draw_photo(plan: _Plan, k: int, kind: str) -> tuple[NDArray[np.uint8], list[Annotation]]:
    view: View = plan_view(np.random.default_rng([plan.view_seed, k]), plan.pair, kind)
    return view.draw(_state["arrays"]), annotate(view)


def _taken_photo(job: _Job, rng: Rng, plan: _Plan) -> tuple[NDArray[np.uint8], list[Annotation]]:
    """An earlier seller's photo, cropped, perhaps mirrored. Its boxes follow; its cues say nothing of this pair."""
    for _ in range(20):
        source = _plan_listing(job, int(rng.integers(job.index)))
        if source.seller != plan.seller and source.pair.states["photo_reuse"] == "none":
            break
    pixels, notes = _draw_photo(source, 1, source.kinds[1])
    h, w = pixels.shape[:2]
    x0, y0 = int(w * rng.uniform(0, 0.1)), int(h * rng.uniform(0, 0.1))
    x1, y1 = int(w * rng.uniform(0.9, 1)), int(h * rng.uniform(0.9, 1))
    mirrored = bool(rng.random() < 0.4)
    cut = pixels[y0:y1, x0:x1]
    kept = [_moved(note, x0, y0, x1, y1, mirrored) for note in notes]
    return np.ascontiguousarray(cut[:, ::-1] if mirrored else cut), [note for note in kept if note is not None]


def _moved(note: Annotation, x0: int, y0: int, x1: int, y1: int, mirrored: bool) -> Annotation | None:
    bx0, by0, bx1, by1 = note.box.xyxy
    cx0, cy0, cx1, cy1 = max(bx0, x0), max(by0, y0), min(bx1, x1), min(by1, y1)
    if cx1 - cx0 < 7 or cy1 - cy0 < 7 or (cx1 - cx0) * (cy1 - cy0) < 0.3 * note.box.area:
        return None
    left = x1 - cx1 if mirrored else cx0 - x0
    box = type(note.box)(float(left), float(cy0 - y0), float(cx1 - cx0), float(cy1 - cy0))
    return Annotation(note.part, box, {}, None, None, note.visible, {})


def _listing_row(job: _Job, plan: _Plan, listing_id: str, rng: Rng) -> dict[str, Any]:
    pair = plan.pair
    spec = job.sheet.styles[pair.style]
    low, high = spec.usual_price_eur
    price = (
        low * rng.uniform(0.15, 0.45) if pair.states["price_band"] == "low" else rng.uniform(low * 0.85, high * 1.15)
    )
    metal: str | None = spec.rivet_metal
    if pair.states["metal_agrees"] == "no":
        metal = str(rng.choice([m for m in METALS if m != metal]))
    elif rng.random() < 0.35:
        metal = None
    title = str(rng.choice(_TITLES)).format(name=spec.name, style=pair.style, w=pair.waist_in, l=pair.leg_in)
    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    return {
        "listing_id": listing_id, "seller_id": plan.seller,
        "listed_at": (start + timedelta(seconds=job.index * 36000 / job.total)).isoformat(),
        "maker": job.sheet_name, "title": title, "description": " ".join(rng.choice(_TEXTS, 2, replace=False)),
        "style_number": pair.style if rng.random() > 0.06 or pair.states["style_agrees"] == "no" else None,
        "waist_in": pair.waist_in, "leg_in": pair.leg_in if rng.random() > 0.05 else None,
        "hardware_metal": metal, "price_eur": round(float(price), 2), "photos": [],
    }  # fmt: skip


def save_photo(path: Path, pixels: NDArray[np.uint8], rng: Rng) -> None:
    """JPEG as phones and sites send them; some carry their turn in EXIF."""
    orientation = int(rng.choice([1, 3, 6, 8], p=[0.82, 0.03, 0.1, 0.05]))
    stored = pixels if orientation == 1 else cv2.rotate(pixels, _ORIENTATIONS[orientation])
    quality = int(rng.integers(60, 93))
    _, data = cv2.imencode(".jpg", stored[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    raw = data.tobytes()
    if orientation != 1:
        exif = Image.Exif()
        exif[_EXIF_ORIENTATION] = orientation
        body = exif.tobytes()
        raw = raw[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + raw[2:]
    path.write_bytes(raw)


def _write_tables(out: Path, drawn: Sequence[_Drawn]) -> None:
    _write_lines(out / "listings.jsonl", [d.listing for d in drawn])
    _write_lines(out / "truth.jsonl", [d.truth for d in drawn])
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for d in drawn:
        for name, width, height, notes, pair in d.photos:
            images.append({"id": len(images) + 1, "file_name": name, "width": width, "height": height})
            for note in notes:
                annotations.append(_coco_row(len(annotations) + 1, len(images), note, pair))
    categories = [{"id": i + 1, "name": str(part)} for i, part in enumerate(_CATEGORIES)]
    (out / "parts.coco.json").write_text(
        json.dumps({"images": images, "annotations": annotations, "categories": categories}), encoding="utf-8"
    )


def _coco_row(number: int, image: int, note: Annotation, pair: Pair) -> dict[str, Any]:
    b = note.box
    attributes: dict[str, Any] = dict(note.attributes)
    if note.text is not None:
        attributes["text"] = note.text
    if "tab_position" in attributes:
        attributes["tab_position_mm"] = round(tab_top_mm(pair), 2)
    row = {
        "id": number, "image_id": image, "category_id": _CATEGORIES.index(note.part) + 1, "iscrowd": 0,
        "bbox": [round(v, 1) for v in (b.x, b.y, b.w, b.h)], "area": round(b.area, 1), "attributes": attributes,
    }  # fmt: skip
    if note.keypoints is not None:
        row["outline_points"] = [[round(float(x), 1), round(float(y), 1)] for x, y in note.keypoints]
    return row


def _write_lines(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    path.write_text("".join(json.dumps(r, ensure_ascii=False) + "\n" for r in rows), encoding="utf-8")
