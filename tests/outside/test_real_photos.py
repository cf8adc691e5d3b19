"""Real photos without a pair of jeans in them raise no part: those that scikit-image and scikit-learn ship.

Sources: skimage.data (the files bundled with scikit-image, nothing is downloaded) and
sklearn.datasets.load_sample_images; the provenance of each is in their READMEs.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skimage.color
import skimage.data
from sklearn.datasets import load_sample_images

from pipeline.domain import Photo

MODELS = Path(__file__).parents[2] / "models"

# What is in the scikit-image wheel and was taken with a camera (or a scanner, a microscope, a telescope).
BUNDLED = (
    "astronaut",
    "brick",
    "camera",
    "cat",
    "cell",
    "clock",
    "coffee",
    "coins",
    "grass",
    "gravel",
    "hubble_deep_field",
    "immunohistochemistry",
    "moon",
    "page",
    "retina",
    "rocket",
    "text",
)


def as_photo(name: str, pixels: np.ndarray) -> Photo:
    rgb = skimage.color.gray2rgb(pixels) if pixels.ndim == 2 else pixels[..., :3]
    return Photo(name, np.ascontiguousarray(rgb, dtype=np.uint8))


def real_photos() -> list[Photo]:
    photos = [as_photo(name, getattr(skimage.data, name)()) for name in BUNDLED]
    left, right, _ = skimage.data.stereo_motorcycle()
    samples = load_sample_images()
    photos += [as_photo("motorcycle_left", left), as_photo("motorcycle_right", right)]
    named = zip(samples.filenames, samples.images, strict=True)
    photos += [as_photo(Path(name).name, pixels) for name, pixels in named]
    return photos


@pytest.fixture(scope="module")
def looker():
    if not list(MODELS.glob("detector*")):
        pytest.skip("no networks in models/: train some or fetch the shipped weights")
    from pipeline.config import load_sheets  # imported here, so that the skip above is the only one
    from pipeline.scan.looking import Looker

    return Looker(MODELS, Path(), load_sheets(MODELS.parent / "configs"))


def test_the_photos_are_all_in_the_wheels_and_are_photos():
    photos = real_photos()
    assert len(photos) == len(BUNDLED) + 4
    assert all(photo.pixels.shape[2:] == (3,) and photo.pixels.dtype == np.uint8 for photo in photos)
    assert all(photo.pixels.std() > 5 for photo in photos)


@pytest.mark.slow
@pytest.mark.parametrize("photo", real_photos(), ids=lambda photo: photo.path)
def test_a_real_photo_without_a_pair_of_jeans_raises_no_part(looker, photo):
    seen = looker.look_at(photo, "quillmere")
    raised = [part for part in seen.parts if part.found.is_sure]
    assert not raised, [f"{part.found.part} {part.found.score:.2f} at {part.found.box}" for part in raised]
    assert all(part.cues == () and part.texts == () for part in seen.parts)
