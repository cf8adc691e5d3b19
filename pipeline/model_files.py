"""The shipped networks: a card (YAML) beside each, checked against the weight files before anything runs.

The card carries what the code needs to use a network right (input size, colour order, thresholds, temperatures)
and what a person needs to judge it (data, figures, limits, licence).
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
import openvino as ov
import yaml
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.compiled_networks import cache_folder, compiled, exact_arithmetic
from pipeline.config import ConfigError, parsed_yaml
from pipeline.domain import PartName

Probability = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]


class FileCard(BaseModel):
    """What every card says. `sha256` is by file name; `about` is for people."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: Literal[1]
    sha256: Mapping[str, str]
    about: Mapping[str, Any] = {}


class Card(FileCard):
    """What every network's card says."""

    network: str
    colour_order: Literal["RGB"]


class GenuineCard(FileCard):
    """How to use the memory of genuine parts: `memory` holds it, made with the part network of `parts_sha256`.

    A part's score is the mean distance of its `spot` farthest features, by part; p-values of departing parts are taken
    to crowd at 0 as Beta(`unlike_shape`, 1). A heat map's outline lies at the score that the share `hot_share` of
    genuine parts reaches.
    """

    memory: str
    parts_sha256: str
    spot: Annotated[int, Field(gt=0)]
    unlike_shape: Annotated[float, Field(gt=0, lt=1)]
    hot_share: Probability


FITTED = "fitted"


class FittedCard(FileCard):
    """The evidence that was fitted with the networks beside it; `sha256` names every one of their files.

    `shares` is cue -> state -> share among genuine pairs and among counterfeit ones; `calibration` the line from summed
    to calibrated evidence. A prior, bounds, groups and weights set by hand are the moderators' and stand elsewhere.
    """

    shares: Mapping[str, Mapping[str, tuple[Probability, Probability]]]
    calibration: tuple[tuple[float, float], ...]


class CloseLook(BaseModel):
    """A second look at a photo whose parts are small: at a square round all that was found at first.

    Lengths are shares of the photo's longer side. The square's side is `context` times that of the found parts
    together, and no less than `least_side`; from `most_side` up there is no second look, as it would show no more
    than the first. Parts count for the square from the score `anchor_score`. `side_px` is the network's input. Where
    the square is larger than `split_from` and something in it would still be smaller than `tiny_px` in the network's
    input, there are two such looks, one at each half of what was found.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    context: Positive
    least_side: Probability
    most_side: Probability
    anchor_score: Probability
    side_px: Annotated[int, Field(gt=0, multiple_of=32)]
    split_from: Probability = 1.0
    tiny_px: Annotated[float, Field(ge=0)] = 0.0


class DetectorCard(Card):
    """How to use the detector: letterbox to `side_px`, look closer, keep each part from its `least_score`.

    From `told_from` a part is written down as one that may be there. Boxes of one part that overlap by more than
    `nms_iou` are one thing.
    """

    side_px: Annotated[int, Field(gt=0, multiple_of=32)]
    close_look: CloseLook
    nms_iou: Probability
    least_score: Mapping[PartName, Probability]
    told_from: Probability = 0.1


class PartsCard(Card):
    """How to use the part network.

    `temperature` and `training_prior` are by head; logits are divided by the first, the softmax by the second.
    `digit_temperature` is by part. `box_weight` is how far a part's box is drawn from the detector's towards the
    part network's. A cue is read where the network gives at least `least_seen` that a person could
    judge it, print where it gives at least `least_print_seen`, a pocket point from `least_point_seen`;
    `point_sigma_scale` corrects, point by point, the spread that the network states for a pocket's points.
    """

    temperature: Mapping[str, Positive]
    training_prior: Mapping[str, Mapping[str, Positive]]
    digit_temperature: Mapping[PartName, Positive]
    box_weight: Mapping[PartName, Probability]
    least_seen: Mapping[str, Probability]
    least_print_seen: Probability
    least_point_seen: Probability
    point_sigma_scale: Mapping[str, Positive]


class OpinionWeight(BaseModel):
    """How much each network's logits count where both read the same print."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    part_network: Annotated[float, Field(ge=0)]
    digit_reader: Annotated[float, Field(ge=0)]


class DigitsCard(Card):
    """How to use the digit reader; `weight` by part on which there is print."""

    weight: Mapping[PartName, OpinionWeight]


CardKind = TypeVar("CardKind", bound=FileCard)


