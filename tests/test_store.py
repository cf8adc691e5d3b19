from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline import store
from pipeline.cues import CUES
from pipeline.domain import (
    CAUTION,
    Assessment,
    Box,
    CueReading,
    FoundPart,
    HeatMap,
    Measurement,
    PartName,
    PartReading,
    PhotoFile,
    PhotoRequest,
    Problem,
    Reason,
    ReuseMatch,
    TextReading,
)

BOX = Box(10.0, 20.5, 30.0, 40.0)
OFF = Reason(
    cue="tab_position",
    state="off",
    probability=0.9,
    log10_lr=1.25,
    sentence="tab too low",
    photo="photos/ä.jpg",
    box=BOX,
    measured=Measurement(38.5, 0.5, "mm"),
    note="by hand",
)
ASKED = PhotoRequest("label", ("label_ground",), 0.125, "the waistband label")
REUSED = ReuseMatch("photos/ä.jpg", "L-2", "s2", "photos/other.jpg", True, 0.97, 0.3)
FIRST = Assessment(
    "L-1\u2028x", 2.5, 0.9, (OFF, Reason("price_band", "low", 0.8, 0.1, "cheap")), ("zip_mark",), (ASKED,), (REUSED,)
)
SECOND = Assessment("L-2", -1.0, 0.01)
PART = PartReading(
    FoundPart("photos/ä.jpg", PartName.TAB, BOX, 0.875),
    (
        CueReading(
            "tab_word",
            {"full": 0.97, "mark_only": 0.01, "cut_short": 0.01, "wrong": 0.01},
            "photos/ä.jpg",
            PartName.TAB,
            BOX,
        ),
        CueReading(
            "tab_position",
            {"in_place": 0.25, "off": 0.75},
            "photos/ä.jpg",
            PartName.TAB,
            BOX,
            measured=Measurement(38.5, 0.5, "mm"),
        ),
    ),
    (TextReading("code", "4821", 0.75, "photos/ä.jpg", PartName.TAB, BOX),),
)
PROBLEMS = [Problem("no such file", listing_id="L-2", photo="x.jpg"), Problem("broken", row=3, refused=True)]


def part(photo: str, score: float) -> PartReading:
    return PartReading(FoundPart(photo, PartName.RIVET, BOX, score))


def rows(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").split("\n")[:-1]]


def test_what_is_written_reads_back_the_same(tmp_path):
    store.write_run(tmp_path / "new" / "run", [FIRST, SECOND], [PART], PROBLEMS)
    assert store.read_queue(tmp_path / "new" / "run") == [FIRST, SECOND]
    assert store.read_parts(tmp_path / "new" / "run") == [PART]
    assert store.read_problems(tmp_path / "new" / "run") == PROBLEMS


def test_the_queue_has_the_promised_fields(tmp_path):
    store.write_run(tmp_path, [FIRST, SECOND], [], [])
    first, second = rows(tmp_path / "queue.jsonl")
    assert (first["rank"], second["rank"]) == (1, 2)
    assert first["listing_id"] == "L-1\u2028x"
    assert (first["probability"], first["log10_lr"], first["not_seen"]) == (0.9, 2.5, ["zip_mark"])
    reason = first["reasons"][0]
    assert (reason["cue"], reason["state"], reason["probability"], reason["log10_lr"]) == (
        "tab_position",
        "off",
        0.9,
        1.25,
    )
    assert (reason["photo"], reason["box"]) == ("photos/ä.jpg", [10.0, 20.5, 30.0, 40.0])
    assert reason["measured"] == {"value": 38.5, "sigma": 0.5, "unit": "mm"}
    assert first["reasons"][1]["box"] is None
    assert first["ask_for"][0]["view"] == "label"
    assert first["caution"] == CAUTION
    assert second["reasons"] == second["not_seen"] == second["ask_for"] == []


def test_the_queue_names_the_photo_of_another_seller_that_is_the_same_picture(tmp_path):
    store.write_run(tmp_path, [FIRST, SECOND], [], [])
    first, second = rows(tmp_path / "queue.jsonl")
    (match,) = first["reuse"]
    assert (match["photo"], match["other_listing_id"], match["other_photo"], match["is_mirrored"]) == (
        "photos/ä.jpg", "L-2", "photos/other.jpg", True,
    )  # fmt: skip
    assert second["reuse"] == []


def test_a_queue_written_before_reuse_was_named_can_still_be_read(tmp_path):
    store.write_run(tmp_path, [FIRST], [], [])
    row = rows(tmp_path / "queue.jsonl")[0]
    del row["reuse"]
    (tmp_path / "queue.jsonl").write_text(json.dumps(row) + "\n", encoding="utf-8")
    assert store.read_queue(tmp_path)[0].reuse == ()


def test_a_part_has_the_promised_fields_and_its_cues_are_distributions(tmp_path):
    store.write_run(tmp_path, [], [PART], [])
    (part,) = rows(tmp_path / "parts.jsonl")
    assert (part["photo"], part["part"], part["box"], part["score"]) == (
        "photos/ä.jpg",
        "tab",
        [10, 20.5, 30, 40],
        0.875,
    )
    assert part["text"] == "4821"
    for cue, states in part["cues"].items():
        assert set(states) == set(CUES[cue].states)
        assert sum(states.values()) == pytest.approx(1, abs=0.001)


def test_problems_carry_their_sentence_and_where_it_was(tmp_path):
    store.write_run(tmp_path, [], [], PROBLEMS)
    first, second = rows(tmp_path / "problems.jsonl")
    assert first == {"listing_id": "L-2", "photo": "x.jpg", "row": None, "refused": False, "reason": "no such file"}
    assert (second["row"], second["refused"]) == (3, True)


def test_a_run_with_nothing_in_it_still_leaves_its_five_files(tmp_path):
    store.write_run(tmp_path, [], [], [])
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "parts.jsonl",
        "photos.jsonl",
        "problems.jsonl",
        "queue.jsonl",
        "run.json",
    ]
    assert store.read_queue(tmp_path) == []


