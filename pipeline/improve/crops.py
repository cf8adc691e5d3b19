"""The labelled parts of a dataset as the part network sees them: cut out, and boiled down to what its heads look at.

Heads are trained on a trunk that stays as it is. So the trunk runs once over every crop, and what comes out of it is
kept on disk under the crop's own content and the weights' hash: the next training on the same crops starts at once.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import openvino as ov
import torch
from numpy.typing import NDArray
from torch import Tensor

from pipeline.classify.crops import CROPS, cut_out, square_for
from pipeline.compiled_networks import exact_arithmetic
from pipeline.config import ReferenceSheet
from pipeline.domain import Photo
from pipeline.evaluate.labelled import LabelledPart, photo_key
from pipeline.improve.dataset import Dataset, LabelledListing
from pipeline.intake import read_photo
from pipeline.model_files import PartsCard, checksum, read_card
from pipeline.train.folder_samples import labels_of_part
from pipeline.train.heads_in_place import tokens_alone
from pipeline.train.networks import PartNetwork
from pipeline.train.samples import PartLabels
from pipeline.train.weights import load_network

OnProgress = Callable[[int, int], None]
Progress = Callable[[str], AbstractContextManager[OnProgress]]  # of a step by its name
Tokens = NDArray[np.float16]


@dataclass(frozen=True, slots=True, eq=False)
class Crop:
    """A labelled part on a listing's photo, and what its heads should answer."""

    of: LabelledListing
    part: LabelledPart
    labels: PartLabels

    @property
    def key(self) -> str:
        """Sixteen digits for the photo's bytes and the box; the labels do not matter."""
        text = f"{self.of.photo_of(self.part)} {self.part.part} {self.part.box}"
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    @property
    def seller(self) -> str:
        """Whose listing it is."""
        return self.of.listing.seller_id


def crops_of(data: Dataset, sheets: Mapping[str, ReferenceSheet]) -> list[Crop]:
    """All labelled parts on which a head has a label, photo by photo.

    Raises:
        ValueError: if a maker has no sheet.
    """
    found = []
    for one in data.listings:
        sheet = sheets.get(one.listing.maker)
        if sheet is None:
            raise ValueError(f"{one.listing.listing_id}: no sheet of the maker {one.listing.maker!r}; write one first")
        for part in one.parts:
            square = square_for(part.part, part.box)
            labels = labels_of_part(part, one.listing, sheet, square)
            if (labels.answers >= 0).any():
                found.append(Crop(one, part, labels))
    return found


def pictures_of(crops: Sequence[Crop]) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    """Each crop's place in the sequence and its pixels, uint8 RGB; a photo is read once, unreadable ones left out."""
    by_photo: dict[tuple[Path, str], list[int]] = defaultdict(list)
    for place, crop in enumerate(crops):
        path = next(p for p in crop.of.photos if photo_key(p) == photo_key(crop.part.photo))
        by_photo[crop.of.folder, path].append(place)
    for (folder, path), places in by_photo.items():
        photo = read_photo(folder, path)
        if isinstance(photo, Photo):
            for place in places:
                part = crops[place].part
                yield place, cut_out(photo.pixels, square_for(part.part, part.box), CROPS[part.part].side_px)


class Features:
    """What the trunk makes of crops, remembered on disk."""

    def __init__(self, models: Path, memory: Path) -> None:
        """Use the part network in the folder `models`, in the arithmetic it runs in; keep what it says under `memory`.

        Raises:
            ConfigError: if `models` is not whole.
            ValueError: if its weights are not those of the network that runs.
        """
        card = read_card(models, "parts", PartsCard)
        self.network = load_network(PartNetwork, models / "parts.safetensors").eval()
        self._trunk = tokens_alone(ov.Core().read_model(models / card.network), self.network)
        self._memory = memory / checksum([models / file for file in sorted(card.sha256)])
        self._runs: dict[int, ov.CompiledModel] = {}

    def of_crops(self, crops: Sequence[Crop], on_progress: OnProgress) -> list[Tokens | None]:
        """Tokens (places, channels) of each crop; None where its photo can't be read."""
        found = [self._remembered(crop.key) for crop in crops]
        missing = [place for place, tokens in enumerate(found) if tokens is None]
        on_progress(len(crops) - len(missing), len(crops))
        for done, (place, pixels) in enumerate(pictures_of([crops[place] for place in missing]), 1):
            tokens = self.look(pixels)
            found[missing[place]] = tokens
            self._remember(crops[missing[place]].key, tokens)
            on_progress(len(crops) - len(missing) + done, len(crops))
        return found

    def look(self, pixels: NDArray[np.uint8]) -> Tokens:
        """Tokens of one crop, (places, channels) in half precision."""
        side = pixels.shape[0]
        if side not in self._runs:
            self._runs[side] = _compiled(self._trunk, side)
        out = self._runs[side](pixels[None])
        return np.asarray(out[0][0], np.float16)

    def _path(self, key: str) -> Path:
        return self._memory / key[:2] / f"{key}.npy"

    def _remembered(self, key: str) -> Tokens | None:
        path = self._path(key)
        return np.load(path, allow_pickle=False) if path.exists() else None

    def _remember(self, key: str, tokens: Tokens) -> None:
        path = self._path(key)
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_suffix(".new.npy")
        np.save(draft, tokens)
        draft.replace(path)


def _compiled(trunk: ov.Model, side_px: int) -> ov.CompiledModel:
    """The trunk for one crop of a size at a time, in the arithmetic of a scan."""
    model = trunk.clone()
    model.reshape([1, side_px, side_px, 3])
    return ov.Core().compile_model(model, "CPU", {"INFERENCE_PRECISION_HINT": "f32", **exact_arithmetic()})


def stacked(tokens: Iterable[Tokens]) -> list[tuple[list[int], Tensor]]:
    """Tokens of crops of different sizes as one tensor a size, with the crops' places."""
    sizes: dict[int, list[tuple[int, Tokens]]] = defaultdict(list)
    for place, one in enumerate(tokens):
        sizes[len(one)].append((place, one))
    return [
        ([place for place, _ in rows], torch.from_numpy(np.stack([one for _, one in rows])))
        for _, rows in sorted(sizes.items())
    ]
