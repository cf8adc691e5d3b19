"""The detector in 8-bit integers: twice as fast, and no less precise as far as 300 photos can tell.

Ranges are measured on the pictures that the detector is shown when it looks at photos: the whole photo, and the
closer look. The last convolution before each output stays in single precision: a box's side spans hundreds of
pixels, and 256 steps of it would be seen in its place.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import nncf
import numpy as np
import openvino as ov
from nncf.quantization.advanced_parameters import AdvancedQuantizationParameters
from nncf.quantization.range_estimator import RangeEstimatorParametersSet
from numpy.typing import NDArray

from pipeline.detect import Detector
from pipeline.domain import Photo
from pipeline.intake import read_photo
from pipeline.model_files import DetectorCard, Network, read_card

Pixels = NDArray[np.uint8]
_PHOTOS = 40  # about 65 pictures with the closer looks


class _Recording(Network):
    """A network that keeps what it was shown."""

    def __init__(self, models_dir: Path, file: str, side_px: int) -> None:
        super().__init__(models_dir, file, side_px, threads=1)
        self.shown: list[Pixels] = []

    def __call__(self, pixels: Pixels) -> dict[str, NDArray[np.float32]]:
        self.shown.append(pixels.copy())
        return super().__call__(pixels)


def shown_to_detector(models_dir: Path, folder: Path) -> list[Pixels]:
    """The pictures that the detector in `models_dir` is shown for photos of a listings folder.

    Args:
        models_dir: holds the detector and its card.
        folder: holds `photos/`; some are taken evenly from those in it.

    Raises:
        ValueError: if the folder holds no photo that can be read.
    """
    card = read_card(models_dir, "detector", DetectorCard)
    sides = {card.side_px, card.close_look.side_px}
    networks = {side: _Recording(models_dir, card.network, side) for side in sides}
    detector = Detector(card, networks)
    paths = sorted((folder / "photos").glob("*"))
    for path in paths[:: max(1, len(paths) // _PHOTOS)]:
        photo = read_photo(folder, str(path.relative_to(folder)))
        if isinstance(photo, Photo):
            detector.find(photo)
    pictures = [picture for side in sorted(sides) for picture in networks[side].shown]
    if not pictures:
        raise ValueError(f"{folder / 'photos'}: holds no photo to measure the ranges on")
    return pictures


def quantised(model: ov.Model, pictures: Sequence[Pixels]) -> ov.Model:
    """The same network with 8-bit weights and activations.

    Args:
        model: takes one picture (1, height, width, 3) of bytes.
        pictures: uint8 RGB (height, width, 3), of any sizes that the network takes.
    """
    settings = AdvancedQuantizationParameters(
        # On 300 drawn photos single precision reached AP 0.781, ranges by histogram 0.783, by minima and maxima 0.767.
        activations_range_estimator_params=RangeEstimatorParametersSet.HISTOGRAM,
        disable_bias_correction=True,  # with it 0.780
    )
    return nncf.quantize(
        model,
        nncf.Dataset(pictures, lambda picture: picture[None]),
        subset_size=len(pictures),
        preset=nncf.QuantizationPreset.MIXED,
        target_device=nncf.TargetDevice.CPU,
        ignored_scope=nncf.IgnoredScope(names=last_convolutions(model)),
        advanced_parameters=settings,
    )


def is_quantised(model: ov.Model) -> bool:
    """Whether the network is in 8-bit integers already."""
    return any(node.get_type_name() == "FakeQuantize" for node in model.get_ops())


def last_convolutions(model: ov.Model) -> list[str]:
    """The names of the convolutions between which and the outputs lies no other."""
    waiting, seen, found = [result.input_value(0).get_node() for result in model.get_results()], set[str](), set[str]()
    while waiting:
        node = waiting.pop()
        name = node.get_friendly_name()
        if name in seen:
            continue
        seen.add(name)
        if "Convolution" in node.get_type_name():
            found.add(name)
        else:
            waiting += [node.input_value(place).get_node() for place in range(node.get_input_size())]
    return sorted(found)
