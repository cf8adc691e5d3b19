"""Training samples drawn directly: a part's crop, or a small photo for the detector, with their labels."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.classify.crops import CLOSE_LEAST_SIDE, CROPS, PAD_GREY, Square, resize_square, square_for
from pipeline.config import ReferenceSheet
from pipeline.domain import Box, PartName
from synthetic.arrays import Arrays
from synthetic.clutter import draw_clutter
from synthetic.looks import LOOKS
from synthetic.pair import Pair, balanced_states, make_pair
from synthetic.views import Annotation, View, annotate, plan_view

Rng = np.random.Generator
_KINDS_OF_PART = {
    PartName.POCKET: (("back_pocket", 0.65), ("whole_back", 0.2), ("tab", 0.15)),
    PartName.TAB: (("tab", 0.5), ("back_pocket", 0.42), ("whole_back", 0.08)),
    PartName.LABEL: (("label", 0.72), ("back_pocket", 0.16), ("whole_back", 0.12)),
    PartName.BUTTON: (("button", 0.94), ("whole_front", 0.06)),
    PartName.BUTTON_BACK: (("button_back", 1.0),),
    PartName.RIVET: (("rivet", 0.8), ("button", 0.14), ("whole_front", 0.06)),
    PartName.ZIP: (("zip", 1.0),),
    PartName.CARE_TAG: (("care_tag", 1.0),),
}
_LITTLE = 0.15  # share of a thing, or of a window, that may show without anything being seen of it
CLUTTER_SHARE = 0.2  # of the detector's samples: pictures without any part
_PHOTO_KINDS = (
    ("back_pocket", 0.2), ("tab", 0.1), ("label", 0.1), ("button", 0.1), ("button_back", 0.08), ("rivet", 0.1),
    ("zip", 0.08), ("care_tag", 0.08), ("whole_back", 0.1), ("whole_front", 0.06),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PartCrop:
    """One classifier sample: the crop, the square it covers, the part's annotation in photo px, the pair."""

    part: PartName
    pixels: NDArray[np.uint8]
    square: Square
    annotation: Annotation
    pair: Pair
    size_wh: tuple[int, int]


def draw_pair(
    rng: Rng, sheet: ReferenceSheet, departure_rate: float, looks: Sequence[str], without: Collection[str] = ()
) -> Pair:
    """A pair with independent departures, none of them in cues among `without`, in a random look."""
    look = LOOKS[str(rng.choice(list(looks)))]
    return make_pair(rng, sheet, balanced_states(rng, departure_rate, without), True, look)


def _pick(rng: Rng, options: Sequence[tuple[str, float]]) -> str:
    names, weights = zip(*options, strict=True)
    return str(rng.choice(names, p=np.array(weights) / sum(weights)))


def sample_crop(
    rng: Rng,
    sheet: ReferenceSheet,
    part: PartName,
    looks: Sequence[str],
    departure_rate: float,
    arrays: Arrays,
    without: Collection[str] = (),
) -> PartCrop:
    """Draw one crop of a part, its box as unsure as a detector's; cues among `without` do not depart."""
    return crop_of_pair(rng, lambda: draw_pair(rng, sheet, departure_rate, looks, without), part, arrays)[0]


def sample_crop_with_view(
    rng: Rng, sheet: ReferenceSheet, part: PartName, looks: Sequence[str], departure_rate: float, arrays: Arrays
) -> tuple[PartCrop, View]:
    """The same, and the photo that the crop is part of, for who needs to see its surroundings."""
    return crop_of_pair(rng, lambda: draw_pair(rng, sheet, departure_rate, looks), part, arrays)


def crop_of_pair(rng: Rng, next_pair: Callable[[], Pair], part: PartName, arrays: Arrays) -> tuple[PartCrop, View]:
    """The same for pairs made by `next_pair`, asked until a photo shows the part."""
    while True:
        pair = next_pair()
        view = plan_view(rng, pair, _pick(rng, _KINDS_OF_PART[part]))
        found = annotate(view, part)
        if found:
            note = found[int(rng.integers(len(found)))]
            square = square_for(part, _unsure(rng, note.box))
            pixels = _draw_square(rng, view, square, CROPS[part].side_px, arrays)
            return PartCrop(part, pixels, square, note, pair, view.camera.size_wh), view


