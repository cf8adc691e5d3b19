"""A maker whose word or look differs: the trunk is trained too, and what comes of it is a candidate like any other."""

from __future__ import annotations

import json
import shutil

import pytest
import yaml

pytest.importorskip("torch")
pytest.importorskip("mlflow")

from pipeline import cli
from pipeline.improve.dataset import read_dataset
from pipeline.improve.shelf import Shelf
from pipeline.model_files import PartsCard, read_card, read_fitted
from pipeline.train.folder_samples import is_held_out
from tests.test_layers import ROOT

SHIPPED = ROOT / "models"


def drawn(folder, *words: str):
    assert cli.main(["synth", str(folder), "--listings", "5", "--departure-rate", "0.5", *words]) == 0
    return folder


def keep_a_seller_back(folder) -> None:
    """The first listing's seller gets a name that is kept back for checking."""
    name = next(name for name in map(str, range(100)) if is_held_out(name))
    listings = folder / "listings.jsonl"
    rows = [json.loads(line) for line in listings.read_text().splitlines()]
    first = rows[0]["seller_id"]
    rows = [{**row, "seller_id": name} if row["seller_id"] == first else row for row in rows]
    listings.write_text("".join(f"{json.dumps(row)}\n" for row in rows))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # mlflow's own
def test_networks_trained_for_a_new_maker_become_a_candidate(tmp_path, capsys):
    configs, made, shelf = tmp_path / "configs", tmp_path / "networks", tmp_path / "shelf"
    shutil.copytree(ROOT / "configs", configs)
    sheet = (configs / "quillmere.yaml").read_text()
    (configs / "ostrawick.yaml").write_text(sheet.replace("maker: quillmere", "maker: ostrawick"))
    house = ["--configs", str(configs)]
    new = drawn(tmp_path / "new", "--seed", "7553", "--maker", "ostrawick", *house)
    old = drawn(tmp_path / "old", "--seed", "7554")
    keep_a_seller_back(new)

    words = ["--start-from", str(SHIPPED), "--mixed-with", str(old), "--keep-detector", "--epochs", "1", *house]
    assert cli.main(["train", str(new), "--out", str(made), *words]) == 0
    assert (made / "detector.bin").read_bytes() == (SHIPPED / "detector.bin").read_bytes()
    before, after = (read_card(folder, "parts", PartsCard) for folder in (SHIPPED, made))
    assert after.box_weight == before.box_weight  # fitted to boxes, which none of this moves
    assert after.about["auroc_held_out"] != before.about["auroc_held_out"]
    assert "command" not in after.about  # of the weights before
    [run] = (made / "artifacts").iterdir()
    assert {path.name for path in (run / "artifacts/pictures").iterdir()} == {
        "confusion.png", "precision_recall.png", "reliability.png",
    }  # fmt: skip
    assert "torch==" in (run / "artifacts/environment.txt").read_text()

    recipe = yaml.safe_load((ROOT / "configs/learning/heads.yaml").read_text()) | {"epochs": 1}
    (tmp_path / "short.yaml").write_text(yaml.safe_dump(recipe))
    words = ["--start-from", str(made), "--recipe", str(tmp_path / "short.yaml"), "--shelf", str(shelf), *house]
    assert cli.main(["relearn", str(new), str(old), *words, "--workers", "1"]) == 0
    assert "Candidate 2 learned from" in capsys.readouterr().out
    [bundle] = (path.parent for path in shelf.glob("artifacts/*/artifacts/bundle/fitted.yaml"))
    assert read_fitted(bundle) is not None
    assert {path.name for path in (bundle.parent / "pictures").iterdir()} == {
        "confusion.png", "curves.png", "mistakes.png", "precision_recall.png", "reliability.png",
    }  # fmt: skip
    assert "torch==" in (bundle.parent / "environment.txt").read_text()
    kept = Shelf(str(shelf), tmp_path).client.get_run(bundle.parents[1].name).data
    assert kept.params["dataset"] == read_dataset([new, old]).version
    assert {"git_commit", "seed", "epochs", "peak_rate", "fit_crops", "start"} <= set(kept.params)
    assert {"fit_loss", "check_loss", "after_check_right"} <= set(kept.metrics)
    assert {path.name for path in bundle.iterdir()} == {
        "detector.bin", "detector.safetensors", "detector.xml", "detector.yaml",
        "digits.bin", "digits.safetensors", "digits.xml", "digits.yaml", "fitted.yaml",
        "parts.bin", "parts.safetensors", "parts.xml", "parts.yaml",
    }  # fmt: skip
    scan = ["scan", str(new / "listings.jsonl"), "--out", str(tmp_path / "run"), "--models", "candidate", *house]
    assert cli.main([*scan, "--shelf", str(shelf), "--workers", "1"]) == 0
    assert len((tmp_path / "run/queue.jsonl").read_text().splitlines()) == 5