def read_card(models_dir: Path, name: str, kind: type[CardKind]) -> CardKind:
    """Read a network's card and check that the weight files beside it are the ones it speaks of.

    Raises:
        ConfigError: if a file is missing, the card is not as it should be, or a weight file is another one.
    """
    path = models_dir / f"{name}.yaml"
    try:
        card = kind.model_validate(parsed_yaml(path.read_text(encoding="utf-8")))
    except OSError as err:
        raise ConfigError(f"{path}: the network's card is missing; fetch the shipped models, or train") from err
    except yaml.YAMLError as err:
        raise ConfigError(f"{path}: is not YAML; fetch the shipped card again, or export the network anew") from err
    except ValidationError as err:
        detail = err.errors(include_url=False)[0]
        key = ".".join(str(step) for step in detail["loc"]) or "whole file"
        raise ConfigError(f"{path}: {key}: {detail['msg']}; correct it, or export the network anew") from err
    for file, wanted in card.sha256.items():
        if sha256_of(models_dir / file) != wanted:
            raise ConfigError(f"{models_dir / file}: is not the file that {path.name} speaks of; fetch both again")
    return card


def read_fitted(models_dir: Path) -> FittedCard | None:
    """The evidence fitted with these networks; None where none travels with them.

    Raises:
        ConfigError: if it was fitted with other networks than those beside it.
    """
    return read_card(models_dir, FITTED, FittedCard) if (models_dir / f"{FITTED}.yaml").exists() else None


def checksum(files: Sequence[Path]) -> str:
    """Twelve digits that change when any of the files does."""
    digest = hashlib.sha256()
    for path in files:
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def models_id(models_dir: Path) -> str:
    """Twelve digits that name networks with all that was fitted to them: a card names its weights by checksum."""
    return checksum(sorted(models_dir.glob("*.yaml")))


def sha256_of(path: Path) -> str:
    """The file's SHA-256 in hex.

    Raises:
        ConfigError: if the file can't be read.
    """
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as err:
        raise ConfigError(f"{path}: the network's weights are missing; fetch the shipped models, or train") from err


@dataclass(frozen=True, slots=True, eq=False)
class _Ready:
    """A network for one shape of pictures, with views of the library's own memory: of the picture, of the answers.

    Handing arrays over anew each time takes 0.2 ms more, at some five pictures a photo.
    """

    request: ov.InferRequest
    picture: NDArray[np.uint8]  # (1, height, width, 3)
    answers: Mapping[str, NDArray[Any]]  # by name, with the batch axis


class Network:
    """A network that takes one picture at a time, compiled for a size of pictures when the first of that size comes.

    Single precision always, where it is not in integers: at half precision (bfloat16) the pocket's points move by some
    per cent of the crop, and the outcome would depend on the processor.
    """

    def __init__(
        self, models_dir: Path, file: str, side_px: int, threads: int, asked: Collection[str] = frozenset()
    ) -> None:
        """For pictures uint8 RGB of shape (height, width, 3), the longer side `side_px`, both multiples of 32.

        `asked`: the outputs that are wanted, those that it has of them; what only the others need is not computed.
        All where empty.
        """
        self._core, self._side_px = ov.Core(), side_px
        self._model = self._core.read_model(models_dir / file)  # what is no network is refused before the first picture
        self._made_of = checksum([models_dir / file, (models_dir / file).with_suffix(".bin")])
        self._hints = {
            "INFERENCE_PRECISION_HINT": "f32",
            "INFERENCE_NUM_THREADS": threads,
            "NUM_STREAMS": 1,
            "ENABLE_CPU_PINNING": False,  # pinned, every worker process would take the same first processor
            **exact_arithmetic(),
        }
        self._asked = frozenset(asked)
        self._ready: dict[tuple[int, int], _Ready] = {}

    def __call__(self, pixels: NDArray[np.uint8]) -> dict[str, NDArray[np.float32]]:
        """The outputs of one picture by name, without the batch axis.

        Raises:
            ValueError: if the picture is of another size than the network was loaded for.
        """
        height, width = pixels.shape[:2]
        if max(height, width) != self._side_px:
            raise ValueError(f"a picture of {width} x {height} px for a network of {self._side_px}")
        ready = self._ready.get((height, width)) or self._made_ready(height, width)
        ready.picture[0] = pixels
        ready.request.infer(share_outputs=True)
        return {name: np.array(value[0], np.float32) for name, value in ready.answers.items()}

    def _made_ready(self, height: int, width: int) -> _Ready:
        model = self._model.clone()
        if self._asked:
            wanted = [result for result in model.get_results() if result.output(0).names & self._asked]
            model = ov.Model(wanted, model.get_parameters())
        model.reshape([1, height, width, 3])
        network = compiled(self._core, model, self._made_of, self._hints, cache_folder())
        request = network.create_infer_request()
        answers = zip(network.outputs, request.output_tensors, strict=True)
        ready = _Ready(request, request.input_tensors[0].data, {port.any_name: held.data for port, held in answers})
        self._ready[height, width] = ready
        return ready
