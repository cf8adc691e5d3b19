"""The words of a reason."""

from __future__ import annotations

import pytest

from pipeline.evidence.sentences import reason_sentence


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
