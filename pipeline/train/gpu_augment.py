"""Changes of light and place made anew at every step, on whole batches where the network runs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from pipeline.cutting import PAD_GREY
from pipeline.train.families import NO_FAMILY, Families, Family
from pipeline.train.lamp_light import lamp_changes, relit


def jitter(pixels: Tensor, strength: float = 1.0, without: Families = NO_FAMILY) -> Tensor:
    """Random lamp, exposure, contrast and noise per picture.

    Args:
        pixels: float (b, 3, h, w), 0..255.
        strength: 0 leaves the batch as it is.
        without: families left out.

    Returns:
        The same shape, clipped to 0..255.
    """
    if strength <= 0:
        return pixels
    if Family.LAMPS not in without:
        pixels = relit(pixels, lamp_changes(len(pixels), pixels.device, min(1.0, strength)))
    if Family.EXPOSURE not in without:
        pixels = _exposed(pixels, strength)
    if Family.NOISE not in without:
        pixels = pixels + _noise(pixels, strength)
    return pixels.clamp(0, 255)


def _exposed(pixels: Tensor, strength: float) -> Tensor:
    """Random gain and contrast round each picture's mean."""
    b, device = pixels.shape[0], pixels.device
    gain = torch.exp2(0.25 * strength * _either_way(b, device))
    mean = pixels.mean((2, 3), keepdim=True)
    contrast = 1 + 0.2 * strength * _either_way(b, device)
    return ((pixels - mean) * contrast + mean) * gain


def _noise(pixels: Tensor, strength: float) -> Tensor:
    """Noise of random strength a picture, mostly weak."""
    amount = 8 * strength * torch.rand(len(pixels), 1, 1, 1, device=pixels.device) ** 3
    return torch.randn_like(pixels) * amount


def _either_way(batch: int, device: torch.device) -> Tensor:
    """Uniform in -1..1, a value a picture."""
    return torch.rand((batch, 1, 1, 1), device=device) * 2 - 1


def mirror(pixels: Tensor, boxes: Tensor, share: float = 0.3) -> tuple[Tensor, Tensor]:
    """Mirror a share of the detector's photos left to right, boxes (b, m, 5: part, xyxy) with them."""
    flip = torch.rand(len(pixels), device=pixels.device) < share
    width = pixels.shape[-1]
    mirrored = boxes.clone()
    mirrored[..., 1], mirrored[..., 3] = width - boxes[..., 3], width - boxes[..., 1]
    mirrored = torch.where(boxes[..., :1] >= 0, mirrored, boxes)
    pixels = torch.where(flip[:, None, None, None], pixels.flip(-1), pixels)
    return pixels, torch.where(flip[:, None, None], mirrored, boxes)


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """How each picture of a batch is moved: a point p in 0..1 goes to matrix @ (p - 1/2) + 1/2 + shift."""

    matrix: Tensor  # (b, 2, 2)
    shift: Tensor  # (b, 2)
    is_straight: Tensor  # (b,) turned by a multiple of 90 degrees, so that upright boxes stay so


def random_moves(
    any_way_up: Tensor, *, straight: float, free: float, scale: tuple[float, float], shift: float, quarter: float = 0.3
) -> Moves:
    """Moves for a batch; what is neither straight nor free stays where it is.

    Args:
        any_way_up: (b,) bool; such pictures (round hardware) are turned by any angle when they are free.
        straight: share that is only scaled, shifted and perhaps turned by quarters.
        free: share that is also turned and sheared a little.
        scale: least and largest.
        shift: at most, each way, in sides.
        quarter: share of the moved that are turned by 90, 180 or 270 degrees.
    """
    b, device = len(any_way_up), any_way_up.device

    def uniform(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(b, device=device)

    lot = uniform(0, 1)
    is_free, is_moved = lot < free, lot < free + straight
    quarters = torch.where(uniform(0, 1) < quarter, torch.randint(1, 4, (b,), device=device), 0) * (math.pi / 2)
    small = torch.where(any_way_up, uniform(-math.pi, math.pi), uniform(-0.25, 0.25))
    angle = torch.where(is_moved, quarters, 0.0) + torch.where(is_free, small, 0.0)
    size = torch.where(is_moved, torch.exp(uniform(math.log(scale[0]), math.log(scale[1]))), 1.0)
    shear = torch.where(is_free, uniform(-0.08, 0.08), 0.0)
    cos, sin = torch.cos(angle), torch.sin(angle)
    turn = torch.stack((cos, -sin, sin, cos), 1).view(b, 2, 2)
    lean = torch.eye(2, device=device).repeat(b, 1, 1)
    lean[:, 0, 1] = shear
    offset = torch.stack((uniform(-shift, shift), uniform(-shift, shift)), 1)
    return Moves(size[:, None, None] * turn @ lean, torch.where(is_moved[:, None], offset, 0.0), ~is_free)


def move_pixels(pixels: Tensor, moves: Moves) -> Tensor:
    """Move a batch of pictures, float (b, 3, h, w), 0..255; grey comes in from outside."""
    (a, b), (c, d) = moves.matrix[:, 0].unbind(-1), moves.matrix[:, 1].unbind(-1)
    back = torch.stack((d, -b, -c, a), 1).view(-1, 2, 2) / (a * d - b * c)[:, None, None]
    start = -(back @ (2 * moves.shift)[..., None])
    grid = F.affine_grid(torch.cat((back, start), 2), list(pixels.shape), align_corners=False)
    return F.grid_sample(pixels - PAD_GREY, grid, padding_mode="zeros", align_corners=False) + PAD_GREY


def move_points(points: Tensor, moves: Moves) -> Tensor:
    """Points (b, n, 2) in 0..1 of their picture; those that leave it become NaN, as unknown ones are."""
    moved = (points - 0.5) @ moves.matrix.transpose(1, 2) + 0.5 + moves.shift[:, None]
    is_inside = ((moved > 0) & (moved < 1)).all(-1, keepdim=True)
    return torch.where(is_inside, moved, torch.full_like(moved, math.nan))


def move_boxes(cxcywh: Tensor, moves: Moves) -> Tensor:
    """Upright boxes (b, ..., 4) as cx, cy, w, h in 0..1; right only where the move is straight."""
    flat = cxcywh.reshape(len(cxcywh), -1, 4)
    middle = (flat[..., :2] - 0.5) @ moves.matrix.transpose(1, 2) + 0.5 + moves.shift[:, None]
    size = flat[..., 2:] @ moves.matrix.abs().transpose(1, 2)
    return torch.cat((middle, size), -1).view_as(cxcywh)
