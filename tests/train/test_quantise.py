"""Networks in 8-bit integers: half the size, nearly the same answers, refused where they cannot be."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import openvino as ov
import pytest
from openvino import opset13 as ops

pytest.importorskip("torch")
pytest.importorskip("nncf")

from pipeline.domain import Box, FoundPart, PartName, Photo
from pipeline.model_files import DetectorCard, Network, PartsCard, read_card
from pipeline.train import quantise
from pipeline.train.backbone import LiteTrunk
from pipeline.train.export import detector_to_int8, export_detector, export_parts, parts_to_int8
from pipeline.train.networks import Detector, PartNetwork
from pipeline.train.quantise import judging_operations, last_convolutions
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


def test_what_judges_is_the_last_convolution_and_all_after_it_but_the_way_to_the_features():
    picture_in = ops.parameter([1, 3, 8, 8], np.float32)
    trunk = convolved(picture_in, "trunk")
    features, answers = ops.relu(trunk), ops.relu(convolved(convolved(trunk, "tower"), "map"))
    features.output(0).set_names({"features"})
    answers.set_friendly_name("answers")
    model = ov.Model([ops.result(answers), ops.result(features)], [picture_in])
    assert judging_operations(model) == ["answers", "map"]


def write_photos(folder: Path) -> None:
    (folder / "photos").mkdir()
    for number in range(6):
        cv2.imwrite(str(folder / "photos" / f"{number}.jpg"), np.roll(picture(300), 40 * number, axis=1))


@pytest.mark.slow
@QUIET
def test_a_detector_in_integers_answers_nearly_the_same_and_is_not_rounded_twice(tmp_path):
    save_weights(settled(Detector(LiteTrunk())), tmp_path / "d.safetensors")
    export_detector(tmp_path / "d.safetensors", tmp_path)
    size = (tmp_path / "detector.bin").stat().st_size
    before = Network(tmp_path, "detector.xml", 256, 1)(picture(256))
    with pytest.raises(ValueError, match="holds no photo"):
        detector_to_int8(tmp_path, tmp_path)
    write_photos(tmp_path)

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


class FindsARivet:
    """A detector that sees a rivet in the middle of everything."""

    def find(self, photo: Photo) -> list[FoundPart]:
        return [FoundPart(photo.path, PartName.RIVET, Box(40, 40, 200, 200), 0.9)]


@pytest.mark.slow
@QUIET
def test_a_part_network_in_integers_answers_nearly_the_same_and_keeps_its_card(tmp_path, monkeypatch):
    save_weights(settled(PartNetwork(LiteTrunk())), tmp_path / "p.safetensors")
    export_parts(tmp_path / "p.safetensors", tmp_path)
    card = read_card(tmp_path, "parts", PartsCard)
    before = Network(tmp_path, card.network, 320, 1)(picture(320))
    monkeypatch.setattr(quantise, "load_detector", lambda models_dir: FindsARivet())
    write_photos(tmp_path)

    parts_to_int8(tmp_path, tmp_path)

    after_card = read_card(tmp_path, "parts", PartsCard)  # with the new files' hashes
    assert after_card.temperature == card.temperature
    assert after_card.sha256 != card.sha256
    assert "8-bit integers" in after_card.about["arithmetic"]
    after = Network(tmp_path, card.network, 320, 1)(picture(320))
    for name in ("answers", "digits", "box", "points", "features"):
        miss, spread = np.abs(after[name] - before[name]).mean(), before[name].std()
        assert 0 < miss < 0.25 * spread, name
    with pytest.raises(ValueError, match="already"):
        parts_to_int8(tmp_path, tmp_path)
