"""Lamps in training."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from pipeline.cutting import PAD_GREY  # noqa: E402 - after torch is known to be there
from pipeline.train.gpu_augment import jitter  # noqa: E402
from pipeline.train.lamp_light import LAMP_RAW, balanced, lamp_changes, relit  # noqa: E402

CPU = torch.device("cpu")
NO_ERROR = torch.zeros(1, 3)


def under(lamp: str, adapted: float) -> torch.Tensor:
    return balanced(torch.tensor([LAMP_RAW[lamp]]), torch.tensor([[adapted]]), NO_ERROR)[0]


def test_daylight_changes_nothing():
    torch.testing.assert_close(under("D65", 0.0), torch.eye(3), atol=3e-4, rtol=0)


@pytest.mark.parametrize("lamp", LAMP_RAW)
def test_a_camera_that_follows_its_lamp_shows_white_as_white(lamp):
    torch.testing.assert_close(under(lamp, 1.0).sum(1), torch.ones(3), atol=3e-4, rtol=0)


def test_tungsten_is_red_shade_is_blue_and_a_fluorescent_tube_is_green():
    for lamp, signs in {"2300 K": (1, None), "shade": (-1, None), "FL4": (1, 1)}.items():
        red, green, blue = under(lamp, 0.0).sum(1).log().tolist()
        assert np.sign(red - blue) == signs[0]
        assert signs[1] is None or green > (red + blue) / 2


def test_changes_keep_the_brightness_of_white_and_differ_between_pictures():
    torch.manual_seed(0)
    changes = lamp_changes(200, CPU)
    luminance = changes.sum(2) @ torch.tensor([0.2126, 0.7152, 0.0722])
    torch.testing.assert_close(luminance, torch.ones(200), atol=1e-4, rtol=0)
    alone = (changes - torch.eye(3)).abs().amax((1, 2)) < 1e-6
    assert 0.3 < alone.float().mean() < 0.5  # four in ten are left as they are
    assert changes[~alone].std(0).min() > 0.005


def test_no_strength_changes_nothing_and_half_goes_half_way():
    for strength, share in ((0.0, 0.0), (0.5, 0.5)):
        torch.manual_seed(1)
        part = lamp_changes(20, CPU, strength)
        torch.manual_seed(1)
        torch.testing.assert_close(part - torch.eye(3), share * (lamp_changes(20, CPU) - torch.eye(3)))


def test_grey_of_outside_the_photo_stays_and_other_grey_does_not():
    pixels = torch.full((1, 3, 2, 4), float(PAD_GREY))
    pixels[..., 2:] = PAD_GREY + 6
    lit = relit(pixels, under("2300 K", 0.0)[None])
    assert torch.equal(lit[..., :2], pixels[..., :2])
    assert (lit[0, 0, :, 2:] > lit[0, 2, :, 2:] + 40).all()


def test_light_that_no_lamp_changes_comes_back_as_it_was_even_at_half_precision_around_it():
    pixels = torch.rand(2, 3, 8, 8) * 254 + 1
    with torch.autocast("cpu", torch.bfloat16):
        torch.testing.assert_close(relit(pixels, torch.eye(3).expand(2, 3, 3)), pixels, atol=0.3, rtol=0)


def test_jitter_casts_as_lamps_do_more_often_red_or_blue_than_green():
    torch.manual_seed(2)
    means = jitter(torch.full((400, 3, 4, 4), 128.0), 1.0).mean((2, 3)).log()
    red_blue = (means[:, 0] - means[:, 2]).std()
    green = (means[:, 1] - (means[:, 0] + means[:, 2]) / 2).std()
    assert red_blue > 3 * green
