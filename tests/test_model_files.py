"""Cards and weight files: what is wrong with them is said in one line with what to do."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import yaml

from pipeline.config import ConfigError
from pipeline.model_files import DetectorCard, read_card

CARD = {
    "version": 1,
    "network": "detector.xml",
    "sha256": {"detector.bin": hashlib.sha256(b"weights").hexdigest()},
    "colour_order": "RGB",
    "side_px": 512,
    "close_look": {"context": 1.35, "least_side": 0.3, "most_side": 0.7, "anchor_score": 0.2, "side_px": 512},
    "nms_iou": 0.6,
    "least_score": {"pocket": 0.3},
}


def models(folder: Path, card: object = CARD, weights: bytes | None = b"weights") -> Path:
    (folder / "detector.yaml").write_text(card if isinstance(card, str) else yaml.safe_dump(card))
    if weights is not None:
        (folder / "detector.bin").write_bytes(weights)
    return folder


def test_a_card_that_fits_its_weights_is_read(tmp_path):
    assert read_card(models(tmp_path), "detector", DetectorCard).close_look.side_px == 512


@pytest.mark.parametrize(
    ("card", "weights", "why"),
    [
        (CARD, b"other weights", "detector.bin: is not the file that detector.yaml speaks of; fetch both again"),
        (CARD, None, "detector.bin: the network's weights are missing; fetch the shipped models, or train"),
        (CARD | {"side_px": 500}, b"weights", "side_px: .*multiple of 32.*; correct it, or export"),
        (CARD | {"speed": 1}, b"weights", "speed: .*; correct it, or export"),
        ("a: [", b"weights", "is not YAML; fetch the shipped card again"),
    ],
    ids=["another weight file", "no weight file", "a size that cannot be", "an unknown key", "not YAML"],
)
def test_what_is_wrong_is_said_in_one_line_with_what_to_do(tmp_path, card, weights, why):
    with pytest.raises(ConfigError, match=why) as error:
        read_card(models(tmp_path, card, weights), "detector", DetectorCard)
    assert "\n" not in str(error.value)


def test_a_missing_card_says_what_to_do(tmp_path):
    with pytest.raises(ConfigError, match="card is missing; fetch the shipped models, or train"):
        read_card(tmp_path, "detector", DetectorCard)
