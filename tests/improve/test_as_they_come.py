"""Evidence is fitted to pairs as they come in, never to folders drawn or gathered to train on."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import yaml
from scipy.stats import binomtest

pytest.importorskip("torch")
pytest.importorskip("mlflow")

from pipeline import cli
from pipeline.config import load_evidence, load_sheets
from pipeline.evaluate.labelled import PairTruth
from pipeline.evidence.learn import shares_in
from pipeline.improve.as_they_come import refuse_if_gathered_to_train, stated_shares, too_often
from pipeline.improve.dataset import read_dataset
from synthetic.pair import balanced_states, natural_states
from tests.improve.folders import write_folder
from tests.test_layers import ROOT

EVIDENCE, SHEETS = load_evidence(ROOT / "configs/evidence.yaml"), load_sheets(ROOT / "configs")
SHEET = SHEETS["quillmere"]
STATED = stated_shares(EVIDENCE, SHEET)


def genuine(count: int, seed: int, departure_rate: float | None) -> list[PairTruth]:
    rng = np.random.default_rng(seed)
    drawn = [
        natural_states(rng, SHEET, counterfeit=False)
        if departure_rate is None
        else balanced_states(rng, departure_rate)
        for _ in range(count)
    ]
    return [PairTruth(False, states) for states in drawn]


def test_pairs_as_they_come_are_hardly_ever_refused():
    # All bounds of a folder hold together at 95%, and lie well above what is stated.
    refused = sum(bool(too_often(genuine(60, seed, None), STATED)) for seed in range(100))
    assert refused <= 5


def test_folders_in_which_every_cue_departs_often_are_refused():
    assert all(too_often(genuine(20, seed, 0.5), STATED) for seed in range(20))
    assert all(too_often(genuine(100, seed, 0.25), STATED) for seed in range(20))


def test_the_lower_end_is_wilsons():
    # scipy's interval at the level that leaves 5% to all states together, one side of it.
    pairs = [PairTruth(False, {"tab_resewn": "yes" if n < 20 else "no"}) for n in range(80)]
    [found] = too_often(pairs, STATED)
    wanted = binomtest(20, 80).proportion_ci(1 - 2 * 0.05 / len(STATED), method="wilson").low
    assert (found.share, found.low) == (pytest.approx(0.25), pytest.approx(wanted))


def test_what_honest_pairs_do_often_may_come_often():
    pairs = [PairTruth(False, {"zip_mark": "approved" if n % 2 else "own"}) for n in range(200)]
    pairs += [PairTruth(False, {"price_band": "low" if n % 10 == 0 else "usual"}) for n in range(200)]
    assert not too_often(pairs, STATED)


def test_the_top_of_a_queue_weighs_little_beside_looks_by_chance():
    # 20 departing pairs from the top, 40 drawn by chance that stand for 100 each: 20 of 4020 depart.
    pairs = [PairTruth(False, {"tab_resewn": "yes"})] * 20
    assert too_often(pairs, STATED)
    assert not too_often(pairs + [PairTruth(False, {"tab_resewn": "no"}, 100.0)] * 40, STATED)


def test_the_sheets_own_share_counts(tmp_path):
    sheet = SHEET.model_copy(update={"tab": SHEET.tab.model_copy(update={"mark_only_share": 0.3})})
    rows = [
        {"listing_id": f"L{n}", "seller_id": "s", "truth": {"tab_word": "full" if n % 3 else "mark_only"}}
        for n in range(60)
    ]
    data = read_dataset([write_folder(tmp_path / "night", rows)])
    refuse_if_gathered_to_train(data, EVIDENCE, {"quillmere": sheet})
    with pytest.raises(ValueError, match=r"night: genuine pairs depart far too often .* mark_only in 33% of them, st"):
        refuse_if_gathered_to_train(data, EVIDENCE, SHEETS)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # mlflow's own
def test_a_candidate_learns_from_one_folder_and_its_evidence_from_a_night(tmp_path, capsys):
    """The recipe for a new maker, small: drawn labels to learn from, a labelled night for the evidence."""
    drawn, night, shelf = tmp_path / "drawn", tmp_path / "night", tmp_path / "shelf"
    for folder, words in ((drawn, ["--departure-rate", "0.5", "--counterfeit-share", "0.4", "--seed", "7521"]),
                          (night, ["--counterfeit-share", "0.5", "--seed", "7522"])):  # fmt: skip
        assert cli.main(["synth", str(folder), "--listings", "6", *words]) == 0
    recipe = yaml.safe_load((ROOT / "configs/learning/heads.yaml").read_text())
    recipe |= {"epochs": 2, "evidence": {"weight_of_start": 20, "fewest_of_a_kind": 2}}
    (tmp_path / "short.yaml").write_text(yaml.safe_dump(recipe))
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    sheet = (tmp_path / "configs/quillmere.yaml").read_text()
    (tmp_path / "configs/other.yaml").write_text(sheet.replace("maker: quillmere", "maker: ostrawick"))
    words = ["--recipe", str(tmp_path / "short.yaml"), "--shelf", str(shelf), "--workers", "1"]
    words += ["--configs", str(tmp_path / "configs")]

    assert cli.main(["relearn", str(night), "--evidence-from", str(drawn), *words]) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert "genuine pairs depart far too often" in said
    assert "--evidence-from FOLDER" in said

    assert cli.main(["relearn", str(drawn), "--evidence-from", str(night), *words]) == 0
    truth = [json.loads(line) for line in (night / "truth.jsonl").read_text().splitlines()]
    kinds = [row["counterfeit"] for row in truth]
    said = capsys.readouterr().out
    assert f"Evidence fitted to: 6 listings, {sum(kinds)} of them counterfeit" in said
    assert "No crop of ostrawick: name an old folder" in said
    [fitted] = shelf.glob("artifacts/*/artifacts/bundle/fitted.yaml")
    card = yaml.safe_load(fitted.read_text())
    # By hand: shares in use weigh as 20 pairs of each kind, the night's own pairs as what they are.
    start = shares_in(EVIDENCE)["price_band"]["low"]
    for kind in (False, True):
        low = sum(row["cues"]["price_band"] == "low" for row in truth if row["counterfeit"] is kind)
        wanted = (20 * start[kind] + low) / (20 + kinds.count(kind))
        assert card["shares"]["price_band"]["low"][kind] == pytest.approx(wanted, abs=1e-6)
    assert card["calibration"] != [list(point) for point in EVIDENCE.calibration]

    out = tmp_path / "run"
    scan = ["scan", str(night / "listings.jsonl"), "--out", str(out), "--models", "candidate", "--shelf", str(shelf)]
    assert cli.main([*scan, "--workers", "1"]) == 0
    assert len((out / "queue.jsonl").read_text().splitlines()) == 6
