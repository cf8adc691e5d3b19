"""A wrong file is refused with the file, the key, and what to do."""

from __future__ import annotations

import shutil

import pytest
import yaml

from pipeline.config import ConfigError, load_evidence, load_sheet, load_sheets
from pipeline.cues import CUES
from tests.evidence.builders import CONFIGS, sheet, shipped_evidence


def changed(tmp_path, source: str, *changes: tuple[str, object]):
    """A copy of a shipped file with some keys set; a dotted key goes down."""
    content = yaml.safe_load((CONFIGS / source).read_text(encoding="utf-8"))
    for key, value in changes:
        *above, last = key.split(".")
        place = content
        for step in above:
            place = place[step]
        if value is None:
            del place[last]
        else:
            place[last] = value
    path = tmp_path / source
    path.write_text(yaml.safe_dump(content), encoding="utf-8")
    return path


def test_the_shipped_sheet_is_read_in_full():
    assert sheet().tab.top_below_pocket_top == 32
    assert sheet().styles["QM-34"].rivet_metal == "steel"
    assert sheet().zip.marks == ("QUILLMERE", "VORSA")


def test_the_shipped_weights_know_every_cue():
    assert set(shipped_evidence().cues) == set(CUES)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("tab.tolerence", 3, "tab.tolerence: unknown key; did you mean tolerance?"),
        ("tab.tolerance", None, "tab.tolerance: missing; add it"),
        ("tab.tolerance", -1, "tab.tolerance: Input should be greater than 0, got -1"),
        ("version", 2, "version: Input should be 1, got 2"),
        ("label.ground", "tan", "label.ground: "),
    ],
)
def test_a_wrong_sheet_is_refused_by_file_and_key(tmp_path, key, value, says):
    path = changed(tmp_path, "quillmere.yaml", (key, value))
    with pytest.raises(ConfigError) as caught:
        load_sheet(path)
    assert f"{path}: {says}" in str(caught.value)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("cues.tab_thread.states.other.genuine", 0.5, "cues.tab_thread: the genuine shares sum to 1.4"),
        ("cues.tab_colour", {"note": "", "bound_log10_lr": 1, "states": {}}, "cues.tab_colour: no such cue"),
        ("cues.tab_thread", None, "cues: add tab_thread"),
        ("groups", [{"name": "g", "overlap": 0, "cues": ["metal", "metal"]}], "groups: metal stands twice"),
        ("overrides", [{"cue": "metal", "state": "other", "log10_lr": 1, "note": ""}], "overrides.0.note"),
        ("overrides", [{"cue": "metal", "state": "gold", "log10_lr": 1, "note": "x"}], "metal: gold: no such"),
        ("overrides", [{"cue": "tab_resewn", "state": False, "log10_lr": 1, "note": "x"}], '"off" in quotes'),
        ("calibration", [[0, 0], [0, 1]], "calibration: raw values must rise"),
        ("calibration", [[0, 0]], "calibration: give at least two points"),
        ("sets", {"tab_word": 0.5}, "sets.tab_word: needs a known cue with two states"),
    ],
)  # fmt: skip
def test_wrong_weights_are_refused_by_file_and_key(tmp_path, key, value, says):
    path = changed(tmp_path, "evidence.yaml", (key, value))
    with pytest.raises(ConfigError) as caught:
        load_evidence(path)
    assert str(path) in str(caught.value)
    assert says in str(caught.value)


def test_sheets_are_found_by_their_maker_and_other_files_are_left_alone(tmp_path):
    shutil.copy(CONFIGS / "evidence.yaml", tmp_path)
    changed(tmp_path, "quillmere.yaml", ("maker", "other_maker"))
    assert set(load_sheets(tmp_path)) == {"other_maker"}


def test_a_folder_without_a_sheet_and_a_maker_with_two_are_refused(tmp_path):
    with pytest.raises(ConfigError, match="no reference sheet here"):
        load_sheets(tmp_path)
    for name in ("a.yaml", "b.yaml"):
        shutil.copy(CONFIGS / "quillmere.yaml", tmp_path / name)
    with pytest.raises(ConfigError, match=r"b\.yaml: maker: quillmere has a second sheet"):
        load_sheets(tmp_path)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("- a\n", "expected keys and values, got list"),
        ("a: [", "is not YAML"),
        ("!!python/object:os.x {}", "is not YAML"),
    ],
)
def test_a_file_that_is_no_map_is_refused(tmp_path, content, says):
    path = tmp_path / "x.yaml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError, match=says):
        load_evidence(path)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        load_evidence(tmp_path / "none.yaml")


def test_models_cannot_be_changed_after_reading():
    with pytest.raises(ValueError, match="frozen"):
        sheet().tab.tolerance = 5
