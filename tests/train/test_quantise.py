"""The detector in 8-bit integers: half the size, nearly the same answers, refused where it cannot be."""

from __future__ import annotations

import cv2
import numpy as np
import openvino as ov
import pytest
from openvino import opset13 as ops

pytest.importorskip("torch")
pytest.importorskip("nncf")

from pipeline.model_files import DetectorCard, Network, read_card
from pipeline.train.backbone import LiteTrunk
from pipeline.train.export import detector_to_int8, export_detector
from pipeline.train.networks import Detector
from pipeline.train.quantise import last_convolutions
from pipeline.train.weights import save_weights
from tests.train.test_export import picture, settled

QUIET = pytest.mark.filterwarnings("ignore")  # the quantising package warns of its own future


def convolved(features: ov.Node, name: str) -> ov.Node:
    made = ops.convolution(features, ops.constant(np.ones((3, 3, 1, 1), np.float32)), [1, 1], [0, 0], [0, 0], [1, 1])
    made.set_friendly_name(name)
    return made


def test_the_last_convolutions_are_those_right_before_an_output():
    picture_in = ops.parameter([1, 3, 8, 8], np.float32)
    trunk = convolved(picture_in, "trunk")
    one, other = convolved(trunk, "one"), convolved(ops.relu(trunk), "other")
    sides = ops.exp(ops.add(one, other))
    model = ov.Model([ops.result(sides), ops.result(ops.relu(other))], [picture_in])
    assert last_convolutions(model) == ["one", "other"]


@pytest.mark.slow
@QUIET
def test_a_detector_in_integers_answers_nearly_the_same_and_is_not_rounded_twice(tmp_path):
    save_weights(settled(Detector(LiteTrunk())), tmp_path / "d.safetensors")
    export_detector(tmp_path / "d.safetensors", tmp_path)
    size = (tmp_path / "detector.bin").stat().st_size
    before = Network(tmp_path, "detector.xml", 256, 1)(picture(256))
    with pytest.raises(ValueError, match="holds no photo"):
        detector_to_int8(tmp_path, tmp_path)
    (tmp_path / "photos").mkdir()
    for number in range(6):
        cv2.imwrite(str(tmp_path / "photos" / f"{number}.jpg"), np.roll(picture(300), 40 * number, axis=1))

    detector_to_int8(tmp_path, tmp_path)

    card = read_card(tmp_path, "detector", DetectorCard)  # with the new files' hashes
    after = Network(tmp_path, card.network, 256, 1)(picture(256))
    for name in ("scores", "boxes"):
        miss, spread = np.abs(after[name] - before[name]).mean(), before[name].std()
        assert 0 < miss < 0.25 * spread, name
    assert (tmp_path / "detector.bin").stat().st_size < 0.6 * size
    assert "8-bit" in card.about["arithmetic"]
    assert sorted(path.suffix for path in tmp_path.glob("detector.*")) == [".bin", ".xml", ".yaml"]
    with pytest.raises(ValueError, match="already"):
        detector_to_int8(tmp_path, tmp_path)
