"""What is kept of the listings that the evidence was fitted on."""

from __future__ import annotations

import pytest

from pipeline.config import ConfigError
from pipeline.domain import Assessment, Reason
from pipeline.fitting_night import FILE, FittingNight, Night, night_of, read_fitting_night, write_fitting_night


def a_reason(cue: str, state: str, log10_lr: float) -> Reason:
    return Reason(cue, state, 0.9, log10_lr, "")


QUEUE = (
    Assessment("A", 1.25, 0.8, (a_reason("rivet_stamp", "blank", 0.01), a_reason("tab_word", "mark_only", -0.1))),
    Assessment("B", -0.5, 0.1, (a_reason("rivet_stamp", "stamped", -0.2),)),
    Assessment("C", 0.0, 0.2),
)


def fitted(night: Night) -> FittingNight:
    return FittingNight(command="fit", model="m", rules="r", prior_counterfeit=0.2, night=night)


def test_a_night_counts_where_a_cue_was_seen_and_where_it_spoke_against_the_pair_however_softly():
    night = night_of(QUEUE)
    assert night.log10_lrs == (-0.5, 0.0, 1.25)
    assert {cue: (counts.seen, counts.departing) for cue, counts in night.cues.items()} == {
        "rivet_stamp": (2, 1),
        "tab_word": (1, 0),  # the small mark alone is innocent
    }


def test_what_is_written_is_read_again(tmp_path):
    write_fitting_night(tmp_path, fitted(night_of(QUEUE)))
    assert read_fitting_night(tmp_path) == fitted(night_of(QUEUE))


def test_without_the_file_there_is_nothing_to_compare_with(tmp_path):
    assert read_fitting_night(tmp_path) is None


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("{}", "version|command"),
        ("not JSON", "whole file"),
        (fitted(night_of(QUEUE)).model_dump_json().replace('"departing":1', '"departing":9'), "more listings"),
        (fitted(night_of(QUEUE)).model_dump_json().replace('"seen":2', '"seen":4'), "more listings"),
    ],
)
def test_a_file_that_can_not_be_right_is_refused_with_what_to_do(tmp_path, content, message):
    (tmp_path / FILE).write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError, match=message) as refused:
        read_fitting_night(tmp_path)
    assert "python -m pipeline.train.fit_evidence night" in str(refused.value)
