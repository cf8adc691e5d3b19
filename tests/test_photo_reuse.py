"""Measured on photos that scikit-image and scikit-learn ship (real scenes, two stereo views, three close textures).

The limits in `photo_reuse` were set on quarters of these photos with other random numbers; here the photos are cut in
nine. One limit (the weak cells) was tightened by this test: two pieces of the brick wall, a pattern that repeats over
the whole picture, had passed for one photo.
"""

from __future__ import annotations

import io
import itertools
import pickle
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage
import sklearn
from PIL import Image

from pipeline.domain import CueReading, Photo
from pipeline.photo_reuse import (
    Fingerprint,
    ReuseMatch,
    compare,
    find_reuse,
    fingerprint,
    fingerprint_from_bytes,
    fingerprint_to_bytes,
    reuse_reading,
)

SCENES = (
    "astronaut.png",
    "camera.png",
    "chelsea.png",
    "coffee.png",
    "coins.png",
    "hubble_deep_field.jpg",
    "ihc.png",
    "page.png",
    "retina.jpg",
    "rocket.jpg",
    "text.png",
)
TEXTURES = ("brick.png", "grass.png", "gravel.png")


def load(name: str) -> np.ndarray:
    roots = (Path(skimage.__file__).parent / "data", Path(sklearn.__file__).parent / "datasets" / "images")
    path = next(root / name for root in roots if (root / name).is_file())
    return np.asarray(Image.open(path).convert("RGB"))


def ninths(pixels: np.ndarray) -> list[np.ndarray]:
    rows = np.array_split(pixels, 3, axis=0)
    return [cell for row in rows for cell in np.array_split(row, 3, axis=1)]


def as_reused(pixels: np.ndarray, rng: np.random.Generator, *, mirrored: bool) -> np.ndarray:
    """Cropped by up to 15 % a side, resized, its light changed, JPEG again."""
    height, width = pixels.shape[:2]
    left, top, right, bottom = rng.uniform(0, 0.15, 4)
    crop = pixels[int(top * height) : int((1 - bottom) * height), int(left * width) : int((1 - right) * width)]
    scale = rng.uniform(0.6, 1.2)
    crop = cv2.resize(crop[:, ::-1] if mirrored else crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    lit = np.clip(crop * rng.uniform(0.9, 1.1) + rng.uniform(-10, 10), 0, 255).astype(np.uint8)
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(50, 92))]
    return np.asarray(cv2.imdecode(cv2.imencode(".jpg", lit, quality)[1], cv2.IMREAD_COLOR))


def printed(pixels: np.ndarray, name: str = "p") -> Fingerprint:
    return fingerprint(Photo(name, np.ascontiguousarray(pixels)))


@pytest.mark.parametrize("mirrored", [False, True], ids=["as shown", "mirrored"])
@pytest.mark.parametrize("name", ["china.jpg", "flower.jpg", "coffee.png", "chelsea.png"])
def test_a_cropped_reencoded_copy_is_the_same_photo(name, mirrored):
    pixels = load(name)
    same = compare(printed(pixels), printed(as_reused(pixels, np.random.default_rng(5), mirrored=mirrored)))
    assert same is not None
    assert same.is_mirrored is mirrored
    assert same.agreement > 0.95


def test_a_copy_that_slides_away_when_laid_more_exactly_is_compared_as_its_corners_lay_it():
    piece = ninths(load("text.png"))[8]  # half empty paper
    copy = as_reused(piece, np.random.default_rng(1), mirrored=False)
    same = compare(printed(piece), printed(copy))
    assert same is not None
    assert same.agreement > 0.96


def test_two_photos_of_one_scene_from_beside_each_other_are_not_the_same_photo():
    left, right = load("motorcycle_left.png"), load("motorcycle_right.png")
    views = [printed(view) for side in (left, right) for view in (side, side[100:, 50:-50])]
    assert compare(views[0], views[1]) is not None
    assert not any(compare(a, b) for a, b in itertools.product(views[:2], views[2:]))


