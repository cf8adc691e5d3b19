"""The shelf: bundles under plain names, one in use, the one before a command away."""

from __future__ import annotations

from dataclasses import replace

import pytest

pytest.importorskip("mlflow")

from pipeline import analyst_commands, cli
from pipeline.analyst_commands import models_folder
from pipeline.improve.dataset import freeze
from pipeline.improve.gate import Weighed
from pipeline.improve.paired import Difference
from pipeline.improve.shelf import BEFORE, CANDIDATE, IN_USE, Shelf
from pipeline.intake import NothingToDo
from tests.improve.folders import write_folder


def a_bundle(folder):
    folder.mkdir()
    (folder / "parts.yaml").write_text(folder.name)
    return folder


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # mlflow's own
def test_a_candidate_comes_into_use_and_is_taken_back_by_name(tmp_path, monkeypatch, capsys):
    where = str(tmp_path / "shelf")
    shelf = Shelf(where, tmp_path)
    shipped = shelf.start_with(a_bundle(tmp_path / "shipped"))
    run = shelf.client.create_run(shelf.experiment)
    candidate = shelf.put(a_bundle(tmp_path / "better"), run.info.run_id, CANDIDATE)
    assert models_folder("in-use", where) == shipped.folder
    assert (models_folder("candidate", where) / "parts.yaml").read_text() == "better"
    assert models_folder("2", where) == candidate.folder

    shelf.name(shipped.number, BEFORE)
    shelf.name(candidate.number, IN_USE)
    assert (models_folder("in-use", where) / "parts.yaml").read_text() == "better"
    assert cli.main(["take-back", "--shelf", where]) == 0
    assert "1 is in use again, in place of 2" in capsys.readouterr().out
    assert (models_folder("in-use", where) / "parts.yaml").read_text() == "shipped"
    assert cli.main(["take-back", "--shelf", where]) == 0  # and forth again
    assert (models_folder("in-use", where) / "parts.yaml").read_text() == "better"
    with pytest.raises(NothingToDo, match="no 'nonsense' on the shelf"):
        models_folder("nonsense", where)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # mlflow's own
def test_a_candidate_comes_into_use_only_if_nothing_got_worse(tmp_path, monkeypatch, capsys):
    where = str(tmp_path / "shelf")
    shelf = Shelf(where, tmp_path)
    shelf.start_with(a_bundle(tmp_path / "shipped"))
    run = shelf.client.create_run(shelf.experiment)
    shelf.put(a_bundle(tmp_path / "new"), run.info.run_id, CANDIDATE)
    freeze(write_folder(tmp_path / "test", [{"listing_id": "a", "seller_id": "s"}]), "autumn", tmp_path / "shelf")
    lost = Difference("zip", "AUROC", 0.9, 0.5, -0.6, -0.2, True, 40, 20)
    words = ["put-in-use", "--out", str(tmp_path / "out"), "--shelf", where]

    def weighing(*differences):
        def weigh(in_use, candidate, tests, *others):
            return Weighed(in_use.number, candidate.number, differences, (), (), tuple(tests))

        monkeypatch.setattr("pipeline.improve.gate.weigh", weigh)

    weighing(lost)
    assert cli.main(words) == 1
    assert "worse than 1 beyond noise: zip: AUROC 0.900 to 0.500" in capsys.readouterr().out
    assert shelf.find(IN_USE).number == 1
    weighing(replace(lost, high=0.1))
    assert cli.main(words) == 0
    assert (shelf.find(IN_USE).number, shelf.find(BEFORE).number) == (2, 1)


def test_a_folder_of_networks_needs_no_shelf(tmp_path):
    assert models_folder(str(tmp_path), "anywhere") == tmp_path


def test_without_a_shelf_a_name_is_refused_and_none_is_made(tmp_path):
    with pytest.raises(NothingToDo, match="no shelf in"):
        models_folder("in-use", str(tmp_path / "none"))
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["labels", "freeze", "gone", "--called", "x"], "is gone a labelled folder"),
        (["labels", "freeze", "gone", "--called", "../x"], "letters, digits and dashes"),
        (["labels", "gather", "nonsense", "--out", "labels"], "no database URL"),
        (["labels", "gather", "sqlite:///r.db", "--out", "labels", "--since", "soon"], "2026-03-01"),
        (["labels", "gather", "sqlite:///r.db", "--out", "labels"], "nothing stands decided"),
        (["labels", "next", "gone"], "gone"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(words, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(analyst_commands, "_SHELF", tmp_path / "shelf")
    try:
        status = cli.main(words)
    except SystemExit as left:
        status = left.code
    assert status == 2
    told = capsys.readouterr().err.strip()
    assert said in told
    assert len(told.splitlines()) <= 2
