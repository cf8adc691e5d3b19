"""One bundle, never of mixed versions: what is fitted travels with the networks it was fitted to."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

from pipeline.config import ConfigError, EvidenceRecipe, load_evidence, load_sheets
from pipeline.cues import CUES
from pipeline.domain import Box, CueReading, FoundPart, Listing, ListingReadings, PartName, PartReading
from pipeline.evaluate.labelled import PairTruth
from pipeline.evidence import as_fitted
from pipeline.evidence.learn import shares_in, updated_shares
from pipeline.improve.bundle import FittedEvidence, moved_calibration, refit_evidence, write_fitted, write_networks
from pipeline.model_files import GenuineCard, PartsCard, models_id, read_card, read_fitted
from pipeline.train.networks import PartNetwork
from pipeline.train.weights import load_network
from tests.test_layers import ROOT

EVIDENCE, SHEETS = load_evidence(ROOT / "configs/evidence.yaml"), load_sheets(ROOT / "configs")
FITTED = FittedEvidence(shares_in(EVIDENCE), ((-6.0, -3.0), (6.0, 3.0)), "nothing")


@pytest.fixture
def bundle(tmp_path):
    for name in ("parts.bin", "detector.bin"):
        (tmp_path / name).write_bytes(name.encode())
    write_fitted(tmp_path, FITTED, {})
    return tmp_path


def test_the_fitted_calibration_takes_the_place_of_the_moderators_file(bundle):
    fitted = as_fitted(EVIDENCE, read_fitted(bundle))
    assert fitted.calibration == ((-6.0, -3.0), (6.0, 3.0))
    assert fitted.prior_counterfeit == EVIDENCE.prior_counterfeit
    assert fitted.overrides == EVIDENCE.overrides


def test_a_folder_without_fitted_evidence_leaves_the_moderators_file_as_it_is(tmp_path):
    assert as_fitted(EVIDENCE, read_fitted(tmp_path)) is EVIDENCE


@pytest.mark.parametrize("name", ["parts.bin", "detector.bin"])
def test_a_file_of_another_version_in_the_bundle_is_refused(bundle, name):
    (bundle / name).write_bytes(b"of another version")
    with pytest.raises(ConfigError, match=name):
        read_fitted(bundle)


def test_the_name_of_a_bundle_changes_with_what_was_fitted(bundle):
    before = models_id(bundle)
    write_fitted(bundle, FittedEvidence(FITTED.shares, ((-6.0, -2.0), (6.0, 2.0)), "nothing"), {})
    assert models_id(bundle) != before


def test_a_candidate_calculates_as_what_it_started_from_and_remembers_the_same_genuine_parts(tmp_path):
    start = ROOT / "models"
    network = load_network(PartNetwork, start / "parts.safetensors")
    network.queries.data[0] += 0.1
    write_networks(network, start, tmp_path / "new")
    before, after = (read_card(folder, "parts", PartsCard) for folder in (start, tmp_path / "new"))
    assert "8-bit integers" in after.about["arithmetic"]
    assert after.model_dump(exclude={"sha256"}) == before.model_dump(exclude={"sha256"})
    assert after.sha256["parts.bin"] != before.sha256["parts.bin"]
    genuine = read_card(tmp_path / "new", "genuine", GenuineCard)
    assert genuine.parts_sha256 == after.sha256["parts.bin"]
    sizes = [(folder / "parts.bin").stat().st_size for folder in (start, tmp_path / "new")]
    assert sizes[1] == pytest.approx(sizes[0], rel=0.01)


def test_shares_move_by_as_much_as_pairs_weigh():
    # By hand: 100 pairs at 0.9 and 20 more, of which one stands for 10, all departing: 90 / 120.
    start = {"rivet_stamp": {"stamped": (0.9, 0.5), "blank": (0.1, 0.5)}}
    rows = [(False, {"rivet_stamp": "blank"}, 1.0)] * 10 + [(False, {"rivet_stamp": "blank"}, 10.0)]
    moved = updated_shares(start, rows, 100)
    assert moved["rivet_stamp"]["stamped"][0] == pytest.approx(90 / 120)
    assert moved["rivet_stamp"]["stamped"][1] == pytest.approx(0.5)


def read(number: int, blank: float) -> ListingReadings:
    likelihood = {"stamped": 1 - blank, "blank": blank}
    reading = CueReading("rivet_stamp", likelihood, "p", PartName.RIVET, Box(0, 0, 9, 9))
    part = PartReading(FoundPart("p", PartName.RIVET, Box(0, 0, 9, 9), 0.9), (reading,))
    return ListingReadings(Listing(f"L{number}", "s", "", "quillmere"), (part,))


def night(count: int, seed: int = 1):
    """Listings with blank rivets on nine counterfeits in ten and one genuine pair in ten."""
    rng = np.random.default_rng(seed)
    fake = rng.random(count) < 0.3
    blank = rng.random(count) < np.where(fake, 0.9, 0.1)
    readings = [read(n, 0.99 if is_blank else 0.01) for n, is_blank in enumerate(blank)]
    states = ["blank" if is_blank else "stamped" for is_blank in blank]
    truth = {f"L{n}": PairTruth(bool(fake[n]), {"rivet_stamp": states[n]}) for n in range(count)}
    return readings, truth


def test_evidence_fitted_anew_learns_how_much_a_sign_says():
    readings, truth = night(400)
    recipe = EvidenceRecipe(weight_of_start=50, fewest_of_a_kind=10)
    fitted = refit_evidence(readings, truth, SHEETS, EVIDENCE, recipe)
    assert fitted.shares["rivet_stamp"]["blank"][1] > 0.6
    assert fitted.shares["rivet_stamp"]["blank"][0] > 0.05
    assert fitted.shares["tab_word"] == shares_in(EVIDENCE)["tab_word"]
    assert set(fitted.shares) == set(CUES)


def test_with_too_few_pairs_the_evidence_stays_and_says_so():
    readings, truth = night(12)
    recipe = EvidenceRecipe(weight_of_start=50, fewest_of_a_kind=10)
    fitted = refit_evidence(readings, truth, SHEETS, EVIDENCE, recipe)
    assert fitted.calibration == EVIDENCE.calibration
    assert fitted.fitted_to.startswith("as before")


def honest(count: int, slope: float, seed: int = 3):
    """Rows whose evidence means `slope` times what it says, half of them counterfeit: raw, kinds."""
    rng = np.random.default_rng(seed)
    kinds = rng.random(count) < 0.5
    # Normal with variance 2 m and means +-m: the log ratio of the two densities at x is x (Good 1985).
    mean = 2.0
    natural = rng.normal(np.where(kinds, mean, -mean), np.sqrt(2 * mean))
    return natural / np.log(10) / slope, kinds


def test_a_few_pairs_move_the_calibration_less_than_half_way_and_many_all_the_way():
    start = ((-6.0, -9.0), (6.0, 9.0))  # slope 1.5
    few = moved_calibration(start, *honest(60, 0.7), share=0.5, weight_of_start=400)
    many = moved_calibration(start, *honest(20_000, 0.7), share=0.5, weight_of_start=400)
    slope_of_few, slope_of_many = ((line[1][1] - line[0][1]) / 12 for line in (few, many))
    assert (1.5 + 0.7) / 2 < slope_of_few < 1.5
    assert slope_of_many == pytest.approx(0.7, rel=0.05)


def test_pairs_that_are_as_the_line_says_leave_it_where_it_is():
    start = ((-6.0, -8.0), (0.0, 1.0), (6.0, 7.0))  # with a bend, which stays
    raw, kinds = honest(20_000, 1.0)
    bent = np.interp(raw, [-8.0, 1.0, 7.0], [-6.0, 0.0, 6.0])  # what would be raw, were the line right
    moved = moved_calibration(start, bent, kinds, share=0.5, weight_of_start=400)
    assert [x for x, _ in moved] == [-6.0, 0.0, 6.0]
    assert [y for _, y in moved] == pytest.approx([-8.0, 1.0, 7.0], rel=0.05, abs=0.05)
