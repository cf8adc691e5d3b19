"""The index of earlier photos, measured on photos that scikit-image and scikit-learn ship (see `test_photo_reuse`)."""

from __future__ import annotations

import faiss
import numpy as np
import pytest

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


def test_two_copies_cut_out_of_a_third_photo_know_each_other_again(copies):
    _, asked = copies
    rng = np.random.default_rng(9)
    pieces = [piece for name in SCENES + TEXTURES for piece in ninths(load(name))]
    others = np.array([codes_of(printed(as_reused(piece, rng, mirrored=False)).thumb) for piece in pieces])
    assert found(filled(others).nearest(asked)) >= 0.95


def test_a_mirrored_photo_has_the_codes_of_what_is_seen_in_a_mirror():
    thumb = printed(load("china.jpg")).thumb
    apart = np.bitwise_count(codes_asked_of(thumb)[:, None] ^ codes_of(np.ascontiguousarray(thumb[:, ::-1]))).sum(-1)
    assert apart.min(axis=0).max() <= 8  # of 256: what shrinks the photo rounds otherwise from the other side


def test_looking_at_codes_with_the_same_lowest_frequencies_alone_loses_hardly_any(copies, tmp_path):
    pieces, asked = copies
    rng = np.random.default_rng(1)
    others = rng.integers(0, 256, (3000, *pieces.shape[1:]), np.uint8)
    index = filled(pieces)
    assert isinstance(index._codes, faiss.IndexBinaryIDMap)
    index.add(np.arange(1000, 4000), others)
    assert isinstance(index._codes, faiss.IndexBinaryHash)
    nearest = index.nearest(asked)
    assert found(nearest) >= 0.93
    index.save(tmp_path)
    assert PhotoIndex.load(tmp_path).nearest(asked) == nearest


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


def test_an_index_of_other_codes_is_begun_anew(copies, tmp_path):
    faiss.write_index_binary(faiss.IndexBinaryIDMap2(faiss.IndexBinaryFlat(128)), str(tmp_path / "codes.faiss"))
    np.save(tmp_path / "numbers.npy", np.arange(3))
    assert len(PhotoIndex.load(tmp_path)) == 0
