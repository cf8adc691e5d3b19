"""Networks in 8-bit integers, with ranges measured on the pictures that they are shown when a scan looks at photos.

The detector: twice as fast, and no less precise as far as 300 photos can tell. The last convolution before each output
stays in single precision: a box's side spans hundreds of pixels, and 256 steps of it would be seen in its place.

The part network: up to its last convolutions, too. The attention, and what reads and points on the maps, stay in single
precision: in integers codes and points spoil.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path

import nncf
import numpy as np
import openvino as ov
from nncf.quantization.advanced_parameters import AdvancedQuantizationParameters
from nncf.quantization.range_estimator import RangeEstimatorParametersSet
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS
from pipeline.classify.genuine_memory import FEATURES
from pipeline.classify.part_reader import PartReader
from pipeline.detect import Detector, load_detector
from pipeline.domain import Photo
from pipeline.intake import read_photo
from pipeline.model_files import DetectorCard, Network, PartsCard, read_card

Pixels = NDArray[np.uint8]
_PHOTOS = 40  # about 65 pictures with the closer looks
_PHOTOS_OF_PARTS = 100  # about 200 crops with the looks again at print


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
    networks = _recording(models_dir, card.network, {card.side_px, card.close_look.side_px})
    detector = Detector(card, networks)
    for photo in _photos_in(folder, _PHOTOS):
        detector.find(photo)
    return _shown(networks, folder, "photo")


def shown_to_part_reader(models_dir: Path, folder: Path) -> list[Pixels]:
    """The crops that the part network in `models_dir` is shown of the parts that the detector there finds.

    Args:
        models_dir: holds both networks and their cards.
        folder: holds `photos/`; some are taken evenly from those in it.

    Raises:
        ValueError: if the folder holds no photo that can be read, or no part is found in any.
    """
    card = read_card(models_dir, "parts", PartsCard)
    networks = _recording(models_dir, card.network, {spec.side_px for spec in CROPS.values()})
    by_part = {part: networks[spec.side_px] for part, spec in CROPS.items()}
    detector, reader = load_detector(models_dir), PartReader(card, by_part)
    for photo in _photos_in(folder, _PHOTOS_OF_PARTS):
        for found in detector.find(photo):
            reader.read(photo, found)
    return _shown(networks, folder, "part")


def _recording(models_dir: Path, file: str, sides_px: Collection[int]) -> dict[int, _Recording]:
    return {side_px: _Recording(models_dir, file, side_px) for side_px in sides_px}


def _photos_in(folder: Path, about: int) -> Iterator[Photo]:
    """So many photos, taken evenly from those of a listings folder."""
    paths = sorted((folder / "photos").glob("*"))
    for path in paths[:: max(1, len(paths) // about)]:
        photo = read_photo(folder, str(path.relative_to(folder)))
        if isinstance(photo, Photo):
            yield photo


def _shown(networks: Mapping[int, _Recording], folder: Path, thing: str) -> list[Pixels]:
    """What the networks were shown, the smaller pictures first."""
    pictures = [picture for side_px in sorted(networks) for picture in networks[side_px].shown]
    if not pictures:
        raise ValueError(f"{folder / 'photos'}: holds no {thing} to measure the ranges on")
    return pictures


def quantised(model: ov.Model, pictures: Sequence[Pixels], kept: Sequence[str]) -> ov.Model:
    """The same network with 8-bit weights and activations.

    Args:
        model: takes one picture (1, height, width, 3) of bytes.
        pictures: uint8 RGB (height, width, 3), of any sizes that the network takes.
        kept: the names of the operations that stay in single precision.
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
        ignored_scope=nncf.IgnoredScope(names=list(kept)),
        advanced_parameters=settings,
    )


def is_quantised(model: ov.Model) -> bool:
    """Whether the network is in 8-bit integers already."""
    return any(node.get_type_name() == "FakeQuantize" for node in model.get_ops())


def last_convolutions(model: ov.Model) -> list[str]:
    """The names of the convolutions between which and the outputs lies no other."""
    return sorted(node.get_friendly_name() for node in _last_operations(model.get_results()) if _is_convolution(node))


def judging_operations(model: ov.Model) -> list[str]:
    """The names of a part network's last convolutions and of what comes after them, the way to its features left out.

    These are the attention, and what reads and points on the towers' maps.
    """
    asked = [result for result in model.get_results() if FEATURES not in result.input_value(0).get_names()]
    names = (node.get_friendly_name() for node in _last_operations(asked) if node.get_type_name() != "Constant")
    return sorted(names)


def _last_operations(results: Sequence[ov.Node]) -> list[ov.Node]:
    """What lies between the last convolutions and these outputs, the convolutions with it."""
    waiting, found = [result.input_value(0).get_node() for result in results], dict[str, ov.Node]()
    while waiting:
        node = waiting.pop()
        if node.get_friendly_name() in found:
            continue
        found[node.get_friendly_name()] = node
        if not _is_convolution(node):
            waiting += [node.input_value(place).get_node() for place in range(node.get_input_size())]
    return list(found.values())


def _is_convolution(node: ov.Node) -> bool:
    return "Convolution" in node.get_type_name()
