"""Crops and kept pictures."""

from __future__ import annotations

import numpy as np

from pipeline.domain import Photo
from pipeline.review.pictures import Gallery


def a_photo(width=800, height=600):
    return Photo("p.jpg", np.full((height, width, 3), 200, np.uint8))


def test_a_picture_is_made_once_and_forgotten_when_there_is_no_room():
    gallery, made = Gallery(most_bytes=10), []

    def make(name):
        made.append(name)
        return b"12345"

    for name in ("a", "a", "b", "c", "c", "a"):
        gallery.picture(name, lambda name=name: make(name))
    assert made == ["a", "b", "c", "a"]


def test_a_photo_that_can_not_be_read_is_tried_again():
    gallery = Gallery()
    assert gallery.photo("x", lambda: None) is None
    assert gallery.photo("x", a_photo) is not None
