"""An exported network gives the answers of the network it came from."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from pipeline.classify.heads import HEADS  # noqa: E402
from pipeline.domain import PartName  # noqa: E402
from pipeline.model_files import DetectorCard, Network, PartsCard, read_card  # noqa: E402
from pipeline.train.backbone import LiteTrunk  # noqa: E402
from pipeline.train.export import export_detector, export_parts, training_prior  # noqa: E402
from pipeline.train.networks import Detector, PartNetwork, local_features  # noqa: E402
from pipeline.train.weights import load_weights, save_weights  # noqa: E402
from synthetic.looks import LOOKS  # noqa: E402
from synthetic.pair import balanced_states, make_pair  # noqa: E402
from tests.evidence.builders import sheet  # noqa: E402


def picture(side_px: int) -> np.ndarray:
    x, y = np.meshgrid(np.arange(side_px), np.arange(side_px))
    noise = np.random.default_rng(1).integers(0, 30, (side_px, side_px, 3))
    return (np.stack([x * 200 // side_px, y * 200 // side_px, (x // 24 + y // 24) % 2 * 180], -1) + noise).astype(
        np.uint8
    )


def settled(network: torch.nn.Module) -> torch.nn.Module:
    """Random weights, with norms that have met a picture: else all answers are next to nothing."""
    torch.manual_seed(3)
    network.train()
    with torch.no_grad():
        for _ in range(30):
            network(torch.from_numpy(picture(256)).permute(2, 0, 1)[None].float().expand(2, -1, -1, -1))
    return network.eval()


def answers_of(network: torch.nn.Module, pixels: np.ndarray):
    with torch.no_grad():
        return network(torch.from_numpy(pixels).permute(2, 0, 1)[None].float())


def same(exported: np.ndarray, own: torch.Tensor) -> None:
    """Weights are kept in half precision: 11 bits, so answers differ by a few thousandths of their range."""
    wanted = own[0].numpy()
    assert exported.shape == wanted.shape
    assert np.abs(exported - wanted).max() < 0.01 * max(1.0, np.abs(wanted).max())
    assert np.ptp(wanted) > 0


@pytest.mark.slow
def test_the_exported_detector_answers_as_the_trained_one(tmp_path):
    save_weights(settled(Detector(LiteTrunk())), tmp_path / "d.safetensors")
    export_detector(tmp_path / "d.safetensors", tmp_path)
    card = read_card(tmp_path, "detector", DetectorCard)
    network = load_weights(Detector(LiteTrunk()), tmp_path / "d.safetensors").eval()
    for side_px in (256, 384):
        out = Network(tmp_path, card.network, side_px, 1)(picture(side_px))
        scores, boxes = answers_of(network, picture(side_px))
        same(out["scores"], scores)
        same(out["boxes"], boxes)


@pytest.mark.slow
def test_the_exported_part_network_answers_as_the_trained_one(tmp_path):
    save_weights(settled(PartNetwork(LiteTrunk())), tmp_path / "p.safetensors")
    export_parts(tmp_path / "p.safetensors", tmp_path)
    card = read_card(tmp_path, "parts", PartsCard)
    network = load_weights(PartNetwork(LiteTrunk()), tmp_path / "p.safetensors").eval()
    for side_px in (256, 320):
        out = Network(tmp_path, card.network, side_px, 1)(picture(side_px))
        own = answers_of(network, picture(side_px))
        for name in ("answers", "digits", "digit_seen", "box", "points", "point_seen"):
            same(out[name], own[name])
        with torch.no_grad():
            taps = network.trunk(torch.from_numpy(picture(side_px)).permute(2, 0, 1)[None].float())
        same(out["features"], local_features(taps))
        # By hand, as Roth et al. 2022 average: the mean of 3 x 3 cells, at an edge of those that there are.
        s16 = taps["s16"][0].numpy()
        assert np.abs(out["features"][:112, 5, 5] - s16[:, 4:7, 4:7].mean((1, 2))).max() < 0.01 * np.abs(s16).max()
        assert np.abs(out["features"][:112, 0, 0] - s16[:, :2, :2].mean((1, 2))).max() < 0.01 * np.abs(s16).max()


def test_the_training_shares_are_those_that_are_drawn():
    rng = np.random.default_rng(5)
    looks = list(LOOKS.values())
    pairs = [make_pair(rng, sheet(), balanced_states(rng, 0.5), True, looks[0]) for _ in range(3000)]
    with_zip = [pair for pair in pairs if sheet().styles[pair.style].fly == "zip"]
    prior = training_prior()
    for head in HEADS:
        of = {"metal_name": lambda p: p.metal, "motto_curve": lambda p: p.motto_curve}.get(
            head.name, lambda p, h=head: p.states[h.name]
        )
        rows = with_zip if head.parts == (PartName.ZIP,) else pairs
        for answer in head.answers:
            assert np.mean([of(pair) == answer for pair in rows]) == pytest.approx(prior[head.name][answer], abs=0.04)
