"""NumPy and torch draw the same picture."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

from synthetic.arrays import arrays_for
from synthetic.looks import LOOKS
from synthetic.views import KINDS, plan_view
from tests.synthetic.builders import a_pair


@pytest.mark.parametrize("kind", KINDS)
def test_both_libraries_draw_the_same_photo(kind):
    at = list(KINDS).index(kind)
    pair = a_pair(at, list(LOOKS)[at % len(LOOKS)], button_finish="coated")
    view = plan_view(np.random.default_rng(at), pair, kind)
    w, h = view.camera.size_wh
    out_wh = (round(200 * w / max(w, h)), round(200 * h / max(w, h)))
    ours = view.draw(arrays_for("cpu"), None, out_wh).astype(int)
    theirs = view.draw(arrays_for("torch-cpu"), None, out_wh).astype(int)
    assert ours.std() > 5  # there is a picture
    assert np.abs(ours - theirs).mean() < 0.5
    assert np.abs(ours - theirs).max() <= 6


@pytest.mark.parametrize("shape", [(40, 60), (40, 60, 3)])
def test_blur_resize_warp_and_motion_agree(shape):
    a = np.random.default_rng(1).random(shape).astype(np.float32)
    x, y = np.meshgrid(np.linspace(-3, 65, 50, dtype=np.float32), np.linspace(-3, 44, 30, dtype=np.float32))
    kernel = np.float32([[0, 0.1, 0.3], [0.1, 0.2, 0.1], [0.1, 0.1, 0]])
    numpy, torch = arrays_for("cpu"), arrays_for("torch-cpu")
    t = torch.put(a)
    for one, other in (
        (numpy.blur(a, 1.7), torch.blur(t, 1.7)),
        (numpy.resize(a, 25, 90), torch.resize(t, 25, 90)),
        (numpy.warp(a, x, y), torch.warp(t, torch.put(x), torch.put(y))),
        (numpy.motion(a, kernel), torch.motion(t, kernel)),
    ):
        # OpenCV places warped samples in steps of 1/32 px
        assert np.abs(numpy.get(one) - torch.get(other)).max() < 0.05
        assert np.abs(numpy.get(one) - torch.get(other)).mean() < 0.01


@pytest.mark.parametrize("turn", [0.0, 0.4])
@pytest.mark.parametrize("shift", [(0.0, 0.0), (-37.3, 61.9), (5000.25, -812.5)])
def test_a_repeated_tile_is_sampled_alike_and_as_if_it_went_on_for_ever(turn, shift):
    tile = np.random.default_rng(2).random((24, 24)).astype(np.float32)
    c, s = 0.7 * np.cos(turn), 0.7 * np.sin(turn)
    back = np.array([[c, s, shift[0]], [-s, c, shift[1]]])
    numpy, torch = arrays_for("cpu"), arrays_for("torch-cpu")
    one, other = numpy.tiled(tile, back, 50, 70), torch.get(torch.tiled(tile, back, 50, 70))
    x, y = np.meshgrid(np.arange(70), np.arange(50))
    at = np.stack([x, y, np.ones_like(x)], -1) @ back.T
    i = np.floor(at).astype(int)
    f = at - i
    cell = lambda dx, dy: tile[(i[..., 1] + dy) % 24, (i[..., 0] + dx) % 24]  # noqa: E731
    top = cell(0, 0) * (1 - f[..., 0]) + cell(1, 0) * f[..., 0]
    low = cell(0, 1) * (1 - f[..., 0]) + cell(1, 1) * f[..., 0]
    true = top * (1 - f[..., 1]) + low * f[..., 1]
    assert np.abs(other - true).max() < 0.002
    assert np.abs(one - true).max() < 0.05  # OpenCV places samples in steps of 1/32 px
    for library in (numpy, torch):
        piece = library.get(library.repeated(tile, 20, 7, 60, 35))
        assert (piece == np.tile(tile, (4, 2))[20:80, 7:42]).all()


def test_arithmetic_on_pictures_agrees_with_its_plain_form():
    rng = np.random.default_rng(3)
    a, b = rng.random((2, 300, 200, 3)).astype(np.float32)
    weight, mask = rng.random((300, 200)).astype(np.float32), rng.integers(0, 256, (300, 200)).astype(np.uint8)
    red, matrix = (0.9, 0.2, 0.1), rng.random((3, 3))
    table = np.linspace(5, 9, 101).astype(np.float32)
    w = weight[..., None]
    for library in (arrays_for("cpu"), arrays_for("torch-cpu")):
        put, get = (lambda v, library=library: library.put(v.copy())), library.get
        scaled, blended, tinted = put(a), put(a), put(a)
        library.scale(scaled, put(weight))
        library.blend(blended, put(b), put(weight))
        library.blend(tinted, library.colour(red), put(weight))
        pairs = [
            (scaled, a * w),
            (blended, a + w * (b - a)),
            (tinted, a + w * (np.float32(red) - a)),
            (library.cover(mask, -0.4), mask * (-0.4 / 255)),
            (library.factor(mask, -0.4), 1 - 0.4 * mask / 255),
            (library.dye(red, (0.0, 0.5, 1.0), put(weight), put(a[..., 0])),
             (np.float32(red) + w * (np.float32((0.0, 0.5, 1.0)) - np.float32(red))) * a[..., :1]),
            (library.mix(put(a), matrix), a @ matrix.T),
        ]  # fmt: skip
        for found, plain in pairs:
            assert np.abs(get(found) - plain).max() < 1e-5
        off = np.abs(get(library.curve(put(4 * a), table, 50.0)) - table[np.round(np.sqrt(4 * a) * 50).astype(int)])
        assert off.max() < 0.041  # halfway between two entries either may be taken
        assert (off > 1e-6).mean() < 1e-3
        assert (library.eight_bits(put(300 * a - 20)) == np.clip(300 * a - 20 + 0.5, 0, 255).astype(np.uint8)).all()
