"""New heads in an exported network: the heads' answers are torch's own, all else stays bit for bit."""

from __future__ import annotations

import copy
from pathlib import Path

import numpy as np
import openvino as ov
import pytest

torch = pytest.importorskip("torch")

from pipeline.train.backbone import LiteTrunk  # noqa: E402
from pipeline.train.heads_in_place import put_heads, tokens_alone  # noqa: E402
from pipeline.train.networks import PartNetwork  # noqa: E402
from pipeline.train.weights import load_network  # noqa: E402
from tests.test_layers import ROOT  # noqa: E402
from tests.train.test_export import picture  # noqa: E402

SHIPPED = ROOT / "models"  # its trunk calculates in 8-bit integers
HEADS_ALONE = ("answers", "seen")  # what the heads say; "seen" is asked with the same queries


@pytest.fixture(scope="module")
def start() -> PartNetwork:
    return load_network(PartNetwork, SHIPPED / "parts.safetensors").eval()


@pytest.fixture
def relearned(start) -> PartNetwork:
    """Queries and answers moved; the last query, which asks for the box, not."""
    network = copy.deepcopy(start)
    torch.manual_seed(5)
    with torch.no_grad():
        network.queries[:-1] += 0.2 * torch.randn_like(network.queries[:-1])
        for p in network.answer.parameters():
            p += 0.2 * torch.randn_like(p)
    return network


def run(model: ov.Model) -> dict[str, np.ndarray]:
    model = model.clone()
    model.reshape([1, 256, 256, 3])
    compiled = ov.Core().compile_model(model, "CPU", {"INFERENCE_PRECISION_HINT": "f32"})
    return {port.any_name: value for port, value in compiled(picture(256)[None]).items()}


def test_new_heads_answer_as_in_torch_and_nothing_else_moves(start, relearned):
    model = ov.Core().read_model(SHIPPED / "parts.xml")
    before, tokens = run(model), run(tokens_alone(model, start))["tokens"]
    put_heads(model, start, relearned)
    after = run(model)
    with torch.no_grad():
        wanted, _ = relearned.cues(relearned.attend(torch.tensor(tokens)))
    spread = float(np.ptp(wanted.numpy()))
    assert np.abs(after["answers"] - wanted.numpy()).max() < 0.005 * spread  # weights in half precision: 11 bits
    assert np.abs(after["answers"] - before["answers"]).max() > 0.05 * spread
    for name in set(before) - set(HEADS_ALONE):
        assert np.array_equal(before[name], after[name]), name


def test_heads_are_put_in_twice_as_well_as_once(start, relearned):
    once, twice = (ov.Core().read_model(SHIPPED / "parts.xml") for _ in range(2))
    other = copy.deepcopy(relearned)
    with torch.no_grad():
        other.queries[0] += 1
    put_heads(once, start, relearned)
    put_heads(twice, start, other)
    put_heads(twice, other, relearned)
    assert np.array_equal(run(once)["answers"], run(twice)["answers"])


def test_weights_of_another_network_are_refused():
    torch.manual_seed(1)
    stranger = PartNetwork(LiteTrunk()).eval()
    model = ov.Core().read_model(Path(SHIPPED / "parts.xml"))
    with pytest.raises(ValueError, match="was not made of"):
        put_heads(model, stranger, stranger)
    with pytest.raises(ValueError, match="was not made of"):
        tokens_alone(model, stranger)
