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