def a_label(artwork: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The same printed artwork on another cloth, photographed from another place under another lamp."""
    cloth = cv2.resize(load("grass.png")[: rng.integers(200, 500)], (640, 480)) * rng.uniform(0.3, 0.8)
    corners = np.float32([[0, 0], [300, 0], [300, 220], [0, 220]])
    placed = corners + rng.uniform([120, 90], [180, 150]) + rng.uniform(-25, 25, (4, 2))
    matrix = cv2.getPerspectiveTransform(corners, placed.astype(np.float32))
    label = cv2.warpPerspective(cv2.resize(artwork, (300, 220)), matrix, (640, 480))
    inside = cv2.warpPerspective(np.ones((220, 300), np.float32), matrix, (640, 480))[..., None]
    slope = np.linspace(rng.uniform(0.6, 1), rng.uniform(0.6, 1), 640)[None, :, None]
    noisy = (cloth * (1 - inside) + label * inside) * slope + rng.normal(0, 5, (480, 640, 3))
    return np.clip(noisy, 0, 255).astype(np.uint8)


def test_the_same_printed_label_on_two_garments_is_not_the_same_photo():
    rng = np.random.default_rng(11)
    photos = [printed(a_label(load("text.png"), rng)) for _ in range(12)]
    assert not any(compare(a, b) for a, b in itertools.combinations(photos, 2))


@pytest.mark.slow
def test_recall_on_copies_is_nine_in_ten_with_no_false_match_among_thousands_of_pairs():
    rng = np.random.default_rng(2024)
    photos = [(name, cell) for name in SCENES + TEXTURES for cell in ninths(load(name))]
    entries = [(f"L{n}", f"seller {n}", f"{n}.jpg", printed(cell)) for n, (_, cell) in enumerate(photos)]
    copies = [
        (f"C{n}", "the copier", f"c{n}.jpg", printed(as_reused(cell, rng, mirrored=bool(rng.random() < 0.5))))
        for n, (_, cell) in enumerate(photos)
    ]
    false = [
        (one[0], other[0]) for one, other in itertools.combinations(entries, 2) if compare(one[3], other[3]) is not None
    ]
    assert len(entries) * (len(entries) - 1) // 2 > 7000
    assert false == []
    found = find_reuse(entries + copies)
    hits = [any(match.other_listing_id == f"L{n}" for match in found.get(f"C{n}", [])) for n in range(len(copies))]
    wrong = [
        (name, match.other_listing_id)
        for name, matches in found.items()
        for match in matches
        if name[1:] != match.other_listing_id[1:]
    ]
    assert wrong == []
    assert np.mean(hits) >= 0.9


def test_a_match_is_named_on_both_sides_with_its_photo():
    china = load("china.jpg")
    copy = printed(as_reused(china, np.random.default_rng(1), mirrored=True))
    entries = [
        ("A", "s1", "a.jpg", printed(china)),
        ("B", "s2", "b.jpg", copy),
        ("C", "s3", "c.jpg", printed(load("flower.jpg"))),
    ]
    found = find_reuse(entries)
    assert set(found) == {"A", "B"}
    (match,) = found["B"]
    assert (match.photo, match.other_listing_id, match.other_seller_id, match.other_photo) == (
        "b.jpg",
        "A",
        "s1",
        "a.jpg",
    )
    assert match.is_mirrored


def test_a_seller_may_use_a_photo_twice_and_an_unknown_seller_is_not_compared():
    same = printed(load("china.jpg"))
    assert find_reuse([("A", "s1", "a.jpg", same), ("B", "s1", "b.jpg", same)]) == {}
    assert find_reuse([("A", "s1", "a.jpg", same), ("B", "", "b.jpg", same)]) == {}


@pytest.mark.parametrize("size", [(32, 32), (33, 4000), (1200, 1600)])
def test_a_photo_without_texture_matches_nothing(size):
    blank = printed(np.full((*size, 3), 128, np.uint8))
    assert find_reuse([]) == {}
    assert find_reuse([("A", "s1", "a", blank), ("B", "s2", "b", blank)]) == {}


def test_the_order_of_the_night_does_not_matter():
    rng = np.random.default_rng(3)
    photos = [load(name) for name in SCENES[:6]]
    entries = [(f"L{n}", f"s{n}", f"{n}", printed(one)) for n, one in enumerate(photos)]
    entries += [(f"C{n}", "t", f"c{n}", printed(as_reused(one, rng, mirrored=False))) for n, one in enumerate(photos)]
    one_way, other_way = find_reuse(entries), find_reuse(entries[::-1])
    assert {name: {m.other_listing_id for m in found} for name, found in one_way.items()} == {
        name: {m.other_listing_id for m in found} for name, found in other_way.items()
    }


def same_arrays(one: Fingerprint, other: Fingerprint) -> bool:
    pairs = [*zip(one.corners, other.corners, strict=True), *zip(one.mirrored, other.mirrored, strict=True)]
    return all(np.array_equal(a, b) and a.dtype == b.dtype for a, b in [*pairs, (one.thumb, other.thumb)])


@pytest.mark.parametrize("pixels", [load("coffee.png"), load("coffee.png")[:, :40], np.full((90, 40, 3), 9, np.uint8)])
def test_a_kept_fingerprint_is_read_back_as_it_was(pixels):
    one = fingerprint(Photo("a.jpg", pixels))
    kept = fingerprint_to_bytes(one)
    assert same_arrays(fingerprint_from_bytes(kept), one)
    archive = io.BytesIO()  # as earlier nights kept them
    names = ("points", "codes", "mirrored_points", "mirrored_codes", "thumb")
    np.savez_compressed(archive, **dict(zip(names, (*one.corners, *one.mirrored, one.thumb), strict=True)))
    assert same_arrays(fingerprint_from_bytes(archive.getvalue()), one)


def test_a_spoiled_fingerprint_is_an_error_and_nothing_else():
    kept = fingerprint_to_bytes(fingerprint(Photo("a.jpg", load("coffee.png"))))
    for spoiled in (b"", kept[:5], kept[:-9], b"\0" + kept[1:], kept[:8] + bytes(90)):
        with pytest.raises(ValueError, match="no fingerprint"):
            fingerprint_from_bytes(spoiled)


def test_a_fingerprint_is_small_and_travels_between_processes():
    one = printed(cv2.resize(load("china.jpg"), (1600, 1200)))
    packed = pickle.dumps(one)
    assert len(packed) < 30_000
    assert compare(one, pickle.loads(packed)) is not None


def found_between(original: np.ndarray, copy: np.ndarray) -> dict[str, list[ReuseMatch]]:
    return find_reuse([("A", "s1", "a.jpg", printed(original)), ("B", "s2", "b.jpg", printed(copy))])


def odds(reading: CueReading) -> float:
    return reading.likelihood["other_seller"] / reading.likelihood["none"]


@pytest.mark.parametrize("cut", [0.02, 0.08, 0.15])
@pytest.mark.parametrize("swapped", [False, True], ids=["original first", "copy first"])
def test_the_one_that_shows_less_is_the_copy(cut, swapped):
    china = load("china.jpg")
    height, width = china.shape[:2]
    cropped = china[: int(height * (1 - cut)), int(width * cut) :]
    names = {"original": "B" if swapped else "A", "copy": "A" if swapped else "B"}
    found = found_between(cropped, china) if swapped else found_between(china, cropped)
    assert odds(reuse_reading(found[names["copy"]], 1)) > 30
    assert odds(reuse_reading(found[names["original"]], 1)) == 1
    margin = 1 - (1 - cut) ** 2
    assert found[names["copy"]][0].crop_margin == pytest.approx(margin, abs=0.02)
    assert "cut out of a photo of listing " + names["original"] in reuse_reading(found[names["copy"]], 1).text


def test_where_neither_shows_less_either_may_be_the_copy():
    china = load("china.jpg")
    found = found_between(china, china[:, ::-1])
    for name, other in (("A", "B"), ("B", "A")):
        reading = reuse_reading(found[name], 1)
        assert odds(reading) == pytest.approx(4)
        assert (reading.photo, reading.text) == (
            f"{name.lower()}.jpg",
            f"listing {other} shows the same photo, mirrored",
        )


def test_of_two_photos_alike_only_the_one_listed_later_is_called_a_copy():
    china = load("china.jpg")
    found = found_between(china, china[:, ::-1])
    assert odds(reuse_reading(found["B"], 1, {"A": True})) > 10
    assert odds(reuse_reading(found["A"], 1, {"B": False})) == 1


def test_a_part_of_a_photo_that_was_listed_before_the_whole_one_is_less_surely_a_copy():
    china = load("china.jpg")
    found = found_between(china, china[40:, 60:])
    assert odds(reuse_reading(found["B"], 1, {"A": True})) > 30
    assert odds(reuse_reading(found["B"], 1, {"A": False})) == pytest.approx(4)
    assert odds(reuse_reading(found["A"], 1, {"B": True})) == 1


def test_no_match_says_little_and_nothing_compared_says_nothing():
    assert 1 / 3 < odds(reuse_reading([], 500)) < 1
    assert odds(reuse_reading([], 0)) == 1


def test_a_fingerprint_is_kept_as_it_is():
    for pixels in (load("china.jpg"), np.full((40, 90, 3), 70, np.uint8)):
        one = printed(pixels)
        kept = fingerprint_from_bytes(fingerprint_to_bytes(one))
        for mine, theirs in zip(
            (*one.corners, *one.mirrored, one.thumb), (*kept.corners, *kept.mirrored, kept.thumb), strict=True
        ):
            assert (mine.dtype, mine.tolist()) == (theirs.dtype, theirs.tolist())


@pytest.mark.parametrize("data", [b"", b"no fingerprint", zlib.compress(b"1234"), zlib.compress(bytes(range(200)))])
def test_what_is_no_fingerprint_is_refused(data):
    with pytest.raises(ValueError, match="no fingerprint"):
        fingerprint_from_bytes(data)
