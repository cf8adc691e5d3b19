"""The shipped networks on photos drawn here and now; skipped where `models/` is empty."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.domain import Photo
from pipeline.evaluate.labelled import LabelledPart
from pipeline.evaluate.matching import match_parts
from pipeline.scan.looking import Looker, Seen
from synthetic.arrays import arrays_for
from synthetic.looks import LOOKS
from synthetic.pair import balanced_states, make_pair
from synthetic.views import Annotation, annotate, plan_view
from tests.evidence.builders import sheet

MODELS = Path(__file__).parents[2] / "models"
KINDS = ("back_pocket", "label", "button", "care_tag")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not (MODELS / "parts.yaml").exists(), reason="no networks in models/"),
]


@pytest.fixture(scope="module")
def looker() -> Looker:
    return Looker(MODELS, Path(), {"quillmere": sheet()})


@pytest.fixture(scope="module")
def drawn() -> list[tuple[Photo, list[Annotation]]]:
    photos = []
    for number, kind in enumerate(KINDS):
        rng = np.random.default_rng([6, number])
        pair = make_pair(rng, sheet(), balanced_states(rng, 0.3), False, LOOKS[sorted(LOOKS)[number % len(LOOKS)]])
        view = plan_view(rng, pair, kind)
        photos.append((Photo(f"{kind}.jpg", view.draw(arrays_for("cpu"))), annotate(view)))
    return photos


def labels(photo: Photo, notes: list[Annotation]) -> list[LabelledPart]:
    return [
        LabelledPart(photo.path, note.part, note.box, note.attributes)
        for note in notes
        if min(note.box.w, note.box.h) > 20
    ]


def answers(seen: Seen) -> dict[tuple[str, str], str]:
    """The sure answers of a photo's parts, by part and cue."""
    return {
        (part.found.part.value, cue.cue): max(cue.likelihood, key=cue.likelihood.__getitem__)
        for part in seen.parts
        for cue in part.cues
        if max(cue.likelihood.values()) > 0.95
    }


def test_the_parts_in_drawn_photos_are_found_and_read(looker, drawn):
    matches = []
    for photo, notes in drawn:
        matches += match_parts(labels(photo, notes), looker.look_at(photo, "quillmere").parts)
    assert len(matches) >= len(KINDS)
    assert np.mean([found is not None for _, found in matches]) >= 0.8
    assert sum(len(found.cues) + len(found.texts) for _, found in matches if found is not None) >= len(KINDS)


def test_a_change_of_light_flips_no_sure_answer(looker, drawn):
    kept = 0
    for photo, _ in drawn:
        before = answers(looker.look_at(photo, "quillmere"))
        darker = (photo.pixels.astype(np.float32) * 0.85).astype(np.uint8)
        after = answers(looker.look_at(Photo(photo.path, darker), "quillmere"))
        assert all(after[what] == answer for what, answer in before.items() if what in after)
        kept += len(before.keys() & after.keys())
    assert kept > 0


def test_the_same_photo_is_judged_the_same_twice(looker, drawn):
    photo, _ = drawn[0]
    first, second = (looker.look_at(photo, "quillmere").parts for _ in range(2))
    assert first == second