def sample_nothing(
    rng: Rng, sheet: ReferenceSheet, part: PartName, looks: Sequence[str], departure_rate: float, arrays: Arrays
) -> NDArray[np.uint8]:
    """Draw what a detector may take for a part although it is none: a finger, cloth, a thing that lies about.

    Nothing of the part can be judged on it. uint8 RGB, of the part's side.
    """
    side_px = CROPS[part].side_px
    if rng.random() < 0.35:
        return _recompressed(draw_clutter(rng, side_px), int(rng.integers(60, 97)))
    is_finger = rng.random() < 0.3
    while True:
        view = plan_view(rng, draw_pair(rng, sheet, departure_rate, looks), _pick(rng, _PHOTO_KINDS))
        if is_finger and not any(overlay.kind == "finger" for overlay in view.overlays):
            continue
        square = _square_beside(rng, view)
        if square is not None:
            return _draw_square(rng, view, square, side_px, arrays)


def _square_beside(rng: Rng, view: View) -> Square | None:
    """A square of a photo, on a finger where one is in it, that shows hardly anything of any part; None: not found."""
    long_side = max(view.camera.size_wh)
    fingers = [overlay.outline for overlay in view.overlays if overlay.kind == "finger"]
    parts = [note.box for note in annotate(view)]  # which draws parts to judge them, so once
    for _ in range(6):
        side = long_side * float(rng.uniform(0.06, 0.5))
        middle = rng.random(2) * view.camera.size_wh
        if fingers:
            tip, far = fingers[0][:-2].mean(0), fingers[0][-2:].mean(0)
            middle = tip + (far - tip) / np.linalg.norm(far - tip) * side * rng.uniform(0, 0.7)
        box = Box(float(middle[0]) - side / 2, float(middle[1]) - side / 2, side, side)
        if not any(_shows_in(box, part) for part in parts):
            return Square(box.x, box.y, side)
    return None


def _shows_in(window: Box, thing: Box) -> bool:
    """Whether a window shows a fair piece of a thing, or the thing fills a fair piece of the window."""
    left, top, right, bottom = window.xyxy
    x0, y0, x1, y1 = thing.xyxy
    shared = max(0.0, min(right, x1) - max(left, x0)) * max(0.0, min(bottom, y1) - max(top, y0))
    return shared > _LITTLE * min(window.w * window.h, thing.w * thing.h)


def _unsure(rng: Rng, box: Box) -> Box:
    """A box as a detector gives it: a few percent off."""
    s = 0.05 * max(box.w, box.h)
    d = np.clip(rng.normal(0, 1, 4), -2, 2) * s * rng.random()
    return Box(box.x + d[0], box.y + d[1], max(2.0, box.w + d[2]), max(2.0, box.h + d[3]))


def _draw_square(rng: Rng, view: View, square: Square, side_px: int, arrays: Arrays) -> NDArray[np.uint8]:
    """Draw at the photo's own scale (or the network's, if coarser), compress as a JPEG, scale."""
    native = max(16, round(square.side))
    drawn = min(native, side_px)
    window = (square.x, square.y, square.side, square.side)
    pixels = view.draw(arrays, window, (drawn, drawn))
    plain = int(rng.integers(60, 93))
    quality = int(plain + (96 - plain) * (1 - drawn / native))
    pixels = _recompressed(_outside_greyed(pixels, square, view.camera.size_wh), quality)
    return resize_square(pixels, side_px)


