"""Draws the genuine parts that a moderator compares with, until photos of real ones take their place.

`python -m synthetic.reference_parts references` writes `references/MAKER/PART.jpg`, and `PART-METAL.jpg` where a part
comes in more than one metal. Drawn from the maker's sheet in even light, hardly worn, looked at from straight above.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.config import ReferenceSheet, load_sheets
from pipeline.cues import LISTED_CUES
from pipeline.domain import PartName
from synthetic.arrays import NumpyArrays
from synthetic.looks import LOOKS
from synthetic.pair import make_pair
from synthetic.views import Annotation, View, annotate, plan_view

SIZE_WH = (504, 378)
_KIND = {PartName.POCKET: "back_pocket"}  # the others have a kind of photo of their own name
_METALLIC = {PartName.BUTTON, PartName.RIVET}
_CONTEXT = 0.35  # of the box's longer side shown round it
_MOST_WEAR = 0.3
_TRIES, _DRAWN = 60, 8


def draw_reference(sheet: ReferenceSheet, part: PartName, style: str, seed: int) -> NDArray[np.uint8]:
    """One genuine part, RGB of `SIZE_WH`: of some drawings that show it whole and straight on, the sharpest."""
    rng = np.random.default_rng(seed)
    states = {name: cue.genuine_state for name, cue in LISTED_CUES.items()}
    found: list[tuple[float, View, Annotation]] = []
    for _ in range(_TRIES):
        pair = make_pair(rng, sheet, states, False, LOOKS["window"], style)
        if pair.wear > _MOST_WEAR:
            continue
        view = plan_view(rng, pair, _KIND.get(part, part.value))
        for note in annotate(view, part):
            if _is_whole(note, view.camera.size_wh):
                found.append((min(note.box.w, note.box.h) / max(note.box.w, note.box.h), view, note))
    straightest = sorted(found, key=lambda one: -one[0])[:_DRAWN]
    drawn = (view.draw(NumpyArrays(), _window(note, view.camera.size_wh), SIZE_WH) for _, view, note in straightest)
    return max(drawn, key=lambda pixels: float(cv2.Laplacian(pixels, cv2.CV_64F).var()))


def _is_whole(note: Annotation, size_wh: tuple[int, int]) -> bool:
    left, top, right, bottom = note.box.xyxy
    return left > 1 and top > 1 and right < size_wh[0] - 1 and bottom < size_wh[1] - 1


def _window(note: Annotation, size_wh: tuple[int, int]) -> tuple[float, float, float, float]:
    box, shape = note.box, SIZE_WH[0] / SIZE_WH[1]
    pad = _CONTEXT * max(box.w, box.h)
    width = min(max(box.w + pad, (box.h + pad) * shape), size_wh[0], size_wh[1] * shape)
    height = width / shape
    x = min(max(0.0, box.x + box.w / 2 - width / 2), size_wh[0] - width)
    y = min(max(0.0, box.y + box.h / 2 - height / 2), size_wh[1] - height)
    return x, y, width, height


def main() -> None:
    """Write the pictures of all makers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--configs", type=Path, default=Path(__file__).resolve().parent.parent / "configs")
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args()
    for maker, sheet in load_sheets(options.configs).items():
        (options.out / maker).mkdir(parents=True, exist_ok=True)
        of_metal = {spec.rivet_metal: style for style, spec in sheet.styles.items()}
        zipped = next(style for style, spec in sheet.styles.items() if spec.fly == "zip")
        for part in PartName:
            styles = of_metal if part in _METALLIC else {"": zipped}
            for metal, style in styles.items():
                pixels = draw_reference(sheet, part, style, options.seed)
                name = part.value + (f"-{metal}" if metal else "")
                Image.fromarray(pixels).save(options.out / maker / f"{name}.jpg", quality=88)


if __name__ == "__main__":
    main()
