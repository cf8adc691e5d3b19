"""Cues from words: unreadable is not a mismatch, and a misread digit is a possibility."""

from __future__ import annotations

import pytest

from pipeline.domain import PartName
from pipeline.evidence import assess
from pipeline.evidence.print_reading import best_text, edit_distance, same_print
from pipeline.evidence.text_checks import code_match, metal_agrees, price_band, size_agrees, style_agrees
from tests.evidence.builders import evidence, listing, print_on, seen, sheet

CHECKS = evidence().text_checks
LABEL, BACK, TAG = PartName.LABEL, PartName.BUTTON_BACK, PartName.CARE_TAG


def codes(button: str, tag: str, confidence: float = 0.98):
    return code_match([print_on(BACK, "code", button, confidence), print_on(TAG, "code", tag, confidence)], 4, CHECKS)


def test_a_style_that_was_hardly_read_says_hardly_anything():
    def says_no(confidence: float) -> float:
        read = [print_on(LABEL, "style", "QM-28", confidence)]
        cue = style_agrees(listing(style_number="QM-21"), read, sheet(), CHECKS)
        return 0.5 if cue is None else cue.likelihood["no"]

    assert says_no(0.98) > 0.9
    assert says_no(0.25) < 0.7
    assert says_no(0.25) < says_no(0.5) < says_no(0.98)


def test_a_code_read_standing_on_its_head_is_no_mismatch():
    turned = codes("6916", "9169")
    assert turned.likelihood["match"] > 0.9
    assert codes("6916", "9168").likelihood["differ"] > 0.5  # neither way up
    assert codes("6923", "3269").likelihood["differ"] > 0.9  # a 2 and a 3 have one way up only


def test_equal_codes_match():
    assert codes("4071", "4071").likelihood["match"] > 0.99


@pytest.mark.parametrize(
    "texts",
    [
        pytest.param([], id="neither read"),
        pytest.param([print_on(BACK, "code", "4071")], id="only the button"),
        pytest.param([print_on(BACK, "code", "4071"), print_on(TAG, "code", "40")], id="tag partly worn off"),
        pytest.param([print_on(BACK, "code", "4071"), print_on(TAG, "code", "9999", 0.2)], id="tag a mere guess"),
    ],
)
def test_an_unreadable_code_is_not_a_mismatch(texts):
    assert code_match(texts, 4, CHECKS) is None


def test_more_differing_digits_say_more_for_differ():
    differ = [codes("4071", tag).likelihood["differ"] for tag in ("4071", "4072", "4082", "4382", "9382")]
    assert differ == sorted(differ)
    assert differ[-1] > 0.99


def test_one_differing_digit_says_less_the_less_sure_the_reading():
    sharp, blurred = (codes("4071", "4077", confidence).likelihood["differ"] for confidence in (0.999, 0.7))
    assert sharp > 0.9
    assert blurred < 0.5


def test_code_readings_that_agree_outvote_a_lone_one():
    texts = [
        print_on(BACK, "code", "4071", 0.8),
        print_on(BACK, "code", "4077", 0.85),
        print_on(BACK, "code", "4071", 0.8),
    ]
    best = best_text(texts)
    assert (best.text, best.confidence) == ("4071", pytest.approx(0.96))


def test_printed_style_is_compared_with_the_stated_one_whatever_the_spelling():
    read = [print_on(LABEL, "style", "STYLE QM-28")]
    assert style_agrees(listing(style_number="qm 28"), read, sheet(), CHECKS).likelihood["yes"] > 0.99
    assert style_agrees(listing(style_number="QM-21"), read, sheet(), CHECKS).likelihood["no"] > 0.95
    assert style_agrees(listing(), read, sheet(), CHECKS) is None


@pytest.mark.parametrize(
    ("waist", "leg", "state"),
    [("32", "34", "yes"), ("31", "34", "no"), ("32", "30", "no"), ("36", "30", "no")],
)
def test_printed_size_is_compared_with_the_stated_one(waist, leg, state):
    texts = [print_on(LABEL, "waist", waist), print_on(LABEL, "leg", leg)]
    reading = size_agrees(listing(waist_in=32, leg_in=34), texts, CHECKS)
    assert reading.likelihood[state] > 0.9


def test_only_the_waist_read_leaves_doubt_about_the_leg():
    both = [print_on(LABEL, "waist", "32"), print_on(LABEL, "leg", "34")]
    stated = listing(waist_in=32, leg_in=34)
    assert size_agrees(stated, both[:1], CHECKS).likelihood["yes"] < size_agrees(stated, both, CHECKS).likelihood["yes"]
    assert size_agrees(listing(), both, CHECKS) is None


@pytest.mark.parametrize(("price", "state"), [(34.99, "low"), (35.0, "usual"), (500.0, "usual")])
def test_a_low_price_is_below_a_fraction_of_the_lowest_usual_price(price, state):
    style = sheet().styles["QM-21"]  # usually 70 to 110
    assert price_band(listing(price_eur=price), style, CHECKS).likelihood[state] == 1.0


def test_missing_fields_are_not_seen():
    style = sheet().styles["QM-21"]
    assert price_band(listing(), style, CHECKS) is None
    assert price_band(listing(price_eur=80.0), None, CHECKS) is None
    assert metal_agrees(listing(), style) is None
    assert metal_agrees(listing(hardware_metal="steel"), style).likelihood == {"yes": 0.0, "no": 1.0}


def test_style_printed_with_confidence_stands_in_for_an_unstated_one():
    def found(confidence: float, style_number: str | None = None) -> set[str]:
        texts = (print_on(LABEL, "style", "QM-34", confidence),)
        result = assess(seen(texts=texts, hardware_metal="steel", style_number=style_number), sheet(), evidence())
        return {reason.cue for reason in result.reasons}

    assert "metal_agrees" in found(0.95)
    assert "metal_agrees" in found(0.95, style_number="XX-99")
    assert "metal_agrees" not in found(0.3)


@pytest.mark.parametrize(
    ("one", "other", "distance"),
    [("", "", 0), ("4071", "4071", 0), ("4071", "4171", 1), ("407", "4071", 1), ("kitten", "sitting", 3)],
)
def test_edit_distance_by_hand(one, other, distance):
    assert edit_distance(one, other) == distance


def test_nothing_is_not_the_same_print_as_nothing():
    assert not same_print("", "")
    assert not same_print("-", " ")
