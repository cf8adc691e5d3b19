"""Light changes made anew at every step, on whole batches where the network runs."""

from __future__ import annotations

import torch
from torch import Tensor


def jitter(pixels: Tensor, strength: float = 1.0) -> Tensor:
    """Random exposure, colour cast, contrast and noise per picture.

    Args:
        pixels: float (b, 3, h, w), 0..255.
        strength: 0 leaves the batch as it is.

    Returns:
        The same shape, clipped to 0..255.
    """
    if strength <= 0:
        return pixels
    b, device = pixels.shape[0], pixels.device
    exposure, cast = _either_way(b, 1, device), _either_way(b, 3, device)
    gain = torch.exp2(0.25 * strength * exposure + 0.1 * strength * cast)
    mean = pixels.mean((2, 3), keepdim=True)
    contrast = 1 + 0.2 * strength * _either_way(b, 1, device)
    noise = torch.randn_like(pixels) * (8 * strength * torch.rand(b, 1, 1, 1, device=device) ** 3)
    return (((pixels - mean) * contrast + mean) * gain + noise).clamp(0, 255)


def _either_way(batch: int, channels: int, device: torch.device) -> Tensor:
    """Uniform in -1..1, a value a picture and channel."""
    return torch.rand((batch, channels, 1, 1), device=device) * 2 - 1


def mirror(pixels: Tensor, boxes: Tensor, share: float = 0.3) -> tuple[Tensor, Tensor]:
    """Mirror a share of the detector's photos left to right, boxes (b, m, 5: part, xyxy) with them."""
    flip = torch.rand(len(pixels), device=pixels.device) < share
    width = pixels.shape[-1]
    mirrored = boxes.clone()
    mirrored[..., 1], mirrored[..., 3] = width - boxes[..., 3], width - boxes[..., 1]
    mirrored = torch.where(boxes[..., :1] >= 0, mirrored, boxes)
    pixels = torch.where(flip[:, None, None, None], pixels.flip(-1), pixels)
    return pixels, torch.where(flip[:, None, None], mirrored, boxes)
