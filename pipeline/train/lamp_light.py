"""Photos in training as other lamps would have them: what a lamp does to colours, and how a camera balances it.

Gains drawn for each channel alone make casts that no lamp makes, and leave metamerism out. Here a cast is a mixture of
two lamps, seen by a camera that follows it part of the way. The figures come from spectra: lamps of CIE 15,
reflectances of Mallett and Yuksel 2019, a sensor with Bradford's cones on the CIE 1931 observer. The measurement in
`pipeline.evaluate.lamps` uses a real camera's sensitivities and other lamps, so as not to ask what was taught.
"""

from __future__ import annotations

import torch
from torch import Tensor

from pipeline.cutting import PAD_GREY

# What the sensor says of the basis reflectances red, green and blue (columns), a row a channel; white by day is 1.
LAMP_RAW: dict[str, tuple[tuple[float, float, float], ...]] = {
    "D65": ((0.449, 0.522, 0.0291), (0.0535, 0.9242, 0.0223), (0.0196, 0.0804, 0.8999)),
    "2300 K": ((1.0485, 0.6542, 0.0377), (0.0871, 0.884, 0.029), (0.0084, 0.0183, 0.2033)),
    "3500 K": ((0.6776, 0.5791, 0.0294), (0.0697, 0.9012, 0.0291), (0.0114, 0.0436, 0.4546)),
    "shade": ((0.3772, 0.501, 0.0338), (0.0479, 0.9431, 0.009), (0.0298, 0.1138, 1.3254)),
    "FL4": ((0.6654, 0.7439, 0.0275), (0.1106, 0.8887, 0.0007), (0.0087, 0.0068, 0.3779)),
    "FL8": ((0.5086, 0.5423, 0.0284), (0.0551, 0.9246, 0.0203), (0.0144, 0.058, 0.6929)),
    "FL10": ((0.5265, 0.5254, 0.0268), (0.0624, 0.9246, 0.013), (0.0141, 0.0361, 0.7141)),
    "FL12": ((0.8371, 0.5477, 0.0266), (0.0928, 0.8899, 0.0173), (0.0103, 0.014, 0.3694)),
    "LED-B1": ((0.8356, 0.6489, 0.0273), (0.1013, 0.8797, 0.019), (0.0072, 0.0166, 0.3196)),
    "LED-B4": ((0.4651, 0.5983, 0.0273), (0.0682, 0.9385, -0.0067), (0.0118, 0.0327, 0.7798)),
}  # fmt: skip
_DAYLIGHT = "D65"
_LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear RGB, IEC 61966-2-1
_SHARE = 0.6  # of the pictures
_ADAPTED = (0.0, 1.1)  # how far a camera's white balance follows the lamp; over 1 it overdoes
_ERROR = 0.06  # of the camera's white, log, a channel
_GAMMA = 2.2  # near enough to sRGB's curve, and the same both ways
_SAME = 0.5  # of 255


def lamp_changes(count: int, device: torch.device, strength: float = 1.0) -> Tensor:
    """Random changes of linear RGB that lamps and white balances make, (count, 3, 3); luminance of white is kept.

    Args:
        count: how many; some of them change nothing.
        device: where to.
        strength: 0 changes nothing, 1 goes all the way.
    """
    raw = torch.tensor(list(LAMP_RAW.values()), device=device)
    first, second = torch.randint(0, len(raw), (2, count), device=device)
    share = torch.rand(count, 1, 1, device=device)
    mixed = share * raw[first] + (1 - share) * raw[second]
    low, high = _ADAPTED
    adapted = low + (high - low) * torch.rand(count, 1, device=device)
    error = _ERROR * torch.randn(count, 3, device=device)
    return faded(balanced(mixed, adapted, error), torch.rand(count, device=device) < _SHARE, strength)


def balanced(raw: Tensor, adapted: Tensor, error: Tensor) -> Tensor:
    """What lamps do to the linear RGB of pictures that were taken in daylight.

    Args:
        raw: (b, 3, 3), as in `LAMP_RAW`.
        adapted: (b, 1), 0 keeps the daylight balance, 1 makes white white.
        error: (b, 3), natural log, by which the camera misjudges each channel.

    Returns:
        (b, 3, 3); the luminance of white is kept.
    """
    by_day = raw.new_tensor(LAMP_RAW[_DAYLIGHT])
    white = raw.sum(2) ** adapted * error.exp()
    changed = torch.linalg.solve(by_day, raw / white[..., None])
    luminance = (changed.sum(2) * raw.new_tensor(_LUMINANCE)).sum(1)
    kept: Tensor = changed / luminance[:, None, None]
    return kept


def faded(changes: Tensor, is_changed: Tensor, strength: float) -> Tensor:
    """The changes at a strength, and none where `is_changed` (b,) says so."""
    none = torch.eye(3, device=changes.device)
    return none + strength * is_changed[:, None, None] * (changes - none)


def relit(pixels: Tensor, changes: Tensor) -> Tensor:
    """Change the linear light of pictures, float (b, 3, h, w), 0..255, in full precision; the result is clipped.

    The grey that stands for what lies outside a photo stays: there is no lamp, and there it never has a cast.
    """
    is_outside = ((pixels - PAD_GREY).abs() < _SAME).all(1, keepdim=True)
    with torch.autocast(pixels.device.type, enabled=False):
        light = (pixels.float() / 255).clamp(0, 1) ** _GAMMA
        changed = (changes @ light.flatten(2)).view_as(light).clamp(1e-6, 1)
        lit: Tensor = 255 * changed ** (1 / _GAMMA)
    return torch.where(is_outside, pixels, lit)
