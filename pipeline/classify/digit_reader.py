"""A second opinion on print: each digit cut out upright and read alone, where the part network says that it stands.

The part network reads digits whichever way up they are and has the whole crop to answer for; this one sees a digit
the right way up with its neighbours beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.digit_windows import DIGIT_SIDE_PX, digit_windows
from pipeline.classify.heads import DIGIT_ANSWERS, PRINT_FIELDS, SLOT_COUNT, fields_of
from pipeline.domain import PartName
from pipeline.model_files import DigitsCard, Network, read_card

DIGITS = "digits"  # the name of its card and files
LOGITS = "logits"
Floats = NDArray[np.float32]


class DigitReader:
    """The digit reader with its card, ready to run."""

    def __init__(self, card: DigitsCard, networks: Mapping[int, Network]) -> None:
        """`networks` by how many digits stand one below the other in their picture."""
        self.card, self._networks = card, networks

    def read(self, crop: NDArray[np.uint8], part: PartName, places: Floats) -> Floats:
        """Logits of the digits, shape (slots, 10); 0 where it has nothing to say.

        Args:
            crop: uint8 RGB, square.
            part: what it shows.
            places: of all digit slots in 0..1 of the crop, shape (slots, 2).
        """
        logits = np.zeros((SLOT_COUNT, DIGIT_ANSWERS), np.float32)
        slots, cut = list[int](), list[NDArray[np.uint8]]()
        for place in fields_of(part).values():
            windows = digit_windows(places[place] * len(crop))
            slots += range(place.start, place.start + len(windows))
            cut += [window.cut(crop) for window in windows]
        if len(cut) in self._networks:
            logits[slots] = self._networks[len(cut)](np.concatenate(cut))[LOGITS]
        return logits

    def weighed(self, part: PartName, by_parts: Floats, by_digits: Floats) -> Floats:
        """Both networks' logits (slots, 10) as one, as the card weighs them for a part."""
        weight = self.card.weight[part]
        return np.asarray(weight.part_network * by_parts + weight.digit_reader * by_digits, np.float32)


def load_digit_reader(models_dir: Path, threads: int = 1) -> DigitReader | None:
    """Read it from its folder; None where no card of one lies there.

    Raises:
        ConfigError: if its file is not the one that the card speaks of.
    """
    if not (models_dir / f"{DIGITS}.yaml").exists():
        return None
    card = read_card(models_dir, DIGITS, DigitsCard)
    counts = {sum(count for _, count in fields) for fields in PRINT_FIELDS.values()}
    return DigitReader(card, {n: Network(models_dir, card.network, n * DIGIT_SIDE_PX, threads) for n in counts})
