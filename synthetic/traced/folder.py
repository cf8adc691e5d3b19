"""A labelled folder of traced photos, written listing by listing, so that a stopped run goes on where it was."""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from pipeline.config import ReferenceSheet
from pipeline.domain import Box, PartName
from synthetic.traced.labels import Note, annotate
from synthetic.traced.pairs import METALS, Rng, TracedPair, draw_pair
from synthetic.traced.render import limit_threads
from synthetic.traced.sensor import Pixels, jpeg
from synthetic.traced.views import PlannedPhoto, plan_photo

# How likely a seller takes each kind of photo (invented).
_HABITS = {
    "back_pocket": 0.8, "tab": 0.6, "label": 0.75, "button": 0.6, "button_back": 0.5, "rivet": 0.55, "zip": 0.6,
    "care_tag": 0.55, "whole_back": 0.3, "whole_front": 0.3, "seat": 0.25, "top_front": 0.2,
}  # fmt: skip
_TITLES = (
    "Jeans {name}, {style}, {w}/{l}", "{name} {style} W{w} L{l}", "Denim trousers {name} size {w}",
    "{name} ({style}) waist {w} leg {l}", "Selling my {name} jeans",
)  # fmt: skip
_WORDS = (
    "Barely used.", "Worn for a season.", "Washed at 30, never tumbled.", "From my own wardrobe.", "Colour as shown.",
    "Photos taken today.", "No returns, ask before you buy.", "A gift that did not fit.", "Some wear at the hem.",
)  # fmt: skip
_DONE = "done"


@dataclass(frozen=True, slots=True)
class Order:
    """What to make. Same order, same listings, boxes and labels."""

    out: Path
    sheet: ReferenceSheet
    listings: int
    seed: int
    spp: int = 48
    long_side: tuple[int, int] = (850, 1150)
    variant: str | None = None
    departure_rate: float | None = None  # None: counterfeits depart in one to six cues; else every cue of every pair
    photos: tuple[int, int] = (3, 8)  # of a listing: fewest, most


def write_folder(order: Order, workers: int = 2, on_progress: Callable[[int, int], None] | None = None) -> None:
    """Write a labelled folder by the data contract; listings that are there already are kept.

    Args:
        order: what to make.
        workers: processes; they share the cores.
        on_progress: called with (listings done, listings in all).

    Raises:
        ValueError: if the folder was begun with another order.
    """
    (order.out / "photos").mkdir(parents=True, exist_ok=True)
    (order.out / _DONE).mkdir(exist_ok=True)
    _same_order(order)
    last = [i for i in range(order.listings) if _reuses(order, i)]  # their stolen photos must exist by then
    first = [i for i in range(order.listings) if i not in last]
    done = 0
    for stage in (first, last):
        missing = [i for i in stage if not _record(order, i).is_file()]
        done += len(stage) - len(missing)
        if on_progress:
            on_progress(done, order.listings)
        for _ in _run(order, missing, workers):
            done += 1
            if on_progress:
                on_progress(done, order.listings)
    _write_tables(order)


