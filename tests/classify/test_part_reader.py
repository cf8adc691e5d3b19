"""From the part network's answers to readings; the network is a stand-in with answers made to measure."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.classify.crops import CROPS, square_for
from pipeline.classify.heads import (
    ANSWER_COUNT,
    HEADS,
    POCKET_POINTS,
    PRINT_FIELDS,
    SLOT_COUNT,
    digit_slots,
    head_slices,
)
from pipeline.classify.part_reader import PartReader, likeliest_style, likelihoods, refined_box
from pipeline.cutting import Square, cut_out
from pipeline.domain import Box, FoundPart, PartName, Photo
from pipeline.model_files import PartsCard

PHOTO = Photo("p.jpg", np.full((600, 800, 3), 120, np.uint8))
STYLES = ("QM-21", "QM-28", "QM-34")


def card(**changes: object) -> PartsCard:
    return PartsCard.model_validate(
        {
            "version": 1,
            "network": "none",
            "sha256": {},
            "colour_order": "RGB",
            "temperature": {head.name: 1.0 for head in HEADS},
            "training_prior": {head.name: {a: 1 / len(head.answers) for a in head.answers} for head in HEADS},
            "digit_temperature": {part: 1.0 for part in PRINT_FIELDS},
            "box_weight": {part: 0.5 for part in PartName},
            "least_seen": {head.name: 0.5 for head in HEADS},
            "least_print_seen": 0.3,
            "least_point_seen": 0.5,
            "point_sigma_scale": {name: 1.0 for name in POCKET_POINTS},
            **changes,
        }
    )


def answers(**changes: np.ndarray) -> dict[str, np.ndarray]:
    """Network answers that say nothing, but for what is given."""
    plain = {
        "answers": np.zeros(ANSWER_COUNT),
        "seen": np.full(len(HEADS), -9.0),
        "digits": np.zeros((SLOT_COUNT, 10)),
        "digit_seen": np.full(SLOT_COUNT, -9.0),
        "box": np.array([0.5, 0.5, 1 / 1.2, 1 / 1.2]),
        "points": np.tile([0.5, 0.5, -4.0], (len(POCKET_POINTS), 1)),
        "point_seen": np.full(len(POCKET_POINTS), -9.0),
    }
    return {name: np.asarray(value, np.float32) for name, value in (plain | changes).items()}


def always(network: Callable[[np.ndarray], dict[str, np.ndarray]]) -> dict[PartName, Callable]:
    """The same network, whatever part it looks at."""
    return dict.fromkeys(PartName, network)


def read(part: PartName, out: dict[str, np.ndarray], box: Box | None = None, **settings: object):
    found = FoundPart("p.jpg", part, box or Box(300, 200, 120, 120), 0.9)
    return PartReader(card(**settings), always(lambda pixels: out)).read(PHOTO, found, STYLES)


def saying(head: str, answer: str, strength: float = 4.0) -> np.ndarray:
    logits = np.zeros(ANSWER_COUNT)
    place = next(item for item in HEADS if item.name == head).answers.index(answer)
    logits[head_slices()[head]][place] = strength
    return logits


def seeing(*heads: str) -> np.ndarray:
    return np.array([9.0 if head.name in heads else -9.0 for head in HEADS])


def test_a_cue_is_read_where_it_shows_and_only_there():
    out = answers(answers=saying("rivet_stamp", "blank"), seen=seeing("rivet_stamp", "zip_mark"))
    [cue] = read(PartName.RIVET, out).reading.cues
    assert cue.cue == "rivet_stamp"
    assert cue.likelihood["blank"] == pytest.approx(1 / (1 + np.exp(-4)))
    assert read(PartName.RIVET, answers(answers=saying("rivet_stamp", "blank"))).reading.cues == ()


def test_the_share_in_training_is_taken_out_of_the_network_s_belief():
    # A network that answers with the training shares alone has seen nothing.
    prior = np.array([0.5, 0.25, 0.25])
    assert likelihoods(np.log(prior).astype(np.float32), 1.0, prior) == pytest.approx([1 / 3] * 3)
    assert likelihoods(np.zeros(3, np.float32), 1.0, prior) == pytest.approx([0.2, 0.4, 0.4])


@given(logits=st.lists(st.floats(-20, 20), min_size=4, max_size=4), cool=st.floats(1.1, 5))
def test_a_higher_temperature_never_makes_a_reading_surer(logits, cool):
    even = np.full(4, 0.25)
    sharp = likelihoods(np.array(logits, np.float32), 1.0, even)
    soft = likelihoods(np.array(logits, np.float32), cool, even)
    assert soft.max() <= sharp.max() + 1e-9
    assert soft.sum() == pytest.approx(1)
    assert likelihoods(np.array([2, 0], np.float32), 2.0, np.ones(2))[0] == pytest.approx(1 / (1 + np.exp(-1)))


def digits(part: PartName, field: str, text: str, sureness: float) -> np.ndarray:
    """Slots where each digit of the text has this probability."""
    out = np.zeros((SLOT_COUNT, 10))
    for slot, char in zip(range(*digit_slots()[part, field].indices(SLOT_COUNT)), text, strict=True):
        out[slot, int(char)] = np.log(sureness / (1 - sureness) * 9)
    return out


def test_a_code_is_as_sure_as_all_its_digits_together_and_as_legible_as_they_are():
    shown = answers(digits=digits(PartName.CARE_TAG, "code", "4071", 0.9), digit_seen=np.full(SLOT_COUNT, 1.0))
    [text] = read(PartName.CARE_TAG, shown).reading.texts
    assert (text.field, text.text, text.part) == ("code", "4071", PartName.CARE_TAG)
    assert text.confidence == pytest.approx(0.9**4 / (1 + np.exp(-1)), rel=1e-3)


def test_unsure_print_is_looked_at_again_turned_and_aside_and_the_surer_looks_win():
    first = answers(digits=digits(PartName.CARE_TAG, "code", "4871", 0.5), digit_seen=np.full(SLOT_COUNT, 5.0))
    second = answers(digits=digits(PartName.CARE_TAG, "code", "4071", 0.99), digit_seen=np.full(SLOT_COUNT, 5.0))
    crops: list[np.ndarray] = []

    def network(pixels: np.ndarray) -> dict[str, np.ndarray]:
        crops.append(pixels)
        return first if len(crops) == 1 else second

    striped = Photo("p.jpg", np.tile(np.arange(800, dtype=np.uint8)[None, :, None], (600, 1, 3)))
    found = FoundPart("p.jpg", PartName.CARE_TAG, Box(300, 200, 120, 120), 0.9)
    [text] = PartReader(card(), always(network)).read(striped, found).reading.texts
    assert text.text == "4071"
    assert len(crops) == 7
    for quarters, other in zip((2, 1, 3), crops[1:4], strict=True):
        assert (np.rot90(crops[0], quarters) == other).all()
    assert all((crops[0] != other).any() for other in crops[1:])


class SaysAlways:
    """A digit reader that reads the same everywhere, weighed like the part network."""

    def __init__(self, logits: np.ndarray) -> None:
        self.logits, self.asked = logits.astype(np.float32), []

    def read(self, crop, part, places):
        self.asked.append((crop.shape, part, places))
        return self.logits

    def weighed(self, part, by_parts, by_digits):
        return by_parts + by_digits


def test_print_is_read_by_both_networks_together_at_the_places_that_the_first_one_gives():
    places = np.full((SLOT_COUNT, 2), 0.25)
    shown = answers(
        digits=digits(PartName.CARE_TAG, "code", "4871", 0.6), digit_seen=np.full(SLOT_COUNT, 5.0), digit_places=places
    )
    reader = SaysAlways(digits(PartName.CARE_TAG, "code", "4071", 0.999))
    found = FoundPart("p.jpg", PartName.CARE_TAG, Box(300, 200, 120, 120), 0.9)
    [text] = PartReader(card(), always(lambda pixels: shown), None, reader).read(PHOTO, found).reading.texts
    assert text.text == "4071"
    [(shape, part, where)] = reader.asked  # both together are sure at the first look
    assert (shape, part) == ((320, 320, 3), PartName.CARE_TAG)
    assert (where == np.float32(0.25)).all()


def test_a_network_that_gives_no_places_reads_alone():
    shown = answers(digits=digits(PartName.CARE_TAG, "code", "4871", 0.99), digit_seen=np.full(SLOT_COUNT, 5.0))
    reader = SaysAlways(digits(PartName.CARE_TAG, "code", "4071", 0.999))
    found = FoundPart("p.jpg", PartName.CARE_TAG, Box(300, 200, 120, 120), 0.9)
    [text] = PartReader(card(), always(lambda pixels: shown), None, reader).read(PHOTO, found).reading.texts
    assert (text.text, reader.asked) == ("4871", [])


def looks_at(part: PartName, *shown: dict[str, np.ndarray]) -> int:
    """How often a part is looked at whose looks answer so, the last one for all that come after."""
    looks: list[np.ndarray] = []

    def network(pixels: np.ndarray) -> dict[str, np.ndarray]:
        looks.append(pixels)
        return shown[min(len(looks), len(shown)) - 1]

    PartReader(card(), always(network)).read(PHOTO, FoundPart("p.jpg", part, Box(300, 200, 120, 120), 0.9))
    return len(looks)


def code(text: str, sureness: float) -> dict[str, np.ndarray]:
    shown = digits(PartName.CARE_TAG, "code", text, sureness)
    return answers(digits=shown, digit_seen=np.full(SLOT_COUNT, 5.0))


def test_print_that_is_read_surely_is_looked_at_once():
    assert looks_at(PartName.CARE_TAG, code("4071", 0.999)) == 1


def test_looks_end_when_print_is_read_surely():
    assert looks_at(PartName.CARE_TAG, code("4071", 0.8), code("4071", 0.9999)) == 2
    assert looks_at(PartName.CARE_TAG, code("4071", 0.8)) == 7


def test_print_that_does_not_show_calls_for_no_second_look():
    style, size = digits(PartName.LABEL, "style", "28", 0.999), digits(PartName.LABEL, "waist", "33", 0.5)
    is_style = np.arange(SLOT_COUNT) < digit_slots()[PartName.LABEL, "style"].stop
    only_style = answers(digits=style + size, digit_seen=np.where(is_style, 5.0, -5.0))
    assert looks_at(PartName.LABEL, only_style) == 1
    assert looks_at(PartName.LABEL, only_style | {"digit_seen": np.full(SLOT_COUNT, 5.0, np.float32)}) > 1


def test_print_that_does_not_show_is_not_read():
    assert read(PartName.CARE_TAG, answers(digits=digits(PartName.CARE_TAG, "code", "4071", 0.99))).reading.texts == ()


def test_a_label_gives_style_waist_and_leg():
    print_ = sum(digits(PartName.LABEL, *pair, 0.95) for pair in (("style", "28"), ("waist", "33"), ("leg", "34")))
    texts = read(PartName.LABEL, answers(digits=print_, digit_seen=np.full(SLOT_COUNT, 5.0))).reading.texts
    assert {text.field: text.text for text in texts} == {"style": "QM-28", "waist": "33", "leg": "34"}


def test_a_style_is_read_as_one_of_the_maker_s():
    chances = np.full((2, 10), 0.02)
    chances[0, 2], chances[1, 7], chances[1, 8] = 0.82, 0.45, 0.37  # 27 is likelier than 28, but there is no QM-27
    style, sureness = likeliest_style(chances, STYLES)
    assert style == "QM-28"
    assert 0.6 < sureness < 0.9
    assert likeliest_style(chances, ("QM-128",)) == ("", 0.0)


def test_points_and_their_spread_are_in_pixels_of_the_photo():
    points = np.tile([0.25, 0.75, np.log(0.01)], (len(POCKET_POINTS), 1))
    seen = np.full(len(POCKET_POINTS), -9.0)
    seen[0] = 9.0
    scales = {name: 1.0 for name in POCKET_POINTS} | {POCKET_POINTS[0]: 2.0}
    part = read(
        PartName.POCKET, answers(points=points, point_seen=seen), Box(100, 200, 200, 250), point_sigma_scale=scales
    )
    square = square_for(PartName.POCKET, Box(100, 200, 200, 250)).snapped()
    [(name, (x, y, sigma))] = part.points.items()
    assert name == POCKET_POINTS[0]
    assert (x, y) == pytest.approx((square.x + square.side / 4, square.y + square.side * 3 / 4))
    assert sigma == pytest.approx(2 * np.sqrt(2) * 0.01 * square.side)
    assert read(PartName.LABEL, answers(points=points, point_seen=seen)).points == {}


def test_a_corner_at_the_photo_s_edge_is_where_the_photo_ends_and_not_the_pocket():
    box = Box(300, -20, 200, 250)  # reaches past the top of the photo
    square = square_for(PartName.POCKET, box).snapped()
    points = np.tile([0.5, 0.5, -4.0], (len(POCKET_POINTS), 1))
    points[0, 1] = (3 - square.y) / square.side  # three px below the photo's edge
    shown = read(PartName.POCKET, answers(points=points, point_seen=np.full(len(POCKET_POINTS), 9.0)), box).points
    assert set(shown) == set(POCKET_POINTS[1:])


SQUARE = Square(100, 100, 200)


@pytest.mark.parametrize(
    ("cxcywh", "weight", "wanted"),
    [
        ((0.5, 0.5, 0.5, 0.5), 1.0, (150, 150, 250, 250)),
        ((0.5, 0.5, 0.5, 0.5), 0.0, (140, 150, 240, 250)),
        ((0.5, 0.5, 0.5, 0.5), 0.5, (145, 150, 245, 250)),
        ((0.8, 0.5, 0.5, 0.5), 1.0, (140, 150, 240, 250)),
        ((0.5, 0.5, 0.0, 0.0), 1.0, (140, 150, 240, 250)),
    ],
    ids=["the network's", "the detector's", "half of each", "the two see different things", "an empty box"],
)
def test_two_boxes_are_blended_where_they_show_the_same(cxcywh, weight, wanted):
    box = refined_box(Box(140, 150, 100, 100), np.array(cxcywh, np.float32), SQUARE, (800, 600), weight)
    assert box.xyxy == pytest.approx(wanted)


@given(
    part=st.sampled_from(list(PartName)),
    x=st.floats(-20, 700),
    y=st.floats(-20, 500),
    w=st.floats(8, 300),
    h=st.floats(8, 300),
)
def test_a_crop_maps_there_and_back(part, x, y, w, h):
    square = square_for(part, Box(x, y, w, h)).snapped()
    places = np.random.default_rng(0).random((5, 2))
    assert square.to_square(square.to_photo(places)) == pytest.approx(places, abs=1e-9)


@given(x=st.integers(20, 700), y=st.integers(20, 500), w=st.integers(30, 90), h=st.integers(30, 90))
def test_what_is_cut_out_lies_where_the_square_says(x, y, w, h):
    pixels = np.zeros((600, 800, 3), np.uint8)
    x, y = min(x, 799 - w), min(y, 599 - h)
    pixels[y : y + h, x : x + w] = 255
    square = square_for(PartName.BUTTON, Box(x, y, w, h)).snapped()
    crop = cut_out(pixels, square, CROPS[PartName.BUTTON].side_px)
    rows, columns = np.nonzero(crop[..., 0] > 200)
    side = crop.shape[0]
    corners = square.to_photo(np.array([[columns.min(), rows.min()], [columns.max() + 1, rows.max() + 1]]) / side)
    assert corners.ravel() == pytest.approx([x, y, x + w, y + h], abs=1.0)
