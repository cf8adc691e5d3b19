"""The trunk's sizes by the published counts, and looks mixed inside it by the published formula."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from pipeline.train.backbone import LiteTrunk, TrunkSize, pretrained, scaled_channels, scaled_repeats  # noqa: E402
from pipeline.train.mix_style import MixStyle, mixed_style  # noqa: E402
from pipeline.train.networks import Detector  # noqa: E402
from pipeline.train.weights import average_with, load_network, save_weights, trunk_size_of  # noqa: E402

# Trainable weights of the whole classifiers: tensorflow/tpu, models/official/efficientnet/lite,
# efficientnet_lite_builder_test.py.
PUBLISHED = {"lite0": 4_652_008, "lite1": 5_416_680, "lite2": 6_092_072, "lite3": 8_197_096, "lite4": 13_006_568}
LAST = 1280  # channels of the classifier's own last convolution, the same for every size


@pytest.mark.parametrize("size", TrunkSize)
def test_a_trunk_has_the_published_number_of_weights(size):
    with torch.device("meta"):
        trunk = LiteTrunk(size)
    own = sum(p.numel() for p in trunk.parameters())
    # the classifier adds a convolution with its norm, and a layer for 1000 classes
    head = trunk.channels["s32"] * LAST + 2 * LAST + LAST * 1000 + 1000
    assert own + head == PUBLISHED[size]


def test_widths_and_depths_follow_the_papers_code():
    # by hand: 40 * 1.1 = 44 is nearer to 48 than to 40 (halves go up); 24 * 1.2 = 28.8 to 32; 16 * 1.1 = 17.6 to 16
    assert [scaled_channels(40, 1.1), scaled_channels(24, 1.2), scaled_channels(16, 1.1)] == [48, 32, 16]
    # by hand: 10 * 1.0 would round to 8, less than nine tenths of it
    assert scaled_channels(10, 1.0) == 16
    assert [scaled_repeats(2, 1.1), scaled_repeats(4, 1.1), scaled_repeats(3, 1.0)] == [3, 5, 3]


@pytest.mark.parametrize("size", [TrunkSize.LITE0, TrunkSize.LITE1])
def test_all_weights_of_a_package_fit_its_trunk(size):
    trunk = pretrained(size=size).eval()
    x = torch.rand(1, 3, 64, 64) * 255
    with torch.no_grad():
        first, second = trunk(x), pretrained(size=size).eval()(x)
    for name, tap in first.items():
        assert tap.shape[1] == trunk.channels[name]
        assert torch.equal(tap, second[name])
        assert 0.5 < tap.std() < 50  # norms that fit their convolutions keep features in range


def test_weights_of_another_size_are_refused(tmp_path):
    torch.save(LiteTrunk(TrunkSize.LITE0).state_dict(), tmp_path / "w.pth")
    with pytest.raises(RuntimeError, match="Missing key"):
        pretrained(str(tmp_path / "w.pth"), TrunkSize.LITE1)


def test_saved_weights_say_their_trunk_and_come_back_on_it(tmp_path):
    network = Detector(LiteTrunk(TrunkSize.LITE1))
    save_weights(network, tmp_path / "w.safetensors")
    assert trunk_size_of(tmp_path / "w.safetensors") is TrunkSize.LITE1
    back = load_network(Detector, tmp_path / "w.safetensors")
    assert back.trunk.size is TrunkSize.LITE1
    for name, value in network.state_dict().items():
        assert torch.equal(back.state_dict()[name].half(), value.half()), name


def test_weights_averaged_with_a_file_lie_half_way_as_numpy_has_it(tmp_path):
    first, second = Detector(LiteTrunk()), Detector(LiteTrunk())
    save_weights(first, tmp_path / "w.safetensors")
    before = {name: value.numpy().copy() for name, value in second.state_dict().items()}
    average_with(second, tmp_path / "w.safetensors")
    for name, value in first.state_dict().items():
        if value.dtype.is_floating_point:
            expected = np.mean([value.half().float().numpy(), before[name]], axis=0)
            np.testing.assert_allclose(second.state_dict()[name].numpy(), expected, rtol=1e-5, atol=1e-7)


# ---------------------------------------------------------------- looks mixed


def statistics(x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    return x.mean((2, 3)), x.std((2, 3))


def test_mixed_statistics_lie_between_the_two_as_the_formula_says():
    # Zhou et al. 2021, equations 3 to 5: gamma = k s(x) + (1 - k) s(x'), beta = k m(x) + (1 - k) m(x')
    torch.manual_seed(1)
    x = torch.randn(2, 3, 9, 9) * torch.tensor([1.0, 4.0]).view(2, 1, 1, 1) + torch.tensor([0.0, 10.0]).view(2, 1, 1, 1)
    (mean, spread), kept = statistics(x), torch.tensor([0.25, 1.0])
    got_mean, got_spread = statistics(mixed_style(x, kept.view(2, 1, 1, 1), torch.tensor([1, 0])))
    assert torch.allclose(got_mean[0], 0.25 * mean[0] + 0.75 * mean[1], atol=1e-4)
    assert torch.allclose(got_spread[0], 0.25 * spread[0] + 0.75 * spread[1], atol=1e-4)
    assert torch.allclose(got_mean[1], mean[1], atol=1e-4)
    assert torch.allclose(got_spread[1], spread[1], atol=1e-4)


def test_what_a_picture_shows_stays_where_it_is_when_its_look_is_mixed():
    torch.manual_seed(2)
    x = torch.randn(4, 2, 8, 8)
    mixed = mixed_style(x, torch.full((4, 1, 1, 1), 0.3), torch.tensor([3, 2, 1, 0]))
    assert mixed.shape == x.shape
    own, new = x.flatten(2), mixed.flatten(2)
    assert torch.equal(own.argsort(-1), new.argsort(-1))


def test_mixing_happens_in_training_alone_and_in_its_share_of_the_batches():
    torch.manual_seed(3)
    x, layer = torch.randn(4, 2, 8, 8), MixStyle(0.5)
    changed = sum(not torch.equal(layer(x), x) for _ in range(200))
    assert 70 < changed < 130
    assert not list(layer.state_dict())
    layer.eval()
    assert all(layer(x) is x for _ in range(20))
    assert MixStyle(0.0).train()(x) is x


def test_a_trunk_that_mixes_gives_the_plain_trunks_features_when_it_judges():
    torch.manual_seed(4)
    plain, mixing = LiteTrunk(), LiteTrunk(mix_style=1.0)
    mixing.load_state_dict(plain.state_dict())
    x = torch.rand(2, 3, 64, 64) * 255
    with torch.no_grad():
        assert torch.equal(plain.eval()(x)["s32"], mixing.eval()(x)["s32"])
        assert not torch.equal(plain.train()(x)["s8"], mixing.train()(x)["s8"])
