"""Cards and weight files: what is wrong with them is said in one line with what to do."""

from __future__ import annotations

import hashlib
import os
import threading
from pathlib import Path

import numpy as np
import openvino as ov
import pytest
import yaml
from openvino import opset13 as ops

from pipeline.config import ConfigError
from pipeline.model_files import DetectorCard, Network, read_card

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


def some_network(folder: Path) -> str:
    """A network of a few convolutions, as export writes them: bytes in, height x width x 3."""
    picture = ops.parameter([-1, -1, -1, 3], np.uint8, name="picture")
    features = ops.transpose(ops.convert(picture, "f32"), np.array([0, 3, 1, 2]))
    for inputs in (3, 32, 32):
        kernel = ops.constant(np.full((32, inputs, 3, 3), 0.01, np.float32))
        features = ops.convolution(features, kernel, [1, 1], [1, 1], [1, 1], [1, 1])
    means = ops.reduce_mean(features, np.array([2, 3]), keep_dims=False)
    features.output(0).set_names({"features"})
    means.output(0).set_names({"means"})
    ov.save_model(ov.Model([ops.result(features), ops.result(means)], [picture]), folder / "some.xml")
    return "some.xml"


@pytest.mark.skipif(
    not hasattr(os, "sched_getaffinity") or len(os.sched_getaffinity(0)) < 2, reason="needs two processors to tell"
)
def test_a_network_does_not_tie_its_process_to_one_processor(tmp_path):
    network = Network(tmp_path, some_network(tmp_path), 256, threads=1)
    network(np.zeros((256, 256, 3), np.uint8))  # compiled now
    runs_it, is_over, allowed = threading.get_native_id(), threading.Event(), set()

    def watch() -> None:
        while not is_over.is_set():
            allowed.add(frozenset(os.sched_getaffinity(runs_it)))

    watcher = threading.Thread(target=watch)
    watcher.start()
    for _ in range(20):
        network(np.zeros((256, 256, 3), np.uint8))
    is_over.set()
    watcher.join()
    # Otherwise two worker processes would share the first processor and leave the second idle.
    assert allowed == {frozenset(os.sched_getaffinity(0))}


def test_a_network_takes_pictures_of_any_shape_with_its_long_side_and_no_others(tmp_path):
    network = Network(tmp_path, some_network(tmp_path), 64, threads=1)
    for shape in ((64, 64, 3), (32, 64, 3), (64, 32, 3)):
        assert network(np.zeros(shape, np.uint8))["features"].shape == (32, *shape[:2])
    with pytest.raises(ValueError, match="a picture of 32 x 32 px for a network of 64"):
        network(np.zeros((32, 32, 3), np.uint8))


def test_a_network_gives_the_answers_that_are_asked_for_and_those_as_ever(tmp_path):
    file = some_network(tmp_path)
    picture = np.random.default_rng(0).integers(0, 256, (64, 64, 3)).astype(np.uint8)
    everything = Network(tmp_path, file, 64, 1)(picture)
    asked = Network(tmp_path, file, 64, 1, {"means", "an answer that it lacks"})(picture)
    assert (set(everything), set(asked)) == ({"features", "means"}, {"means"})
    assert (everything["means"] == asked["means"]).all()
