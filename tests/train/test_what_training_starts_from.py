"""What cannot be done without weights to go on from is refused before any work."""

from __future__ import annotations

from contextlib import nullcontext

import pytest

pytest.importorskip("torch")

from pipeline.train.main import TrainOptions, train


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (TrainOptions(averages_with_start=True), "no weights to average with: name the weights to go on from"),
        (TrainOptions(keeps_detector=True), "no detector to keep: name the weights to go on from"),
    ],
)
def test_without_a_start_nothing_is_kept_or_averaged(tmp_path, options, why):
    with pytest.raises(ValueError, match=why):
        train([], tmp_path / "out", {}, options, lambda _label: nullcontext(lambda _done, _total: None))
    assert not (tmp_path / "out").exists()
