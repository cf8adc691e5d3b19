"""Finds the parts in a photo: once in the whole, and once more closer where all parts are small."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.cutting import PAD_GREY, Square, cut_out
from pipeline.detect.boxes import Boxes, decode, overlap, without_doubles, without_rivals
from pipeline.domain import Box, FoundPart, PartName, Photo
from pipeline.model_files import DetectorCard, Network, read_card

PARTS = tuple(PartName)
_POCKET, _TAB = PARTS.index(PartName.POCKET), PARTS.index(PartName.TAB)
_LEAST_SIDE_PX = 2.0
_SAME = 0.5  # overlap from which the closer look's box is one that was known
_AS_SURE = 0.6  # a closer look that is much less sure than the first saw something else
_EDGE = 0.01  # of the square's side
_SHORT_SIDE = 0.75  # of the long side: most photos are 4 by 3 or narrower
_STRIDE = 32  # px; what the sides of the network's input are multiples of
_NEAR_SIDE = 0.15  # of the pocket's size: how far off its edge a tab's middle may lie

# Two names for one thing. In 1,557 drawn photos no two labelled boxes of different parts overlap by more than 0.06
# (340 pairs of pocket and tab; pocket and label touch twice), and found boxes of different parts on one place overlap
# by more than 0.7: any limit between gives the same.
_ONE_THING = 0.5
_MAY_SHARE = (frozenset((_POCKET, _TAB)),)  # a tab in close-up, on the little that shows of its pocket

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]


class Detector:
    """The detector with its card, ready to run."""

    def __init__(self, card: DetectorCard, networks: Mapping[int, Network]) -> None:
        """`networks` by input size, px."""
        self.card, self._networks = card, networks
        self._least = np.array([card.least_score[part] for part in PARTS], np.float32)

    def find(self, photo: Photo) -> list[FoundPart]:
        """The parts in a photo, surest first: those that reach the card's thresholds."""
        return [found for found in self.find_all(photo) if found.is_sure]

    def find_all(self, photo: Photo, least_score: float | None = None) -> list[FoundPart]:
        """The parts in a photo, surest first, those too of which the detector is not sure.

        Args:
            photo: upright, uint8 RGB.
            least_score: from which a part is told of; the card's if None.
        """
        least = np.minimum(self._least, self.card.told_from if least_score is None else least_score)
        width, height = photo.size_wh
        seen = self._look(photo.pixels, np.minimum(least, self.card.close_look.anchor_score))
        anchors = seen.take(seen.scores >= self.card.close_look.anchor_score)
        for square in squares_around(anchors, (width, height), self.card):
            seen = sharpened(seen, self._look_closer(photo.pixels, square, least))
        found = without_doubles(seen.take(seen.scores >= least[seen.parts]), self.card.nms_iou)
        # Small parts score lower throughout, so what counts is how far a box lies above its own part's threshold.
        found = without_rivals(found, found.scores - self._least[found.parts], _ONE_THING, _MAY_SHARE)
        found = one_tab_a_pocket(found)
        corners = np.clip(found.xyxy, 0, np.array([width, height, width, height], np.float32))
        return [
            FoundPart(photo.path, PARTS[part], box, float(score), is_sure=bool(score >= self._least[part]))
            for part, four, score in zip(found.parts, corners, found.scores, strict=True)
            if (box := _box(four)) is not None
        ]

    def _look(self, pixels: Pixels, least: Floats) -> Boxes:
        """The first look, at the whole photo."""
        picture, scale = letterbox(pixels, self.card.side_px)
        height, width = pixels.shape[:2]
        out = self._networks[self.card.side_px](with_less_grey(picture, (scale * width, scale * height)))
        found = decode(out["scores"], out["boxes"], least, self.card.nms_iou)
        return found.moved(found.xyxy / np.float32(scale))

    def _look_closer(self, pixels: Pixels, square: Square, least: Floats) -> Boxes:
        """What shows in a square of the photo, whole, in photo px."""
        side_px = self.card.close_look.side_px
        out = self._networks[side_px](cut_out(pixels, square, side_px))
        found = decode(out["scores"], out["boxes"], least, self.card.nms_iou)
        corners = square.to_photo(found.xyxy.reshape(-1, 2, 2).astype(np.float64) / side_px)
        found = found.moved(corners.reshape(-1, 4).astype(np.float32))
        return found.take(~cut_off(found, square, pixels.shape[:2]))


def squares_around(seen: Boxes, photo_wh: tuple[int, int], card: DetectorCard) -> tuple[Square, ...]:
    """Where to look closer: round all that was seen, or in two halves where some of it would still be tiny.

    No square where a look at it would show no more than the first one.
    """
    if len(seen.parts) == 0:
        return ()
    how, long_side = card.close_look, max(photo_wh)
    square = _square_round(seen, long_side, card)
    smallest = float((seen.xyxy[:, 2:] - seen.xyxy[:, :2]).max(axis=1).min())
    if square.side > how.split_from * long_side and smallest * how.side_px < how.tiny_px * square.side:
        squares = [_square_round(half, long_side, card) for half in _halves(seen)]
    else:
        squares = [square]
    return tuple(square for square in squares if square.side < how.most_side * long_side)


