"""MixStyle (Zhou et al. 2021, "Domain generalization with MixStyle"): looks mixed inside the network, in training only.

The mean and deviation of early feature maps hold much of a picture's look. Here they become mixtures with those of
another picture of the batch, so that the network meets looks that nobody drew.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

_EPSILON = 1e-6


class MixStyle(nn.Module):
    """Mixes feature statistics between the pictures of a batch; the identity when the network is not training.

    Has no weights: a network trained with it is loaded without it.
    """

    def __init__(self, share: float, alpha: float = 0.1) -> None:
        """Set how often and how far.

        Args:
            share: of the batches that are mixed, 0..1.
            alpha: of the Beta(alpha, alpha) that how much a picture keeps of its own is drawn from.
        """
        super().__init__()
        self.share = share
        self.keeps = torch.distributions.Beta(alpha, alpha, validate_args=False)

    def forward(self, x: Tensor) -> Tensor:
        """Features (b, c, h, w), the same shape out."""
        if not self.training or self.share <= 0 or torch.rand(()).item() >= self.share:
            return x
        kept = self.keeps.sample((len(x), 1, 1, 1)).to(x.device)
        return mixed_style(x, kept, torch.randperm(len(x), device=x.device))


def mixed_style(x: Tensor, kept: Tensor, other: Tensor) -> Tensor:
    """Features with statistics between their own and another picture's (Zhou et al. 2021, equations 3 to 5).

    Args:
        x: (b, c, h, w).
        kept: (b, 1, 1, 1), 1 keeps a picture's own statistics, 0 takes the other's.
        other: (b,) whose statistics each picture is mixed with.
    """
    with torch.autocast(x.device.type, enabled=False):
        wide = x.float()
        mean = wide.mean((2, 3), keepdim=True).detach()
        deviation = (wide.var((2, 3), keepdim=True) + _EPSILON).sqrt().detach()
        new_mean = kept * mean + (1 - kept) * mean[other]
        new_deviation = kept * deviation + (1 - kept) * deviation[other]
        return ((wide - mean) / deviation * new_deviation + new_mean).to(x.dtype)
