"""The speed figures: what is measured, and that a scan that fails is not a fast one."""

from __future__ import annotations

import time
from collections import Counter
from pathlib import Path

import pytest

from pipeline.evaluate.speed import Took, _timed, in_turn, whole_scan


def test_variants_take_turns_and_the_least_of_each_counts():
    asked, answers = [], iter([Took(5, 1), Took(3, 9), Took(4, 2), Took(6, 8)])

    def measure(variant: str) -> Took:
        asked.append(variant)
        return next(answers)

    assert in_turn(["a", "b"], 2, measure) == {"a": Took(4, 1), "b": Took(3, 8)}
    assert asked == ["a", "b", "a", "b"]


def test_waiting_is_no_work_of_a_stage():
    spent: Counter[str] = Counter()
    with _timed(spent, "waiting"):
        time.sleep(0.2)
    with _timed(spent, "working"):
        end = time.process_time() + 0.1
        while time.process_time() < end:
            pass
    assert spent["waiting"] < 0.05e9
    assert 0.1e9 <= spent["working"] < 0.2e9


def test_a_scan_that_could_not_be_done_is_no_figure():
    with pytest.raises(RuntimeError, match=r"the scan failed: .*nowhere"):
        whole_scan(Path("nowhere.jsonl"), Path("nowhere"), 1)
