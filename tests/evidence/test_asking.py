"""Which photo is worth asking for."""

from __future__ import annotations

import math

import pytest

from pipeline.cues import CUES, VIEWS
from pipeline.domain import PartName
from pipeline.evidence import assess
from pipeline.evidence.asking import entropy_bits, information_bits, photo_requests
from pipeline.evidence.weights import cue_table
from tests.evidence.builders import evidence, print_on, seen, sheet, sure


def test_information_of_a_cue_by_hand():
    cues = evidence().model_dump()["cues"]
    for state, (genuine, counterfeit, kind) in {"matching": (0.9, 0.5, "usual"), "other": (0.1, 0.5, "sign")}.items():
        cues["tab_thread"]["states"][state] = {"genuine": genuine, "counterfeit": counterfeit, "kind": kind}
    table = cue_table("tab_thread", evidence(cues=cues))

    def h(*shares: float) -> float:
        return -sum(share * math.log2(share) for share in shares)

    by_hand = h(0.7, 0.3) - 0.5 * h(0.9, 0.1) - 0.5 * h(0.5, 0.5)
    assert information_bits(table, 0.5) == pytest.approx(by_hand)


def test_entropy_is_one_bit_at_a_half_and_none_at_certainty():
    assert [entropy_bits(p) for p in (0.0, 0.5, 1.0)] == [0.0, 1.0, 0.0]


def test_requests_come_best_first_and_only_for_what_was_not_seen():
    nothing = assess(seen(), sheet(), evidence())
    worth = [request.expected_change for request in nothing.ask_for]
    assert worth == sorted(worth, reverse=True)
    assert {request.view for request in nothing.ask_for} <= set(VIEWS)
    all_tab = [sure(name, cue.genuine_state) for name, cue in CUES.items() if cue.view == "tab"]
    assert "tab" not in {request.view for request in assess(seen(*all_tab), sheet(), evidence()).ask_for}


def test_no_photo_is_worth_more_than_the_doubt_that_is_left():
    cues = evidence().model_dump()["cues"]
    for cue in cues.values():
        first, *others = cue["states"].values()
        first |= {"genuine": 0.95, "counterfeit": 0.05}
        for state in others:
            state |= {"genuine": 0.05 / len(others), "counterfeit": 0.95 / len(others), "kind": "sign"}
    telling = evidence(cues=cues, groups=[], ask_for_above_bits=0.0)
    for probability in (0.001, 0.5, 0.999):
        worth = [request.expected_change for request in photo_requests(tuple(CUES), probability, telling)]
        assert max(worth) == pytest.approx(entropy_bits(probability))


def test_photos_worth_little_are_not_asked_for():
    assert photo_requests(tuple(CUES), 0.2, evidence(ask_for_above_bits=0.9)) == ()


def test_only_the_code_that_is_missing_is_asked_for():
    def views(*texts) -> dict[str, str]:
        return {r.view: r.sentence for r in photo_requests(["code_match"], 0.2, evidence(), texts=texts)}

    assert set(views(print_on(PartName.BUTTON_BACK, "code", "4071"))) == {"care_tag"}
    assert set(views(print_on(PartName.CARE_TAG, "code", "4071"))) == {"button_back"}
    assert "care tag" in views()["button_back"]


def test_a_style_with_a_buttoned_fly_has_no_zip_to_ask_for():
    requests = {
        style: photo_requests(["zip_mark"], 0.2, evidence(), style=sheet().styles[style])
        for style in ("QM-21", "QM-28")
    }
    assert [len(requests[style]) for style in ("QM-21", "QM-28")] == [0, 1]


def test_the_message_to_the_seller_is_polite_and_accuses_nobody():
    for request in photo_requests(tuple(CUES), 0.9, evidence()):
        assert request.sentence.startswith("Could you please")
        assert "counterfeit" not in request.sentence