def test_a_listing_never_stands_in_the_queue_twice(tmp_path):
    with pytest.raises(ValueError, match="twice"):
        store.write_run(tmp_path, [SECOND, SECOND], [], [])


def test_a_write_that_fails_leaves_the_earlier_file_whole_and_no_draft(tmp_path):
    store.write_run(tmp_path, [SECOND], [], [])
    with pytest.raises(ValueError, match="JSON compliant"):
        store.write_run(tmp_path, [FIRST, Assessment("L-3", float("nan"), 0.5)], [], [])
    assert store.read_queue(tmp_path) == [SECOND]
    assert len(list(tmp_path.iterdir())) == 5


def test_a_run_says_what_it_was_made_from(tmp_path):
    about = store.RunAbout("../night/listings.jsonl", "m1", "r1")
    store.write_run(tmp_path, [], [], [], about)
    assert store.read_about(tmp_path) == about


def test_of_a_run_from_before_that_was_kept_nothing_is_known(tmp_path):
    assert store.read_about(tmp_path) == store.RunAbout("", "", "")


def test_a_reader_of_the_earlier_run_is_not_disturbed(tmp_path):
    store.write_run(tmp_path, [SECOND], [], [])
    with (tmp_path / store.QUEUE).open(encoding="utf-8") as earlier:
        store.write_run(tmp_path, [FIRST], [], [])
        assert json.loads(earlier.read())["listing_id"] == "L-2"
    assert store.read_queue(tmp_path) == [FIRST]


def test_a_heat_map_stands_beside_its_part_and_its_reason_and_nowhere_else(tmp_path):
    heat = HeatMap(BOX, ((0, 7), (50, 100)))
    place = {"photo": "photos/ä.jpg", "part": PartName.TAB, "box": BOX}
    odd = CueReading("unlike_genuine", {"like": 0.25, "unlike": 0.75}, heat=heat, **place)
    part = PartReading(FoundPart("photos/ä.jpg", PartName.TAB, BOX, 0.875), (odd,))
    reason = Reason("unlike_genuine", "unlike", 0.5, 0.5, "odd", "photos/ä.jpg", BOX, heat=heat)
    queue = [Assessment("L-9", 0.5, 0.5, (reason,))]
    store.write_run(tmp_path, queue, [part, PART], [])
    assert rows(tmp_path / "parts.jsonl")[0]["heat"] == {
        "unlike_genuine": {"box": [10.0, 20.5, 30.0, 40.0], "rows": [[0, 7], [50, 100]]}
    }
    assert "heat" not in rows(tmp_path / "parts.jsonl")[1]
    assert store.read_parts(tmp_path) == [part, PART]
    assert store.read_queue(tmp_path) == queue


def test_a_part_that_may_be_there_is_told_of_as_unsure(tmp_path):
    doubtful = PartReading(FoundPart("photos/ä.jpg", PartName.RIVET, BOX, 0.25, is_sure=False))
    store.write_run(tmp_path, [], [doubtful, PART], [])
    assert [row.get("unsure") for row in rows(tmp_path / "parts.jsonl")] == [True, None]
    assert store.read_parts(tmp_path) == [doubtful, PART]


def test_a_run_is_read_listing_by_listing_and_photo_by_photo(tmp_path):
    parts = [part("a.jpg", 0.9), part("a.jpg", 0.8), part("b.jpg", 0.7), part("a.jpg", 0.9), part("a.jpg", 0.8)]
    files = [PhotoFile("a.jpg", "ab" * 32, 640, 480), PhotoFile("b.jpg", problem="the file is empty (zero bytes)")]
    with store.RunWriter(tmp_path) as run:
        for one in (SECOND, FIRST):
            run.add(one)
        for one in parts:
            run.add_part(one)
        for file in files:
            run.add_file(file)
        run.finish([1, 0])
    with store.RunReader(tmp_path) as run:
        assert [run.assessment(one.listing_id) for one in (FIRST, SECOND)] == store.read_queue(tmp_path)
        assert (run.has(FIRST.listing_id), run.has("L-none")) == (True, False)
        assert [run.parts(photo) for photo in ("a.jpg", "b.jpg", "c.jpg")] == [parts[:2], parts[2:3], []]
        assert [run.photo_file(path) for path in ("a.jpg", "b.jpg", "c.jpg")] == [*files, None]


def test_two_listings_that_stand_together_and_show_the_same_photo_do_not_double_its_parts(tmp_path):
    parts = [part("a.jpg", 0.9), part("a.jpg", 0.8)]
    store.write_run(tmp_path, [SECOND], parts + parts, [])
    with store.RunReader(tmp_path) as run:
        assert run.parts("a.jpg") == parts


def test_of_an_older_run_it_is_not_known_what_its_photo_files_were(tmp_path):
    store.write_run(tmp_path, [SECOND], [], [])
    (tmp_path / "photos.jsonl").unlink()
    with store.RunReader(tmp_path) as run:
        assert run.photo_file("a.jpg") is None
