"""Boxes and points say where things are drawn."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.domain import PartName
from synthetic.arrays import NumpyArrays
from synthetic.canvas import Canvas, Pen
from synthetic.lettering import font_files
from synthetic.pair import Pair
from synthetic.parts import hardware, label, pocket, zip_slider
from synthetic.views import Annotation, View, annotate
from tests.synthetic.builders import BLACK, PALE, VIEW_OF, a_pair, a_view, alone, draw_round, placed


def unworn(thread: tuple[float, float, float] = PALE, **states: str) -> Pair:
    """New, of pale cloth."""
    return replace(a_pair(**states), wear=0.0, denim=PALE, denim_pale=PALE, thread=thread)


def in_the_dark() -> Pair:
    """New, of black cloth and thread: of pocket and tab only the ribbon is lit."""
    return replace(unworn(BLACK), denim=BLACK, denim_pale=BLACK)


def note_of(view: View, part: PartName) -> Annotation:
    return next(a for a in annotate(view) if a.part == part)


def lit(view: View, xyxy: tuple[float, float, float, float]) -> np.ndarray:
    """Left, top, right, bottom of what is at least half as bright as the part, in px of the photo."""
    pixels, corner = draw_round(view, xyxy)
    bright = pixels.max(2)
    ys, xs = np.nonzero(bright > 0.5 * np.median(bright[bright > 6]))
    return np.array([xs.min(), ys.min(), xs.max() + 1, ys.max() + 1]) + np.tile(corner, 2)


@pytest.mark.parametrize("part", [PartName.LABEL, PartName.BUTTON, PartName.BUTTON_BACK, PartName.RIVET])
@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_part_drawn_alone_fills_its_box(part, seed):
    view = a_view(VIEW_OF[part], unworn(label_ground="white"), seed)
    box = note_of(view, part).box.xyxy
    w, h = view.camera.size_wh
    found = lit(alone(view, placed(view, part)), box).clip(0, [w, h, w, h])
    assert np.abs(found - np.array(box)).max() < 2.5


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_pocket_drawn_without_its_tab_fills_its_box(seed):
    view = a_view("back_pocket", unworn(), seed)
    box = note_of(view, PartName.POCKET).box.xyxy
    body = alone(
        view, placed(view, PartName.POCKET), lambda canvas: pocket.draw_pocket(Pen(canvas), view.pair, with_tab=False)
    )
    assert np.abs(lit(body, box) - np.array(box)).max() < 2.5


@pytest.mark.parametrize("seed", [0, 2, 5])
def test_a_care_tag_fills_its_box(seed):
    view = a_view("care_tag", replace(unworn((1.0, 1.0, 1.0)), seed=seed))  # sewing that hung over would be lit
    box = note_of(view, PartName.CARE_TAG).box.xyxy
    assert np.abs(lit(alone(view, placed(view, PartName.CARE_TAG)), box) - np.array(box)).max() < 2.5


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_the_ribbon_fills_the_tabs_box(seed):
    view = a_view("tab", in_the_dark(), seed)
    box = note_of(view, PartName.TAB).box.xyxy
    assert np.abs(lit(alone(view, placed(view, PartName.POCKET)), box) - np.array(box)).max() < 3


@pytest.mark.parametrize("photo", [1, 2])
def test_slider_and_pull_fill_the_zips_outline(photo):
    canvas = Canvas(NumpyArrays(), np.array([[20.0, 0, 400], [0, 20.0, 200]]), 800, 900)
    pen, pair = Pen(canvas), a_pair()
    zip_slider.draw_zip(pen, pair, photo)
    ys, xs = np.nonzero(canvas.gloss > 0.05)  # teeth and tape have no gloss
    outline = pen.px(zip_slider.outline(pair, photo))
    assert np.abs(np.array([xs.min(), ys.min()]) - outline.min(0)).max() < 2.5
    assert np.abs(np.array([xs.max() + 1, ys.max() + 1]) - outline.max(0)).max() < 2.5


def brightness(view: View, points: np.ndarray) -> np.ndarray:
    """How bright the photo is at each of some points."""
    corners = np.vstack([points.min(0), points.max(0)])
    pixels, corner = draw_round(view, tuple(corners.ravel()))
    at = np.floor(points - corner).astype(int)
    return pixels[at[:, 1], at[:, 0]].max(1)


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_pockets_corners_lie_where_the_cloth_ends(seed):
    view = a_view("back_pocket", unworn(), seed)
    points = note_of(view, PartName.POCKET).keypoints[:5]
    inward = points.mean(0) - points
    inward /= np.hypot(*inward.T)[:, None]
    view = alone(view, placed(view, PartName.POCKET))
    assert brightness(view, points + 4 * inward).min() > 90
    assert brightness(view, points - 4 * inward).max() < 20


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_the_tabs_points_lie_where_the_ribbon_meets_the_seam(seed):
    view = a_view("tab", in_the_dark(), seed)
    top, bottom = view.camera.project(placed(view, PartName.POCKET).keypoints)[5:]
    out = placed(view, PartName.TAB).outline
    across = view.camera.project(out[[1, 2]]) - np.stack([top, bottom])
    across /= np.hypot(*across.T)[:, None]
    down = (bottom - top) / np.hypot(*(bottom - top))
    view = alone(view, placed(view, PartName.POCKET))
    just_on = np.stack([top + 8 * across[0] + 6 * down, bottom + 8 * across[1] - 6 * down])
    past_the_ends = np.stack([top + 8 * across[0] - 6 * down, bottom + 8 * across[1] + 6 * down])
    before_the_seam = np.stack([top - 6 * across[0] + 6 * down, bottom - 6 * across[1] - 6 * down])
    assert brightness(view, just_on).min() > 30
    assert brightness(view, past_the_ends).max() < 12
    assert brightness(view, before_the_seam).max() < 12


def with_print(pair: Pair, part: PartName, middle: str) -> Pair:
    """The pair with other digits in one of its prints: figures are mostly equally wide."""
    if part == PartName.BUTTON_BACK:
        return replace(pair, code=f"8{middle}8")
    if part == PartName.CARE_TAG:
        return replace(pair, tag_code=f"8{middle}8")
    return replace(pair, printed_waist=int(middle))


@pytest.mark.parametrize("part", [PartName.BUTTON_BACK, PartName.CARE_TAG, PartName.LABEL])
def test_digit_points_lie_on_their_digits(part):
    first = 2 if part == PartName.LABEL else 1  # after the style's two digits, or the code's first
    arcs = 0
    for seed in range(1, 9):
        pair = replace(a_pair(seed), wear=0.0)
        arcs += hardware.code_print(pair).arc is not None
        plain = a_view(VIEW_OF[part], with_print(pair, part, "88"), 3)
        note = note_of(plain, part)
        before, corner = draw_round(plain, note.box.xyxy)
        apart = np.hypot(*(note.digits[first + 1] - note.digits[first]))  # from digit to digit, px
        for which, middle in ((first, "28"), (first + 1, "80")):
            after, _ = draw_round(a_view(VIEW_OF[part], with_print(pair, part, middle), 3), note.box.xyxy)
            changed = np.abs(after.astype(int) - before).max(2)
            # a narrower figure moves those after it by a hair: where most changes is the figure itself
            around = cv2.GaussianBlur(changed.astype(np.float32), (0, 0), 0.3 * apart)
            y, x = np.unravel_index(around.argmax(), around.shape)
            assert np.hypot(*((x, y) + corner + 0.5 - note.digits[which])) < 0.35 * apart
    assert part != PartName.BUTTON_BACK or 0 < arcs < 8  # straight and curved codes were both met


def test_size_print_is_where_the_order_of_sewing_shows_only_if_it_meets_the_seam():
    for seed in range(30):
        pair = a_pair(seed)
        low = pair.sheet.label.size[1] - label.seam_inset(pair)
        line = label.size_prints(pair)[-1]
        reach = line.centre[1] + line.cap_mm / 2
        assert (reach > low - 0.9) == label.size_print_meets_seam(pair)


def test_size_lines_side_by_side_keep_a_gap_and_stay_on_the_label():
    beside = 0
    for seed in range(60):
        pair = replace(a_pair(seed), wear=1.0)
        w, h = pair.sheet.label.size
        first, last = label.size_prints(pair)
        assert last.centre[1] + last.cap_mm / 2 < h - 0.9
        if abs(first.centre[1] - last.centre[1]) > first.cap_mm:
            continue
        beside += 1
        assert last.letters()[0, 0] - first.letters()[-1, 0] > 0.06 * w
        assert first.letters()[0, 0] > 0
        assert last.letters()[-1, 0] < w
    assert beside > 10


def test_letters_along_an_arc_do_not_run_into_each_other():
    canvas = Canvas(NumpyArrays(), np.array([[20.0, 0, 300], [0, 20.0, 300]]), 600, 600)
    font = font_files()[0]
    patch = Pen(canvas).arc_text("8888", font, 6.0, (0.0, 0.0), 8.0, -np.pi / 2, 1.5)
    assert cv2.connectedComponents((patch.mask > 127).astype(np.uint8))[0] - 1 == 4