def _square_round(seen: Boxes, long_side: int, card: DetectorCard) -> Square:
    how = card.close_look
    low, high = seen.xyxy[:, :2].min(axis=0), seen.xyxy[:, 2:].max(axis=0)
    side = max(how.context * float((high - low).max()), how.least_side * long_side)
    middle = (low + high) / 2
    return Square(float(middle[0]) - side / 2, float(middle[1]) - side / 2, side).snapped()


def _halves(seen: Boxes) -> list[Boxes]:
    """What lies on either side of the middle, along the direction in which it spreads most."""
    middles = (seen.xyxy[:, :2] + seen.xyxy[:, 2:]) / 2
    spread = np.ptp(middles, axis=0)
    along = middles[:, int(spread.argmax())]
    is_low = along < (along.min() + along.max()) / 2
    return [seen.take(is_half) for is_half in (is_low, ~is_low) if is_half.any()]


def cut_off(found: Boxes, square: Square, photo_hw: tuple[int, int]) -> NDArray[np.bool_]:
    """Which boxes end at the square's edge although the photo goes on there, shape (n,)."""
    near = _EDGE * square.side
    low = np.array([square.x, square.y])
    high = low + square.side
    is_low = (found.xyxy[:, :2] < low + near) & (low > 0)
    is_high = (found.xyxy[:, 2:] > high - near) & (high < np.array(photo_hw[::-1]))
    return np.asarray((is_low | is_high).any(axis=1), np.bool_)


def sharpened(found: Boxes, closer: Boxes) -> Boxes:
    """Known boxes with a closer look's in their place where both are the same thing, and what is new.

    Args:
        found: known boxes.
        closer: from the closer look, surest first.
    """
    xyxy, scores = found.xyxy.copy(), found.scores.copy()
    is_new = np.ones(len(closer.parts), np.bool_)
    done: set[int] = set()
    for place in range(len(closer.parts)):
        overlaps = overlap(closer.xyxy[place], found.xyxy) * (found.parts == closer.parts[place])
        known = int(overlaps.argmax()) if len(overlaps) else -1
        if known < 0 or overlaps[known] <= _SAME:
            continue
        is_new[place] = False
        if known not in done and closer.scores[place] >= _AS_SURE * found.scores[known]:
            done.add(known)
            xyxy[known] = closer.xyxy[place]
            scores[known] = max(scores[known], closer.scores[place])
    return Boxes(found.parts, xyxy, scores).and_also(closer.take(is_new))


def one_tab_a_pocket(found: Boxes) -> Boxes:
    """Of several tabs at one pocket only the surest; tabs away from any pocket stay. Surest first."""
    order = np.argsort(-found.scores, kind="stable")
    middles = (found.xyxy[:, :2] + found.xyxy[:, 2:]) / 2
    dropped: set[int] = set()
    for pocket in found.xyxy[found.parts == _POCKET]:
        margin = _NEAR_SIDE * (pocket[2:] - pocket[:2])
        is_inside = ((middles >= pocket[:2] - margin) & (middles <= pocket[2:] + margin)).all(axis=1)
        tabs = [int(place) for place in order if found.parts[place] == _TAB and is_inside[place]]
        dropped.update(tabs[1:])
    return found.take(np.array([place for place in order if int(place) not in dropped], np.intp))


def letterbox(pixels: Pixels, side_px: int) -> tuple[Pixels, float]:
    """A photo scaled so that its long side fits, at the top left of a grey square; and the scale."""
    height, width = pixels.shape[:2]
    scale = side_px / max(height, width)
    out_wh = (max(1, round(width * scale)), max(1, round(height * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR  # halved first, queues rank worse: see DEVELOPERS
    picture = np.full((side_px, side_px, 3), PAD_GREY, np.uint8)
    picture[: out_wh[1], : out_wh[0]] = cv2.resize(pixels, out_wh, interpolation=way)
    return picture, scale


def with_less_grey(picture: Pixels, filled_wh: tuple[float, float]) -> Pixels:
    """A letterbox cut down to `_SHORT_SIDE` where the photo fills no more of it: a quarter less to look at.

    Args:
        picture: a square.
        filled_wh: how much of it the photo fills, px.
    """
    side_px = len(picture)
    short_px = _STRIDE * math.ceil(_SHORT_SIDE * side_px / _STRIDE)
    width, height = (short_px if round(filled) <= short_px else side_px for filled in filled_wh)
    return np.ascontiguousarray(picture[:height, :width])


def _box(corners: Floats) -> Box | None:
    """A box, or None where next to nothing of it lies in the photo."""
    x0, y0, x1, y1 = (float(v) for v in corners)
    return Box(x0, y0, x1 - x0, y1 - y0) if min(x1 - x0, y1 - y0) >= _LEAST_SIDE_PX else None


def load_detector(models_dir: Path, threads: int = 1) -> Detector:
    """Read the detector from its folder.

    Args:
        models_dir: holds `detector.yaml` and the files that it names.
        threads: of the processor, for one picture.

    Raises:
        ConfigError: if a file is missing or is not the one that the card speaks of.
    """
    card = read_card(models_dir, "detector", DetectorCard)
    sides = sorted({card.side_px, card.close_look.side_px})
    return Detector(card, {side: Network(models_dir, card.network, side, threads) for side in sides})
