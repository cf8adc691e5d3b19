"""The digit reader learns digits that nobody here drew, and two opinions are weighed by what they are worth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from sklearn.datasets import load_digits
from sklearn.linear_model import LogisticRegression

torch = pytest.importorskip("torch")

from pipeline.classify.digit_reader import LOGITS  # noqa: E402
from pipeline.classify.digit_windows import DIGIT_SIDE_PX  # noqa: E402
from pipeline.classify.heads import PRINT_FIELDS  # noqa: E402
from pipeline.model_files import DigitsCard, Network, read_card  # noqa: E402
from pipeline.train.export import export_digits  # noqa: E402
from pipeline.train.fit_digits import Digits, Opinions, cut_digits, disturbed, fit_digits, fitted_weights  # noqa: E402
from pipeline.train.loop import Schedule  # noqa: E402
from pipeline.train.weights import save_weights  # noqa: E402


def written(images: np.ndarray, side_px: int, digit_px: int) -> np.ndarray:
    """Grey pictures of handwritten digits as windows, dark on light."""
    out = np.full((len(images), side_px, side_px, 3), 230, np.uint8)
    start = (side_px - digit_px) // 2
    for window, image in zip(out, images, strict=True):
        dark = cv2.resize(image.astype(np.float32), (digit_px, digit_px), interpolation=cv2.INTER_CUBIC)
        window[start : start + digit_px, start : start + digit_px] = np.clip(230 - 12 * dark, 0, 255)[..., None]
    return out


@pytest.mark.slow
def test_handwritten_digits_are_learned_and_the_exported_reader_reads_them(tmp_path):
    # source: the UCI test set of handwritten digits (Alpaydin & Kaynak 1998) in scikit-learn, 1,797 of 8 x 8 px;
    # half is learned from. A linear classifier on all pixels, which need not find the digit first, is the yardstick.
    images, digits = load_digits(return_X_y=True)
    pictures = images.reshape(-1, 8, 8)
    half = len(digits) // 2
    data = Digits(written(pictures[:half], 64, 26), digits[:half].astype(np.int64), np.ones(half, bool))
    fitted = fit_digits(data, Schedule(150, 64, 2e-3), lambda run, step, values: None)
    save_weights(fitted, tmp_path / "digits.safetensors")
    export_digits(tmp_path / "digits.safetensors", tmp_path, {})
    card = read_card(tmp_path, "digits", DigitsCard)
    assert set(card.weight) == set(PRINT_FIELDS)
    network = Network(tmp_path, card.network, 4 * DIGIT_SIDE_PX, threads=2)
    windows = written(pictures[half : half + 800], DIGIT_SIDE_PX, 26)
    told = [network(np.concatenate(windows[i : i + 4]))[LOGITS].argmax(1) for i in range(0, 800, 4)]
    right = (np.concatenate(told) == digits[half : half + 800]).mean()
    linear = LogisticRegression(max_iter=2000).fit(images[:half], digits[:half])
    assert right > linear.score(images[half : half + 800], digits[half : half + 800])


def test_disturbed_windows_are_of_the_network_s_size_and_still_show_the_digit():
    torch.manual_seed(1)
    windows = torch.zeros(16, 3, 64, 64)
    windows[..., 26:38, 26:38] = 255.0  # a square in the middle
    out = disturbed(windows)
    assert out.shape == (16, 3, DIGIT_SIDE_PX, DIGIT_SIDE_PX)
    assert 0 <= out.min()
    assert out.max() <= 255
    middle, rim = out[..., 20:28, 20:28].mean((1, 2, 3)), out[..., :4, :4].mean((1, 2, 3))
    assert ((middle - rim).abs() > 60).all()  # light from the other side may turn it dark on light


def opinions(sure_parts: float, sure_digits: float, count: int = 400) -> Opinions:
    """Two opinions of four digits a crop that are right by chance, each as sure as it is often right."""
    rng = np.random.default_rng(3)
    truth = rng.integers(0, 10, (count, 4))

    def told(sure: float) -> np.ndarray:
        said = np.where(rng.random(truth.shape) < sure, truth, rng.integers(0, 10, truth.shape))
        return np.eye(10)[said] * 4.0

    return Opinions(told(sure_parts), told(sure_digits), truth)


def test_the_network_that_is_right_more_often_counts_more():
    part_network, digit_reader = fitted_weights(opinions(0.5, 0.95))
    assert digit_reader > 1.5 * part_network > 0
    part_network, digit_reader = fitted_weights(opinions(0.95, 0.5))
    assert part_network > 1.5 * digit_reader


def test_an_opinion_that_knows_nothing_hardly_counts_and_does_no_harm():
    told = opinions(0.9, 0.0)
    part_network, digit_reader = fitted_weights(told)
    assert digit_reader < 0.1 * part_network
    assert told.exact(part_network, digit_reader) == pytest.approx(told.exact(1, 0), abs=0.01)


def test_too_few_fields_to_weigh_by_leave_both_alike():
    assert fitted_weights(opinions(0.9, 0.1, count=20)) == (0.5, 0.5)


def test_a_folder_without_print_says_what_to_do(tmp_path):
    with pytest.raises(ValueError, match="draw some first"):
        cut_digits([tmp_path])
