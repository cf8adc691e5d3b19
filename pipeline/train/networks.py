"""The two networks: the detector, and the part network that judges, reads and points."""

from __future__ import annotations

import math
from collections.abc import Mapping

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from pipeline.classify.heads import DIGIT_ANSWERS, HEADS, POCKET_POINTS, SHARED_SLOTS
from pipeline.domain import PartName
from pipeline.train.backbone import LiteTrunk

STRIDES = (8, 16, 32)


def _conv(cin: int, cout: int, kernel: int = 3, groups: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(cin, cout, kernel, padding=kernel // 2, groups=groups, bias=False),
        nn.BatchNorm2d(cout),
        nn.ReLU6(inplace=True),
    )


def _separable(cin: int, cout: int, kernel: int = 5) -> nn.Sequential:
    return nn.Sequential(_conv(cin, cin, kernel, cin), _conv(cin, cout, 1))


class Pyramid(nn.Module):
    """Top-down feature pyramid (Lin et al. 2017) with separable convolutions and one bottom-up pass."""

    def __init__(self, channels: Mapping[str, int], width: int) -> None:
        """`width` channels at every stride, from the trunk's own."""
        super().__init__()
        self.lateral = nn.ModuleDict({k: _conv(channels[k], width, 1) for k in ("s8", "s16", "s32")})
        self.smooth = nn.ModuleDict({k: _separable(width, width) for k in ("s8", "s16", "s32")})
        self.down = nn.ModuleDict({k: nn.Conv2d(width, width, 3, 2, 1, groups=width) for k in ("s8", "s16")})

    def forward(self, taps: dict[str, Tensor]) -> list[Tensor]:
        """Features at strides 8, 16, 32."""
        p32 = self.lateral["s32"](taps["s32"])
        p16 = self.smooth["s16"](
            self.lateral["s16"](taps["s16"]) + F.interpolate(p32, scale_factor=2.0, mode="nearest")
        )
        p8 = self.smooth["s8"](self.lateral["s8"](taps["s8"]) + F.interpolate(p16, scale_factor=2.0, mode="nearest"))
        p16 = p16 + self.down["s8"](p8)
        p32 = self.smooth["s32"](p32 + self.down["s16"](p16))
        return [p8, p16, p32]


class Detector(nn.Module):
    """Anchor-free detector: at each cell a score a part and the distances to the box's four sides.

    Cells and box form follow FCOS (Tian et al. 2019); scores are trained to be the box's expected
    overlap (quality focal loss, Li et al. 2020).
    """

    def __init__(self, trunk: LiteTrunk, width: int = 96) -> None:
        """Heads on a pyramid of `width` channels."""
        super().__init__()
        self.trunk, self.pyramid = trunk, Pyramid(trunk.channels, width)
        self.score_tower = nn.Sequential(_separable(width, width), _separable(width, width))
        self.box_tower = nn.Sequential(_separable(width, width), _separable(width, width))
        self.score = nn.Conv2d(width, len(PartName), 1)
        self.box = nn.Conv2d(width, 4, 1)
        self.score.bias = nn.Parameter(torch.full((len(PartName),), -4.6))  # at first nearly no cell holds a part
        self.scale = nn.Parameter(torch.ones(len(STRIDES)))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        """RGB 0..255 (b, 3, s, s) to score logits (b, cells, parts) and boxes xyxy in px (b, cells, 4)."""
        scores, boxes = [], []
        for level, feature in enumerate(self.pyramid(self.trunk(x))):
            stride = STRIDES[level]
            scores.append(self.score(self.score_tower(feature)).flatten(2).transpose(1, 2))
            raw = self.box(self.box_tower(feature)) * self.scale[level]
            distance = F.softplus(raw) * (stride * 2)
            cx, cy = _centres(feature, stride)
            box = torch.stack((cx - distance[:, 0], cy - distance[:, 1], cx + distance[:, 2], cy + distance[:, 3]), 1)
            boxes.append(box.flatten(2).transpose(1, 2))
        return torch.cat(scores, 1), torch.cat(boxes, 1)


def _centres(feature: Tensor, stride: int) -> tuple[Tensor, Tensor]:
    h, w = feature.shape[2:]
    y = (torch.arange(h, device=feature.device, dtype=torch.float32) + 0.5) * stride
    x = (torch.arange(w, device=feature.device, dtype=torch.float32) + 0.5) * stride
    return x.view(1, 1, -1).expand(1, h, w), y.view(1, -1, 1).expand(1, h, w)


def _grid(feature: Tensor) -> Tensor:
    """The cells' centres in 0..1 of the crop, x then y: (2, h * w)."""
    cx, cy = _centres(feature, 1)
    return torch.stack((cx.flatten() / feature.shape[3], cy.flatten() / feature.shape[2]))


class PartNetwork(nn.Module):
    """Judges, reads and points in one pass over a crop.

    Cues: a query for each head looks over the features (attention). Print: each digit slot has a map of
    where its digit stands, and reads the digit there. Pocket points: maps likewise.

    Answers: `answers` logits of all heads side by side, `seen` logits (a person could judge it here),
    `digits` (slots, 10) with `digit_seen`, `digit_places` x, y in 0..1 of the crop (slots, 2) and the log maps
    `digit_map` (slots, h/4 * w/4), `box` cx, cy, w, h in 0..1 of the crop, `points` x, y, log sigma in 0..1 of the
    crop with `point_seen`.
    """

    shared_slots: Tensor

    def __init__(self, trunk: LiteTrunk, width: int = 160, heads: int = 4) -> None:
        """Attention of `width` channels in `heads` heads."""
        super().__init__()
        self.trunk = trunk
        channels = trunk.channels
        self.to16, self.to32 = nn.Conv2d(channels["s16"], width, 1), nn.Conv2d(channels["s32"], width, 1)
        self.norm = nn.LayerNorm(width)
        self.n_queries = len(HEADS) + 1
        self.queries = nn.Parameter(torch.randn(self.n_queries, width) * 0.5)
        self.key, self.value = nn.Linear(width, width), nn.Linear(width, width)
        self.heads, self.width = heads, width
        self.mix = nn.Sequential(
            nn.LayerNorm(width), nn.Linear(width, 2 * width), nn.GELU(), nn.Linear(2 * width, width)
        )
        self.out = nn.LayerNorm(width)
        self.answer = nn.ModuleList(nn.Linear(width, len(h.answers)) for h in HEADS)
        self.answer_seen = nn.Parameter(torch.zeros(len(HEADS), width))
        self.answer_seen_bias = nn.Parameter(torch.zeros(len(HEADS)))
        self.box = nn.Linear(width, 4)
        self.drop = nn.Dropout(0.1)
        n = len(POCKET_POINTS)
        self.point8 = _conv(channels["s8"], 64, 1)
        self.point16 = _conv(channels["s16"], 64, 1)
        self.point32 = _conv(channels["s32"], 64, 1)
        self.point_tower = nn.Sequential(_separable(64, 64), _separable(64, 64))
        self.point_map = nn.Conv2d(64, n, 1)
        self.point_shift = nn.Conv2d(64, 3 * n, 1)
        self.point_seen = nn.Linear(64, n)
        self.print4 = _conv(channels["s4"], 64, 1)
        self.print_tower = nn.Sequential(_separable(64, 64), _separable(64, 64))
        self.slot_map = nn.Conv2d(64, max(SHARED_SLOTS) + 1, 1)
        self.digit_here = nn.Conv2d(64, DIGIT_ANSWERS + 1, 1)
        self.register_buffer("shared_slots", torch.tensor(SHARED_SLOTS), persistent=False)

    def forward(self, x: Tensor) -> dict[str, Tensor]:
        """RGB 0..255 (b, 3, s, s), s a multiple of 32."""
        return self.judge(self.trunk(x))

    def judge(self, taps: dict[str, Tensor]) -> dict[str, Tensor]:
        """The answers from the trunk's features."""
        pooled = self._look(taps)
        answers, seen = self.cues(pooled)
        fine = self._fine(taps)
        points, point_seen = self._point(fine)
        digits, digit_places, digit_map = self._read(fine, taps)
        return {
            "answers": answers,
            "seen": seen,
            "digits": digits[..., :DIGIT_ANSWERS],
            "digit_seen": digits[..., DIGIT_ANSWERS],
            "digit_places": digit_places,
            "digit_map": digit_map,
            "box": torch.sigmoid(self.box(pooled[:, -1])),
            "points": points,
            "point_seen": point_seen,
        }

    def _look(self, taps: dict[str, Tensor]) -> Tensor:
        """Attention of all queries over the features at strides 16 and 32: (b, queries, width)."""
        return self.attend(self.tokens(taps))

    def tokens(self, taps: dict[str, Tensor]) -> Tensor:
        """The features that the queries look over, one row a place of the crop: (b, places, width)."""
        tokens = [self.to16(taps["s16"]), self.to32(taps["s32"])]
        tokens = [(t + _positions(t)).flatten(2).transpose(1, 2) for t in tokens]
        placed: Tensor = self.norm(torch.cat(tokens, 1))
        return placed

    def cues(self, pooled: Tensor) -> tuple[Tensor, Tensor]:
        """Answers' logits of all heads side by side, and logits of whether a person could judge, from `attend`."""
        cues = pooled[:, : len(HEADS)]
        answers = torch.cat([layer(self.drop(cues[:, i])) for i, layer in enumerate(self.answer)], 1)
        return answers, (cues * self.answer_seen).sum(-1) + self.answer_seen_bias

    def attend(self, t: Tensor) -> Tensor:
        """What each query finds among tokens (b, places, width): (b, queries, width); the last asks for the box."""
        return self.attend_to(*self.keys_and_values(t))

    def keys_and_values(self, t: Tensor) -> tuple[Tensor, Tensor]:
        """What queries are compared with, (b, heads, width / heads, places); what they take, the last two turned."""
        b, n, w = t.shape
        d = w // self.heads
        k = self.key(t).view(b, n, self.heads, d).permute(0, 2, 3, 1)
        return k, self.value(t).view(b, n, self.heads, d).transpose(1, 2)

    def attend_to(self, k: Tensor, v: Tensor) -> Tensor:
        """As `attend`, from keys and values."""
        b, _, d, _ = k.shape
        w = d * self.heads
        q = self.queries.view(1, self.n_queries, self.heads, d).transpose(1, 2)
        weight = torch.softmax((q @ k) / math.sqrt(d), -1)
        pooled = (weight @ v).transpose(1, 2).reshape(b, self.n_queries, w) + self.queries
        seen: Tensor = self.out(pooled + self.mix(pooled))
        return seen

    def _fine(self, taps: dict[str, Tensor]) -> Tensor:
        """Features at stride 8 that also know the whole: (b, 64, h/8, w/8)."""
        p16 = self.point16(taps["s16"]) + F.interpolate(self.point32(taps["s32"]), scale_factor=2.0, mode="nearest")
        p8 = self.point8(taps["s8"]) + F.interpolate(p16, scale_factor=2.0, mode="nearest")
        fine: Tensor = self.point_tower(p8)
        return fine

    def _read(self, fine: Tensor, taps: dict[str, Tensor]) -> tuple[Tensor, Tensor, Tensor]:
        """Digit logits and legibility at each slot's place (b, slots, 11), its expected place, its log map."""
        f = self.print_tower(self.print4(taps["s4"]) + F.interpolate(fine, scale_factor=2.0, mode="nearest"))
        log_map = torch.log_softmax(self.slot_map(f).flatten(2).float(), -1)[:, self.shared_slots]
        here = self.digit_here(f).flatten(2).transpose(1, 2)
        weight = log_map.exp()
        return weight.to(here.dtype) @ here, weight @ _grid(f).T, log_map

    def _point(self, f: Tensor) -> tuple[Tensor, Tensor]:
        """Expected place of each pocket point with its log sigma, and whether it shows."""
        h, w = f.shape[2:]
        n = len(POCKET_POINTS)
        weight = torch.softmax(self.point_map(f).flatten(2), -1)
        shift = self.point_shift(f).flatten(2).view(f.shape[0], 3, n, h * w)
        place = ((_grid(f).view(1, 2, 1, -1) + shift[:, :2] / w) * weight[:, None]).sum(-1)
        # kept in (-9, -0.5) by a curve, not by a cut: a point at a limit must still learn its way back
        log_sigma = 4.25 * torch.tanh(((shift[:, 2] * weight).sum(-1) + 1.75) / 4.25) - 4.75
        return torch.cat((place, log_sigma[:, None]), 1).transpose(1, 2), self.point_seen(f.mean((2, 3)))


def local_features(taps: dict[str, Tensor]) -> Tensor:
    """What each place of a crop looks like, with its neighbours: (b, channels, s/16, s/16).

    Features at strides 16 and 32, each the mean of 3 x 3 cells, side by side (Roth et al. 2022).
    """
    s16, s32 = (F.avg_pool2d(taps[k], 3, 1, 1, count_include_pad=False) for k in ("s16", "s32"))
    return torch.cat((s16, F.interpolate(s32, scale_factor=2.0, mode="nearest")), 1)


def _positions(feature: Tensor) -> Tensor:
    """Fixed sine and cosine positions over the crop, the same at every resolution."""
    c, h, w = feature.shape[1:]
    quarter = c // 4
    freq = torch.pow(2.0, torch.arange(quarter, device=feature.device, dtype=torch.float32) * (5.0 / quarter)) * math.pi
    y = ((torch.arange(h, device=feature.device, dtype=torch.float32) + 0.5) / h).view(-1, 1) * freq
    x = ((torch.arange(w, device=feature.device, dtype=torch.float32) + 0.5) / w).view(-1, 1) * freq
    rows = torch.cat((torch.sin(y), torch.cos(y)), 1).T.view(1, 2 * quarter, h, 1).expand(1, 2 * quarter, h, w)
    cols = torch.cat((torch.sin(x), torch.cos(x)), 1).T.view(1, 2 * quarter, 1, w).expand(1, 2 * quarter, h, w)
    return torch.cat((rows, cols), 1)
