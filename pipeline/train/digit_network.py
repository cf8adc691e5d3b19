"""The digit reader's network: a small one, as a digit comes to it upright and in the middle."""

from __future__ import annotations

from torch import Tensor, nn

from pipeline.classify.digit_windows import DIGIT_SIDE_PX
from pipeline.classify.heads import DIGIT_ANSWERS


def _conv(cin: int, cout: int, kernel: int = 3, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(cin, cout, kernel, stride, kernel // 2, bias=False), nn.BatchNorm2d(cout), nn.ReLU(inplace=True)
    )


class DigitNetwork(nn.Module):
    """Windows round upright digits to logits of the ten digits."""

    def __init__(self) -> None:
        """With random weights."""
        super().__init__()
        side = DIGIT_SIDE_PX // 8
        self.features = nn.Sequential(
            _conv(3, 32, 5, 2), _conv(32, 48), nn.MaxPool2d(2), _conv(48, 96), _conv(96, 96), nn.MaxPool2d(2),
            _conv(96, 96), nn.Flatten(), nn.Dropout(0.3), nn.Linear(96 * side * side, 128), nn.ReLU(inplace=True),
            nn.Dropout(0.2),
        )  # fmt: skip
        self.digit = nn.Linear(128, DIGIT_ANSWERS)

    def forward(self, x: Tensor) -> Tensor:
        """RGB 0..255 (b, 3, side, side) to logits (b, 10); brightness and contrast of a window tell nothing."""
        x = x / 255
        centred = x - x.mean((1, 2, 3), keepdim=True)
        spread = centred.pow(2).mean((1, 2, 3), keepdim=True).add(1e-4).sqrt()
        logits: Tensor = self.digit(self.features(centred / spread))
        return logits


class DigitColumn(nn.Module):
    """The network for windows one below the other in a picture of bytes (1, count * side, side, 3)."""

    def __init__(self, network: DigitNetwork) -> None:
        """Around a trained one."""
        super().__init__()
        self.network = network

    def forward(self, x: Tensor) -> Tensor:
        """Logits (1, count, 10)."""
        windows = x.reshape(-1, DIGIT_SIDE_PX, DIGIT_SIDE_PX, 3).permute(0, 3, 1, 2)
        logits: Tensor = self.network(windows).unsqueeze(0)
        return logits
