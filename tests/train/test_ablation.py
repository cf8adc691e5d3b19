"""Trainings by name, packed and unpacked, set in a table that goes on where it was stopped."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("torch")

from pipeline.train import ablation_table
from pipeline.train import comparison as comparison_module
from pipeline.train.ablation_table import OWN, SECOND, Rows, make_table
from pipeline.train.columns import COLUMNS, Training, sets_to_store, training_named
from pipeline.train.comparison import Cell, Comparison, markdown, write_comparison
from pipeline.train.families import AT_DRAWING, Family
from pipeline.train.from_drawings import parsed
from pipeline.train.judging import Figures, figures_from_json, figures_of
from pipeline.train.packing import pack, packed_in, unpack
from pipeline.train.side_by_side import Plan, draw_command, fit_command

ROOT = Path(__file__).parents[2]
FIGURES = Figures(0.8, 0.9, 0.95, 0.7, 0.02, 0.3, {"tab_word": 0.97}, 40, 8)


# ---------------------------------------------------------------- columns


def test_every_family_can_be_left_out_alone_and_every_option_is_understood(tmp_path):
    for family in Family:
        assert COLUMNS[f"no-{family}"].without == {family}
    for name, column in COLUMNS.items():
        args = parsed(["--out", str(tmp_path), *Training(name, "flat").options])
        assert args.without_augment == column.without
        assert (args.trunk, args.mix_style) == (column.trunk, column.mix_style)
        assert (args.backbone == "none") == column.from_scratch
        assert args.without_look == ["flat"]


def test_a_training_is_written_and_read():
    assert training_named("base") == Training("base", "etched")
    assert training_named("bare@none") == Training("bare", None)
    assert str(training_named("mix-style@flash")) == "mix-style@flash"
    with pytest.raises(ValueError, match="no such column: 'larger'; there are: base, scratch"):
        training_named("larger")
    with pytest.raises(ValueError, match="no such look: 'dusk'; there are: window"):
        training_named("base@dusk")


def test_trainings_that_leave_out_the_same_at_drawing_share_their_samples():
    trainings = [training_named(word) for word in ("base", "lite1@flat", "no-lamps", "no-noise")]
    assert sets_to_store(trainings) == (frozenset(), frozenset({Family.NOISE}))
    assert sets_to_store([training_named("bare")]) == (AT_DRAWING,)


def test_what_is_drawn_for_and_what_each_network_is_told(tmp_path):
    plan = Plan(500, 2, 8, 100, 20, 10, 96, 48, 512, 50, 1, trunk_weights={COLUMNS["lite1"].trunk: tmp_path / "w"})
    trainings = [training_named("lite1"), training_named("no-noise")]
    drawn = draw_command(trainings, plan, tmp_path)
    assert drawn[drawn.index("--draw-without") + 1 :] == ["none", "noise"]
    told = fit_command(trainings[0], "parts", plan, tmp_path, 1000.0)
    args = parsed(told[told.index("pipeline.train.from_drawings") + 1 :])
    assert (args.stages, args.end_at, args.without_look) == ("parts", 1000, ["etched"])
    assert args.backbone == str(tmp_path / "w")
    assert args.work == tmp_path


def test_fitting_needs_nothing_that_a_machine_for_training_alone_lacks():
    code = "import sys, pipeline.train.ablation, pipeline.train.from_drawings; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert not {name.split(".")[0] for name in done.stdout.split()} & {"openvino", "nncf", "mlflow", "pycocotools"}


# ---------------------------------------------------------------- packs


def a_run(folder, size: int = 5000):
    folder.mkdir()
    rng = np.random.default_rng(1)
    for name in ("detector.safetensors", "parts.safetensors", "val_predictions.npz", "journal.jsonl"):
        (folder / name).write_bytes(rng.bytes(size))
    return folder


@pytest.mark.parametrize("most_bytes", [10**6, 4000])
def test_what_is_packed_comes_back(tmp_path, most_bytes):
    run = a_run(tmp_path / "run")
    files = pack(run, tmp_path / "packs" / "base@none", most_bytes)
    assert all(file.stat().st_size <= most_bytes for file in files)
    assert (len(files) > 1) == (most_bytes == 4000)
    (found,) = packed_in(tmp_path / "packs").items()
    assert found == ("base@none", files)
    unpack(found[1], tmp_path / "back")
    assert {path.name for path in (tmp_path / "back").iterdir()} == {
        "detector.safetensors", "parts.safetensors", "val_predictions.npz",
    }  # fmt: skip
    for path in (tmp_path / "back").iterdir():
        assert path.read_bytes() == (run / path.name).read_bytes()


def test_a_run_without_weights_and_a_broken_pack_are_refused(tmp_path):
    run = a_run(tmp_path / "run")
    (run / "parts.safetensors").unlink()
    with pytest.raises(FileNotFoundError, match=r"parts\.safetensors"):
        pack(run, tmp_path / "x")
    (tmp_path / "bad.tar.xz").write_bytes(b"nothing of the kind")
    with pytest.raises(ValueError, match="is not a pack of weights"):
        unpack([tmp_path / "bad.tar.xz"], tmp_path / "back")


# ---------------------------------------------------------------- the table


def test_figures_take_cues_from_the_folder_where_cues_depart():
    queue = {"listings": 40, "counterfeit": 8, "share_of_oracle": 0.7, "ece": 0.02, "cllr": 0.3}
    natural = {
        "detection": {"ap": 0.8, "ap50": 0.9}, "queue": queue, "cues": {"tab_word": {"auroc": None}},
    }  # fmt: skip
    departed = {"cues": {"tab_word": {"auroc": 0.97}, "zip_mark": {"auroc": 0.93}, "metal": {"auroc": None}}}
    figures = figures_of(natural, departed)
    assert figures.cue_auroc == {"tab_word": 0.97, "zip_mark": 0.93}
    assert figures.mean_auroc == pytest.approx(0.95)
    assert figures_of(natural).mean_auroc is None
    assert figures_from_json(json.loads(json.dumps(figures.as_json()))) == figures


def test_a_column_shows_the_training_that_most_columns_can_be_held_against(tmp_path):
    better = replace(FIGURES, ap=0.99)
    cells = (
        Cell(Training("base", "flat"), OWN, better), Cell(Training("base", "etched"), OWN, FIGURES),
        Cell(Training("bare", "etched"), OWN, FIGURES), Cell(Training("base", "flat"), "look flat held out", better),
    )  # fmt: skip
    comparison = Comparison(cells)
    assert comparison.columns == ["base", "bare"]
    assert comparison.rows == [OWN, "look flat held out"]
    assert comparison.at("base", OWN) is FIGURES
    assert comparison.at("base", "look flat held out") is better
    assert comparison.at("bare", "look flat held out") is None
    text = markdown(comparison)
    assert "| detection AP | 0.990 |  |" in text
    write_comparison(comparison, tmp_path)
    assert len(json.loads((tmp_path / "table.json").read_text())["cells"]) == 4
    assert (tmp_path / "table.png").stat().st_size > 10_000


class Counting:
    """Stands in for the slow steps and counts them."""

    def __init__(self, monkeypatch):
        self.fitted: list[str] = []
        self.judged: list[str] = []
        monkeypatch.setattr(ablation_table, "make_runnable", lambda weights, models, predictions: None)
        monkeypatch.setattr(ablation_table, "fit_to_folder", self.fit)
        monkeypatch.setattr(ablation_table, "judge", self.judge)
        monkeypatch.setattr(ablation_table, "write_folder", self.draw)

    def fit(self, models, configs, folder, workers, drawn_pairs, say):
        self.fitted.append(folder.name)

    def judge(self, folder, models, configs, out, workers, on_progress):
        self.judged.append(folder.name)
        queue = {"listings": 40, "counterfeit": 8, "share_of_oracle": 0.7, "ece": 0.02, "cllr": 0.3}
        return {"detection": {"ap": 0.8, "ap50": 0.9}, "queue": queue, "cues": {"tab_word": {"auroc": 0.9}}}

    def draw(self, folder, *, listings, seed, sheet, options, on_progress, workers):
        labelled(folder, f"{listings} {seed} {options}")


def labelled(folder, text):
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("listings.jsonl", "parts.coco.json", "truth.jsonl"):
        (folder / name).write_text(text)
    return folder


def test_a_stopped_table_goes_on_and_only_what_changed_is_done_again(tmp_path, monkeypatch):
    counting = Counting(monkeypatch)
    monkeypatch.setattr(comparison_module, "draw_comparison", lambda comparison, path: None)
    for i, name in enumerate(("base@etched", "bare@none")):
        pack(a_run(tmp_path / f"run{i}", 500 + i), tmp_path / "packs" / name)
    rows = Rows(5, 3, 4, labelled(tmp_path / "second", "a"), None, 1)
    configs = ROOT / "configs"

    def table() -> list[str]:
        counting.fitted.clear()
        counting.judged.clear()
        return make_table(tmp_path / "packs", rows, configs, tmp_path / "out", 1, 10, lambda line: None)

    assert table() == []
    assert len(counting.fitted) == 2
    # base: own and held out, each with departed, and the second renderer; bare was trained on all looks
    assert len(counting.judged) == 5 + 3
    held_out = [name for name in counting.judged if name.startswith("look")]
    assert all("etched" in name for name in held_out)
    assert not any("etched" in name for name in counting.fitted if "window_flash_lamp_flat_4" in name)
    assert table() == []
    assert counting.fitted == counting.judged == []
    labelled(tmp_path / "second", "b")
    assert table() == []
    assert counting.fitted == []
    assert counting.judged == ["second", "second"]
    pack(a_run(tmp_path / "again", 900), tmp_path / "packs" / "bare@none")
    table()
    assert len(counting.fitted) == 1
    assert len(counting.judged) == 3
    cells = json.loads((tmp_path / "out" / "table.json").read_text())["cells"]
    assert {cell["row"] for cell in cells} == {OWN, "look etched held out", SECOND}


def test_one_broken_pack_does_not_cost_the_others_their_place(tmp_path, monkeypatch):
    Counting(monkeypatch)
    monkeypatch.setattr(comparison_module, "draw_comparison", lambda comparison, path: None)
    pack(a_run(tmp_path / "run"), tmp_path / "packs" / "base@none")
    (tmp_path / "packs" / "bare@none.tar.xz").write_bytes(b"cut off")
    rows = Rows(5, 0, 4, None, None, 1)
    configs = ROOT / "configs"
    (wrong,) = make_table(tmp_path / "packs", rows, configs, tmp_path / "out", 1, 10, lambda line: None)
    assert "bare@none" in wrong
    assert (tmp_path / "out" / "table.md").exists()
    with pytest.raises(ValueError, match="holds no packed training"):
        make_table(tmp_path / "nowhere", rows, configs, tmp_path / "out", 1, 10, lambda line: None)