def _recompressed(pixels: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    _, data = cv2.imencode(".jpg", pixels[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)[:, :, ::-1])


def _outside_greyed(pixels: NDArray[np.uint8], square: Square, size_wh: tuple[int, int]) -> NDArray[np.uint8]:
    """Blank what lies outside the photo, as it is at inference."""
    n = pixels.shape[0]
    k = n / square.side
    x0, y0 = (round(max(0.0, -v) * k) for v in (square.x, square.y))
    x1, y1 = (round(min(float(n), (limit - v) * k)) for v, limit in ((square.x, size_wh[0]), (square.y, size_wh[1])))
    out = np.full_like(pixels, PAD_GREY)
    out[y0:y1, x0:x1] = pixels[y0:y1, x0:x1]
    return out


@dataclass(frozen=True, slots=True)
class DetectorSample:
    """A letterboxed photo or a close look at a pocket: uint8 RGB (side, side, 3) and boxes xyxy in its px.

    `look`: the name of the look it is drawn in; None where nothing of a garment is in it.
    """

    pixels: NDArray[np.uint8]
    parts: tuple[PartName, ...]
    boxes_xyxy: NDArray[np.float32]
    look: str | None = None


def sample_photo(
    rng: Rng,
    sheet: ReferenceSheet,
    looks: Sequence[str],
    departure_rate: float,
    side_px: int,
    close_context: float,
    arrays: Arrays,
    without: Collection[str] = (),
) -> DetectorSample:
    """Draw one detector sample; about a quarter are second looks: a square round the small parts found at first."""
    if rng.random() < CLUTTER_SHARE:
        pixels = _recompressed(draw_clutter(rng, side_px), int(rng.integers(60, 97)))
        return DetectorSample(pixels, (), np.zeros((0, 4), np.float32))
    pair = draw_pair(rng, sheet, departure_rate, looks, without)
    second = rng.random() < 0.25
    kind = (
        _pick(rng, (("back_pocket", 0.2), ("whole_back", 0.45), ("whole_front", 0.35)))
        if second
        else _pick(rng, _PHOTO_KINDS)
    )
    view = plan_view(rng, pair, kind)
    notes = annotate(view)
    w, h = view.camera.size_wh
    if second and notes:
        square = _second_look(rng, notes, close_context, max(w, h))
        pixels = _draw_square(rng, view, square, side_px, arrays)
        offset, k = np.array([square.x, square.y]), side_px / square.side
    else:
        k = side_px / max(w, h)
        out_wh = (round(w * k), round(h * k))
        drawn = _recompressed(view.draw(arrays, None, out_wh), int(rng.integers(70, 97)))
        pixels = np.full((side_px, side_px, 3), PAD_GREY, np.uint8)
        pixels[: out_wh[1], : out_wh[0]] = drawn
        offset = np.zeros(2)
    parts, boxes = _boxes_in(notes, offset, k, side_px)
    return DetectorSample(pixels, parts, boxes, pair.look.name)


def _second_look(rng: Rng, notes: Sequence[Annotation], context: float, long_side_px: int) -> Square:
    """A square round most of the parts, as after a first look that missed some; never a mere speck of the photo."""
    share = 0.8 if rng.random() < 0.7 else 0.4  # some looks are at half of the parts only
    seen = [a.box.xyxy for a in notes if rng.random() < share] or [notes[0].box.xyxy]
    low, high = np.min(seen, 0)[:2], np.max(seen, 0)[2:]
    box = _unsure(rng, Box(float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])))
    side = max(max(box.w, box.h) * context, CLOSE_LEAST_SIDE * long_side_px) * rng.uniform(0.85, 1.25)
    return Square(box.x + box.w / 2 - side / 2, box.y + box.h / 2 - side / 2, side)


def _boxes_in(
    notes: Sequence[Annotation], offset: NDArray[np.float64], k: float, side_px: int
) -> tuple[tuple[PartName, ...], NDArray[np.float32]]:
    """Parts and boxes xyxy in a sample's px; those mostly cut off are left out."""
    parts, boxes = [], []
    for note in notes:
        x0, y0, x1, y1 = note.box.xyxy
        corners = (np.array([x0, y0, x1, y1]) - np.tile(offset, 2)) * k
        clipped = np.clip(corners, 0, side_px)
        size = clipped[2:] - clipped[:2]
        share = size.prod() / max(1e-6, (corners[2:] - corners[:2]).prod())
        if share >= 0.4 and size.min() >= 3:
            parts.append(note.part)
            boxes.append(clipped)
    return tuple(parts), np.array(boxes, np.float32).reshape(-1, 4)
