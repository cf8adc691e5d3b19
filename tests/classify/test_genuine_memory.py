"""How far a part is from the genuine ones, and what is made of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.classify.genuine_memory import (
    GenuineMemory,
    PartMemory,
    load_memory,
    nearest_distances,
    p_value,
    save_arrays,
    spot_score,
    unlike_ratio,
)
from pipeline.classify.unlike_genuine import compared, unlike_genuine
from pipeline.config import ConfigError
from pipeline.cutting import Square
from pipeline.domain import HOT, Box, FoundPart, PartName
from pipeline.model_files import GenuineCard, sha256_of
from pipeline.train.export import save_card
from tests.classify.test_part_reader import card as parts_card

CELLS, CHANNELS = 16, 8
SQUARE = Square(100, 50, 160)
FOUND = FoundPart("p.jpg", PartName.BUTTON, Box(110, 60, 140, 140), 0.9)


def test_distances_are_those_of_scikit_learns_nearest_neighbours():
    neighbors = pytest.importorskip("sklearn.neighbors")
    rng = np.random.default_rng(0)
    features, memory = (rng.normal(3, 2, (n, 24)).astype(np.float32) for n in (200, 90))
    theirs, _ = neighbors.NearestNeighbors(n_neighbors=1).fit(memory).kneighbors(features)
    assert nearest_distances(features, memory) == pytest.approx(theirs[:, 0], abs=1e-3)
    # Squares of some 300 in single precision: a distance of 0 comes out as the root of their last digits.
    assert nearest_distances(memory, memory) == pytest.approx(0, abs=0.03)


def test_p_values_of_genuine_parts_are_spread_evenly():
    # Vovk, Gammerman & Shafer 2005: where parts are exchangeable, p is uniform on 1/(m+1) .. 1.
    rng = np.random.default_rng(1)
    m, found = 49, []
    for _ in range(4000):
        scores = rng.gamma(2.0, size=m + 1)
        found.append(p_value(float(scores[0]), np.sort(scores[1:]).astype(np.float32)))
    counts = np.bincount(np.round(np.array(found) * (m + 1)).astype(int), minlength=m + 2)[1:]
    assert counts.sum() == len(found)
    assert stats.chisquare(counts).pvalue > 0.001


def test_the_p_value_counts_the_part_itself_and_ties():
    genuine = np.array([1.0, 2.0, 2.0, 5.0], np.float32)
    assert [p_value(score, genuine) for score in (0.5, 2.0, 5.0, 9.0)] == [1.0, 0.8, 0.4, 0.2]


def test_the_ratio_of_a_genuine_part_is_one_on_average_and_rises_as_p_falls():
    # A density over p in 0..1 integrates to 1: an e-value (Vovk & Wang 2021).
    assert integrate.quad(lambda p: unlike_ratio(p, 0.4), 0, 1)[0] == pytest.approx(1, abs=1e-6)
    assert unlike_ratio(0.005, 0.4) > unlike_ratio(0.05, 0.4) > 1 > unlike_ratio(0.9, 0.4)


def test_a_spot_is_the_mean_of_the_farthest_features():
    assert spot_score(np.array([1, 9, 2, 8, 3], np.float32), 2) == 8.5
    assert spot_score(np.array([4, 6], np.float32), 5) == 5


def test_only_cells_on_the_part_and_in_the_photo_are_compared():
    where = compared(PartName.BUTTON, 10, Square(-50, 0, 100), Box(-30, 20, 60, 40), (1000, 1000))
    rows, columns = np.nonzero(where)
    assert set(rows) == {2, 3, 4, 5}  # middles at 25, 35, 45, 55 px lie on the part
    assert set(columns) == {5, 6, 7}  # those left of the photo are left out


def memory(**changes: object) -> GenuineMemory:
    """Genuine parts are all zeros, give or take a tenth."""
    rng = np.random.default_rng(2)
    features = rng.normal(0, 0.1, (300, CHANNELS)).astype(np.float32)
    genuine = np.sort(rng.uniform(0.1, 0.3, 99)).astype(np.float32)
    return GenuineMemory(
        genuine_card(**changes), np.eye(CHANNELS, dtype=np.float32), {PartName.BUTTON: PartMemory(features, genuine)}
    )


def genuine_card(**changes: object) -> GenuineCard:
    plain = {"version": 1, "memory": "genuine.npz", "sha256": {}, "parts_sha256": "abc"}
    return GenuineCard.model_validate(plain | {"spot": 3, "unlike_shape": 0.4, "hot_share": 0.01} | changes)


def test_an_odd_spot_makes_a_part_unlike_and_the_heat_lies_on_it():
    features = np.random.default_rng(3).normal(0, 0.03, (CHANNELS, CELLS, CELLS)).astype(np.float32)
    plain = unlike_genuine(memory(), FOUND, features, SQUARE, (640, 480))
    assert plain is not None
    assert plain.likelihood["like"] > 0.6
    assert plain.heat is None
    features[:, 4:6, 10:12] += 0.5
    odd = unlike_genuine(memory(), FOUND, features, SQUARE, (640, 480))
    assert odd is not None
    assert odd.likelihood["unlike"] > 0.8
    assert odd.measured is not None
    assert odd.measured.value == pytest.approx(1.0)  # one of a hundred: itself
    assert odd.heat is not None
    hot = np.argwhere(np.array(odd.heat.rows) >= HOT)
    assert {tuple(cell) for cell in hot} == {(4, 10), (4, 11), (5, 10), (5, 11)}
    assert odd.heat.box == Box(SQUARE.x, SQUARE.y, SQUARE.side, SQUARE.side)


def test_a_part_that_the_memory_does_not_know_is_not_judged():
    features = np.zeros((CHANNELS, CELLS, CELLS), np.float32)
    other = FoundPart("p.jpg", PartName.ZIP, FOUND.box, 0.9)
    assert unlike_genuine(memory(), other, features, SQUARE, (640, 480)) is None


def written(folder: Path, parts_sha256: str) -> None:
    known = memory()
    save_arrays(folder / "genuine.npz", known.mapping, known.parts)
    hashes = {"genuine.npz": sha256_of(folder / "genuine.npz")}
    save_card(folder / "genuine.yaml", genuine_card(sha256=hashes, parts_sha256=parts_sha256).model_dump(mode="json"))


def test_a_memory_reads_back_as_it_was_written(tmp_path):
    written(tmp_path, "abc")
    read = load_memory(tmp_path, parts_card(sha256={"parts.bin": "abc"}))
    assert isinstance(read, GenuineMemory)
    assert read.parts[PartName.BUTTON].features == pytest.approx(memory().parts[PartName.BUTTON].features, abs=1e-3)
    assert read.parts[PartName.BUTTON].genuine == pytest.approx(memory().parts[PartName.BUTTON].genuine)


def test_without_a_memory_or_with_another_networks_it_is_said_plainly(tmp_path):
    assert "no memory" in str(load_memory(tmp_path, parts_card()))
    written(tmp_path, "abc")
    assert "another part network" in str(load_memory(tmp_path, parts_card(sha256={"parts.bin": "def"})))


def test_another_memory_than_the_cards_is_refused(tmp_path):
    written(tmp_path, "abc")
    with (tmp_path / "genuine.npz").open("ab") as file:
        file.write(b" ")
    with pytest.raises(ConfigError, match="not the file"):
        load_memory(tmp_path, parts_card(sha256={"parts.bin": "abc"}))