def _run(order: Order, indices: list[int], workers: int) -> Iterator[int]:
    jobs = [(order, i) for i in indices]
    if workers <= 1 or len(jobs) < 2:
        yield from map(_write_listing, jobs)
        return
    threads = max(1, (os.cpu_count() or 1) // workers)
    context = multiprocessing.get_context("spawn")
    with context.Pool(workers, _start, (threads, order.variant)) as pool:
        yield from pool.imap_unordered(_write_listing, jobs)


def _start(threads: int, variant: str | None) -> None:
    cv2.setNumThreads(1)
    limit_threads(threads, variant)


def _same_order(order: Order) -> None:
    """Remember the order; refuse to mix two."""
    path = order.out / _DONE / "order.json"
    told = {
        "seed": order.seed,
        "spp": order.spp,
        "long_side": list(order.long_side),
        "maker": order.sheet.maker,
        "departure_rate": order.departure_rate,
        "photos": list(order.photos),
    }
    if path.is_file() and json.loads(path.read_text(encoding="utf-8")) != told:
        raise ValueError(f"{order.out}: was begun with other settings ({path.name}): choose a new folder")
    path.write_text(json.dumps(told), encoding="utf-8")


# ------------------------------------------------------------ what is decided


def listing_id(order: Order, index: int) -> str:
    """A listing's name."""
    return f"T{order.seed}-{index:04d}"


def pair_of(order: Order, index: int) -> TracedPair:
    """The pair of a listing. One in every five listings running is counterfeit."""
    lot = np.random.default_rng([order.seed, 5, index // 5])
    counterfeit = index % 5 == int(lot.integers(5))
    rng = np.random.default_rng([order.seed, 1, index])
    return draw_pair(rng, order.sheet, counterfeit, index > 0, order.departure_rate)


def seller_of(order: Order, index: int) -> str:
    """Who sells it; those who sell counterfeits mostly sell nothing else."""
    rng = np.random.default_rng([order.seed, 2, index])
    crowd = max(4, order.listings // 2)
    if pair_of(order, index).counterfeit and rng.random() < 0.8:
        return f"t{900 + int(rng.integers(max(2, order.listings // 12))):03d}"
    return f"t{int(rng.integers(crowd)):03d}"


def kinds_of(order: Order, index: int) -> list[str]:
    """Which photos its seller takes."""
    rng = np.random.default_rng([order.seed, 3, index])
    zipped = order.sheet.styles[pair_of(order, index).style].fly == "zip"
    offered = [kind for kind in _HABITS if kind != "zip" or zipped]
    kinds = [kind for kind in offered if rng.random() < _HABITS[kind]]
    left = [kind for kind in offered if kind not in kinds]
    while len(kinds) < order.photos[0]:
        kinds.append(left.pop(int(rng.integers(len(left)))))
    rng.shuffle(kinds)
    return kinds[: order.photos[1]]


def plan_of(order: Order, index: int, which: int) -> PlannedPhoto:
    """The plan of one photo of a listing."""
    rng = np.random.default_rng([order.seed, 4, index, which])
    return plan_photo(rng, pair_of(order, index), kinds_of(order, index)[which], order.long_side)


def _reuses(order: Order, index: int) -> bool:
    return pair_of(order, index).states["photo_reuse"] == "other_seller" and _victim(order, index) is not None


def _victim(order: Order, index: int) -> int | None:
    """An earlier listing of another seller, whose photos are its own."""
    for earlier in np.random.default_rng([order.seed, 6, index]).permutation(index):
        honest = pair_of(order, int(earlier)).states["photo_reuse"] == "none"
        if honest and seller_of(order, int(earlier)) != seller_of(order, index):
            return int(earlier)
    return None


# ------------------------------------------------------------ what is written


def _record(order: Order, index: int) -> Path:
    return order.out / _DONE / f"{listing_id(order, index)}.json"


def _write_listing(job: tuple[Order, int]) -> int:
    order, index = job
    pair = pair_of(order, index)
    photos = []
    for which, _ in enumerate(kinds_of(order, index)):
        name = f"photos/{listing_id(order, index)}_{which}.jpg"
        pixels, notes, quality = _photo(order, index, which)
        (order.out / name).write_bytes(jpeg(pixels, quality))
        photos.append(_photo_row(name, pixels, notes))
    states = dict(pair.states)
    if not _reuses(order, index):
        states["photo_reuse"] = "none"
    row = listing_row(order, index, [photo["file_name"] for photo in photos])
    truth = {"listing_id": row["listing_id"], "counterfeit": pair.counterfeit, "cues": states}
    text = json.dumps({"listing": row, "truth": truth, "photos": photos})
    half = _record(order, index).with_suffix(".part")
    half.write_text(text, encoding="utf-8")
    half.replace(_record(order, index))  # whole or not at all
    return index


def _photo(order: Order, index: int, which: int) -> tuple[Pixels, list[Note], int]:
    if which == 0 and _reuses(order, index):
        return _taken(order, index)
    plan = plan_of(order, index, which)
    pixels = plan.take(order.spp, order.variant)
    return pixels, annotate(plan.scene, plan.camera, pixels), plan.quality


def _taken(order: Order, index: int) -> tuple[Pixels, list[Note], int]:
    """Another seller's photo: cropped, perhaps mirrored, saved again. Its cues say nothing of this pair."""
    rng = np.random.default_rng([order.seed, 7, index])
    victim = _victim(order, index)
    assert victim is not None  # or nothing would have been taken
    record = json.loads(_record(order, victim).read_text(encoding="utf-8"))
    photo = record["photos"][int(rng.integers(len(record["photos"])))]
    with Image.open(order.out / photo["file_name"]) as stored:
        pixels = np.asarray(stored.convert("RGB"), np.uint8)
    h, w = pixels.shape[:2]
    left, top = int(w * rng.uniform(0, 0.08)), int(h * rng.uniform(0, 0.08))
    right, foot = int(w * rng.uniform(0.92, 1)), int(h * rng.uniform(0.92, 1))
    mirrored = bool(rng.random() < 0.4)
    cut = pixels[top:foot, left:right]
    notes = [_cropped(a, (left, top, right, foot), mirrored) for a in photo["annotations"]]
    kept = np.ascontiguousarray(cut[:, ::-1] if mirrored else cut)
    return kept, [note for note in notes if note is not None], int(rng.integers(60, 93))


def _cropped(annotation: dict[str, Any], frame: tuple[int, int, int, int], mirrored: bool) -> Note | None:
    x, y, w, h = annotation["bbox"]
    x0, y0, x1, y1 = max(x, frame[0]), max(y, frame[1]), min(x + w, frame[2]), min(y + h, frame[3])
    if min(x1 - x0, y1 - y0) < 9:
        return None
    left = frame[2] - x1 if mirrored else x0 - frame[0]
    return Note(PartName(annotation["part"]), Box(left, y0 - frame[1], x1 - x0, y1 - y0), {})


def _photo_row(name: str, pixels: Pixels, notes: list[Note]) -> dict[str, Any]:
    rows = []
    for note in notes:
        b = note.box
        attributes: dict[str, Any] = dict(note.cues)
        if note.text is not None:
            attributes["text"] = note.text
        if note.tab_position_mm is not None:
            attributes["tab_position_mm"] = round(note.tab_position_mm, 2)
        row: dict[str, Any] = {
            "part": str(note.part), "bbox": [round(v, 1) for v in (b.x, b.y, b.w, b.h)], "attributes": attributes,
        }  # fmt: skip
        if note.keypoints:
            row["outline_points"] = [[round(x, 1), round(y, 1)] for x, y in note.keypoints]
        rows.append(row)
    return {"file_name": name, "width": pixels.shape[1], "height": pixels.shape[0], "annotations": rows}


def listing_row(order: Order, index: int, photos: list[str]) -> dict[str, Any]:
    """The listing's own fields, as its seller typed them."""
    pair = pair_of(order, index)
    rng: Rng = np.random.default_rng([order.seed, 8, index])
    spec = order.sheet.styles[pair.style]
    low, high = spec.usual_price_eur
    price = rng.uniform(low * 0.9, high * 1.1) if pair.states["price_band"] == "usual" else low * rng.uniform(0.15, 0.4)
    metal: str | None = spec.rivet_metal if rng.random() < 0.6 else None
    if pair.states["metal_agrees"] == "no":
        metal = next(m for m in METALS if m != spec.rivet_metal)
    told = rng.random() < 0.93 or pair.states["style_agrees"] == "no"
    title = str(rng.choice(_TITLES)).format(name=spec.name, style=pair.style, w=pair.waist_in, l=pair.leg_in)
    listed = datetime(2026, 5, 4, 18, tzinfo=UTC) + timedelta(minutes=index * 600 / order.listings)
    return {
        "listing_id": listing_id(order, index), "seller_id": seller_of(order, index),
        "listed_at": listed.isoformat(), "maker": order.sheet.maker, "title": title,
        "description": " ".join(rng.choice(_WORDS, int(rng.integers(1, 4)), replace=False)),
        "style_number": pair.style if told else None, "waist_in": pair.waist_in,
        "leg_in": pair.leg_in if rng.random() < 0.94 or pair.states["size_agrees"] == "no" else None,
        "hardware_metal": metal, "price_eur": round(float(price), 2), "photos": photos,
    }  # fmt: skip


def _write_tables(order: Order) -> None:
    records = [json.loads(_record(order, i).read_text(encoding="utf-8")) for i in range(order.listings)]
    for name, key in (("listings.jsonl", "listing"), ("truth.jsonl", "truth")):
        lines = "".join(json.dumps(record[key], ensure_ascii=False) + "\n" for record in records)
        (order.out / name).write_text(lines, encoding="utf-8")
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    names = [str(part) for part in PartName]
    for photo in (photo for record in records for photo in record["photos"]):
        images.append({"id": len(images) + 1, **{key: photo[key] for key in ("file_name", "width", "height")}})
        for row in photo["annotations"]:
            kept = {key: value for key, value in row.items() if key != "part"}
            annotations.append({
                "id": len(annotations) + 1, "image_id": len(images), "category_id": names.index(row["part"]) + 1,
                "iscrowd": 0, "area": round(row["bbox"][2] * row["bbox"][3], 1), **kept,
            })  # fmt: skip
    categories = [{"id": i + 1, "name": name} for i, name in enumerate(names)]
    content = {"images": images, "annotations": annotations, "categories": categories}
    (order.out / "parts.coco.json").write_text(json.dumps(content), encoding="utf-8")
