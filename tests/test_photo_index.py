"""The index of earlier photos, measured on photos that scikit-image and scikit-learn ship (see `test_photo_reuse`)."""

from __future__ import annotations

import faiss
import numpy as np
import pytest

from pipeline import photo_index
from pipeline.photo_index import PhotoIndex, codes_asked_of, codes_of
from tests.test_photo_reuse import SCENES, TEXTURES, as_reused, load, ninths, printed


@pytest.fixture(scope="module")
def copies():
    """Codes of pieces of photos, and those that copies (cut by up to 15% a side, half mirrored) are looked for by."""
    rng = np.random.default_rng(8)
    pieces = [piece for name in SCENES + TEXTURES for piece in ninths(load(name))]
    pieces_codes = np.array([codes_of(printed(piece).thumb) for piece in pieces])
    thumbs = [printed(as_reused(piece, rng, mirrored=bool(rng.random() < 0.5))).thumb for piece in pieces]
    return pieces_codes, np.array([codes_asked_of(thumb) for thumb in thumbs])


def filled(codes) -> PhotoIndex:
    index = PhotoIndex()
    index.add(np.arange(len(codes)), codes)
    return index


def found(nearest) -> float:
    return float(np.mean([number in numbers for number, numbers in enumerate(nearest)]))


def test_of_cut_mirrored_and_reencoded_copies_nineteen_in_twenty_are_among_the_candidates(copies):
    pieces, asked = copies
    assert found(filled(pieces).nearest(asked)) >= 0.95


def test_the_lists_of_many_codes_lose_hardly_any(copies, monkeypatch):
    pieces, asked = copies
    rng = np.random.default_rng(1)
    others = rng.integers(0, 256, (3000, 16, 16), np.uint8)
    for name, value in {"_FEW": 10_000, "_LISTS": 64, "_LISTS_ASKED": 16}.items():
        monkeypatch.setattr(photo_index, name, value)
    index = filled(pieces)
    assert isinstance(index._codes, faiss.IndexBinaryIDMap2)
    index.add(np.arange(1000, 4000), others)
    assert isinstance(index._codes, faiss.IndexBinaryIVF)
    assert found(index.nearest(asked)) >= 0.93


def test_what_was_saved_answers_alike_and_goes_on(copies, tmp_path):
    pieces, asked = copies
    index = filled(pieces[:50])
    index.save(tmp_path / "index")
    again = PhotoIndex.load(tmp_path / "index")
    assert again.nearest(asked) == index.nearest(asked)
    assert list(again.lacking(np.arange(48, 53))) == [50, 51, 52]
    again.add(np.arange(50, len(pieces)), pieces[50:])
    assert again.nearest(asked) == filled(pieces).nearest(asked)


def test_an_empty_index_finds_nothing(copies):
    _, asked = copies
    assert PhotoIndex().nearest(asked[:2]) == [[], []]
    assert PhotoIndex().nearest(asked[:0]) == []
