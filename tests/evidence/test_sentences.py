"""The words of a reason."""

from __future__ import annotations

import pytest

from pipeline.domain import Measurement
from pipeline.evidence.sentences import reason_sentence
from tests.evidence.builders import sheet


@pytest.mark.parametrize(
    ("cue", "state", "text", "told"),
    [
        ("style_agrees", "no", "QM-47", "Printed style differs from the stated one (read: QM-47)."),
        ("metal_agrees", "no", "steel", "Stated metal is not the one this style carries (stated: steel)."),
        (
            "photo_reuse", "other_seller", "cut out of a photo of listing L1, mirrored",
            "The same photo stands under another seller (cut out of a photo of listing L1, mirrored).",
        ),
    ],
)  # fmt: skip
def test_what_is_behind_a_reason_is_told_as_read_as_stated_or_as_it_is(cue, state, text, told):
    assert reason_sentence(cue, state, 1.0, text=text).startswith(told)


@pytest.mark.parametrize(
    ("cue", "state", "measured", "told"),
    [
        (
            "tab_stitch_spacing", "even", Measurement(6.13, 0.31, "stitches per inch"),
            "Tab stitching even (6.1 ± 0.3 stitches per inch, sheet: 8). ",
        ),
        (
            "label_ground", "white", Measurement(19.8, 4.0, "dE00"),
            "Label ground white (19.8 ± 4.0 CIEDE2000 from the sheet's; it allows 9). ",
        ),
        (
            "tab_position", "off", Measurement(38.5, 0.5, "mm"),
            "Tab too high or too low on the pocket seam (measured 38.5 ± 0.5 mm). ",
        ),
    ],
)  # fmt: skip
def test_a_number_stands_beside_what_the_sheet_says_and_is_short_enough_for_the_contact_sheet(
    cue, state, measured, told
):
    sentence = reason_sentence(cue, state, 1.2, measured=measured, views=2, sheet=sheet())
    assert sentence.startswith(told.replace("). ", ", 2 readings). "))
    assert len(sentence) <= 160


def test_without_a_sheet_the_number_stands_alone():
    measured = Measurement(6.13, 0.31, "stitches per inch")
    told = reason_sentence("tab_stitch_spacing", "even", 0.0, measured=measured)
    assert told.startswith("Tab stitching even (6.1 ± 0.3 stitches per inch).")
    told = reason_sentence("label_ground", "tan", 0.0, measured=Measurement(5.0, 4.0, "dE00"))
    assert told.startswith("Label ground tan (5.0 ± 4.0 CIEDE2000 from the sheet's).")
