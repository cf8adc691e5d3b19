"""Numbers beside what the part network says of a tab and a label, for the person who looks. They weigh nothing.

A number stands with its cue's reading, so only parts are measured on which the network could judge that cue.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.config import ReferenceSheet
from pipeline.domain import Box, Measurement, PartName, PartReading, Photo
from pipeline.measures.colour import lab_from_srgb, rgb_from_hex, robust_colour
from pipeline.measures.label import ground_colour, ground_difference, rules_out_a_warm_lamp
from pipeline.measures.pocket_position import PocketFit
from pipeline.measures.ribbon import seams_beside
from pipeline.measures.seam_stitches import stitches_per_inch
from pipeline.measures.seam_strip import Seam, SeamStrip, seam_strip

_SPACING, _GROUND = "tab_stitch_spacing", "label_ground"
_EVEN = 0.5  # the network's say that a row is even; of an uneven one a count to the inch says nothing
_LABEL_PX = 64  # longer side of the small picture that a label's colours are read in
_SKIPPED = 4  # pixels of the photo to one of that picture, along a side, beyond which some are skipped
_CLOTH = 0.25, 0.06  # of the box's sides: the cloth round a label, from the outer edge to the inner
_GROUND_MARGIN = 0.12  # of the box's sides: frayed edges, and corners of a label that lies askew

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SheetFigures:
    """What the sheet says of a tab's size (mm: out of the seam, along it) and of colours, CIELAB."""

    tab_mm: tuple[float, float]
    tab_lab: NDArray[np.float64]
    label_lab: NDArray[np.float64]


def figures_of(sheet: ReferenceSheet) -> SheetFigures:
    """The sheet's figures that numbers are measured against."""
    return SheetFigures(
        tab_mm=sheet.tab.size,
        tab_lab=lab_from_srgb(rgb_from_hex(sheet.tab.ground)),
        label_lab=lab_from_srgb(rgb_from_hex(sheet.label.ground)),
    )


def with_numbers(
    photo: Photo, readings: Sequence[PartReading], placed: Mapping[int, PocketFit], figures: SheetFigures
) -> list[PartReading]:
    """The readings of one photo's parts, in order, each cue with its number where that can be measured.

    Args:
        photo: where the parts were found.
        readings: of its parts.
        placed: of the tabs on a pocket that was measured, by place in `readings`, the pocket.
        figures: what the sheet says.
    """
    return [_with_number(photo.pixels, reading, placed.get(place), figures) for place, reading in enumerate(readings)]


def _with_number(pixels: Pixels, reading: PartReading, pocket: PocketFit | None, figures: SheetFigures) -> PartReading:
    """A reading with the one number that there is for such a part."""
    likelihood = {cue.cue: cue.likelihood for cue in reading.cues}
    part, box = reading.found.part, reading.found.box
    if part is PartName.LABEL and _GROUND in likelihood:
        return _beside(reading, _GROUND, _ground(pixels, box, figures))
    if part is PartName.TAB and likelihood.get(_SPACING, {}).get("even", 0.0) > _EVEN:
        strip = _strip(pixels, box, pocket, figures)
        return _beside(reading, _SPACING, None if strip is None else stitches_per_inch(strip))
    return reading


def _beside(reading: PartReading, cue: str, number: Measurement | None) -> PartReading:
    """The reading with a number beside one of its cues."""
    cues = tuple(replace(one, measured=number) if one.cue == cue else one for one in reading.cues)
    return reading if number is None else replace(reading, cues=cues)


def _strip(pixels: Pixels, box: Box, pocket: PocketFit | None, figures: SheetFigures) -> SeamStrip | None:
    """The tab's seam: where the pocket has it, else the side of the ribbon along which thread stands out more."""
    seam = None if pocket is None else pocket.seam()
    if seam is None:
        seams = seams_beside(pixels, box, figures.tab_mm, figures.tab_lab)
    else:
        seams = (Seam(seam.top, seam.bottom, seam.onto_pocket, seam.px_per_mm, seam.scale_sigma, figures.tab_mm[1]),)
    strips = [strip for strip in (seam_strip(pixels, one) for one in seams) if strip is not None]
    return max(strips, key=lambda strip: strip.stand_out, default=None)


def _ground(pixels: Pixels, box: Box, figures: SheetFigures) -> Measurement | None:
    """How far a label's ground lies from the sheet's; None where the cloth round it may be lit by a warm lamp."""
    left, top, right, bottom = _grown(box, _CLOTH[0])
    left, top = max(0, round(left)), max(0, round(top))
    window = pixels[top : round(bottom), left : round(right)]
    step = max(1, max(window.shape[:2]) // (_SKIPPED * _LABEL_PX))
    window = window[::step, ::step]
    shrink = min(1.0, _LABEL_PX / max(1, *window.shape[:2]))
    if min(window.shape[:2]) * shrink < 2:
        return None
    small = np.asarray(cv2.resize(window, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8)
    x, y = (
        np.asarray((np.arange(n) + 0.5) * step / shrink + start, np.float64)
        for n, start in zip(small.shape[1::-1], (left, top), strict=True)
    )
    cloth = robust_colour(small, ~_inside(x, y, _grown(box, _CLOTH[1])))
    ground = ground_colour(small, _inside(x, y, _grown(box, -_GROUND_MARGIN)))
    if cloth is None or ground is None or not rules_out_a_warm_lamp(cloth):
        return None
    return ground_difference(ground, figures.label_lab, is_balanced=False)


def _grown(box: Box, share: float) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a box with every side moved outwards by a share of its length."""
    left, top, right, bottom = box.xyxy
    return left - share * box.w, top - share * box.h, right + share * box.w, bottom + share * box.h


def _inside(x: Floats, y: Floats, xyxy: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    """Which pixels with these middles lie in a box, shape (len(y), len(x))."""
    left, top, right, bottom = xyxy
    return np.asarray(((y >= top) & (y <= bottom))[:, None] & ((x >= left) & (x <= right)), np.bool_)
