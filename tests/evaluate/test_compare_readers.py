from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from pipeline.classify.part_reader import ReadPart
from pipeline.domain import PartName, PartReading, TextReading
from pipeline.evaluate import compare_readers
from pipeline.evaluate.compare_readers import (
    PrintedCrop,
    as_table,
    best_turn,
    compare,
    is_exact,
    main,
    named_reader,
    printed_crops,
    rapidocr_readers,
)

CODE = PartName.BUTTON_BACK


def crop(text, part=CODE, shade=0):
    return PrintedCrop(part, np.full((10, 20, 3), shade, dtype=np.uint8), text)


@pytest.mark.parametrize(
    ("read", "printed", "exact"),
    [
        ("4711", "4711", True),
        ("No 4711", "4711", True),
        ("wash at 40\n4711\ncotton", "4711", True),
        ("47111", "4711", False),
        ("4717", "4711", False),
        ("47 11", "4711", False),
        ("", "4711", False),
        ("STYLE QM-21\nW 32  L 34", "STYLE QM-21\nW 32  L 34", True),
        ("styleqm21\nW32L34", "STYLE QM-21\nW 32  L 34", True),
        ("QUILLMERE STYLE QM-21 W 32 L 34", "STYLE QM-21\nW 32  L 34", True),
        ("STYLE QM-211\nW 32 L 34", "STYLE QM-21\nW 32  L 34", False),
        ("STYLE QM-21\nW 32", "STYLE QM-21\nW 32  L 34", False),
        ("anything", "QUILLMERE", False),
    ],
    ids=["as it stands", "among letters", "among lines", "a digit too many", "a wrong digit", "torn apart", "nothing",
         "label", "label without spaces", "label with its name", "wrong style", "leg missing", "print without digits"],
)  # fmt: skip
def test_exact_means_every_word_with_a_digit_as_it_stands(read, printed, exact):
    assert is_exact(read, printed) is exact


def test_the_share_of_exact_reads_is_counted_for_each_part_and_reader():
    crops = [crop("1111"), crop("2222"), crop("3333", PartName.CARE_TAG), crop("4444")]
    scores = compare(crops, {"good at ones": lambda crops: ["1111"] * len(crops)})
    assert [(score.part, score.exact, score.prints) for score in scores] == [(CODE, 1, 3), (PartName.CARE_TAG, 0, 1)]


def test_the_own_reader_alone_is_told_which_part_it_reads():
    crops = [crop("1111"), crop("2222", PartName.CARE_TAG)]
    answers = {CODE: "1111", PartName.CARE_TAG: "2222"}
    scores = compare(crops, {"other": lambda c: ["1111"] * len(c)}, own=lambda part: lambda c: [answers[part]] * len(c))
    assert [(score.reader, score.exact) for score in scores] == [("ours", 1), ("other", 1), ("ours", 1), ("other", 0)]


def test_the_own_reader_reads_the_part_in_its_crop(monkeypatch):
    asked = []

    class Stub:
        def read(self, photo, found, styles):
            asked.append((photo.size_wh, found.part, found.box, styles))
            text = TextReading("code", "4071", 0.9, "crop", found.part, found.box)
            return ReadPart(PartReading(found, (), (text,)), {})

    monkeypatch.setattr(compare_readers, "load_part_reader", lambda models_dir: Stub())
    read = compare_readers.own_reader(Path("models"), ["QM-21"])(PartName.CARE_TAG)
    assert read([np.zeros((216, 108, 3), np.uint8)]) == ["code 4071"]
    [(size_wh, part, box, styles)] = asked
    assert (size_wh, part, styles) == ((108, 216), PartName.CARE_TAG, ["QM-21"])
    assert box.xyxy == pytest.approx((4, 8, 104, 208))  # 4% of the box on each side


def test_the_table_has_a_row_for_each_part_and_reader():
    scores = compare([crop("1111"), crop("2222")], {"a": lambda c: ["1111"] * len(c), "b": lambda c: [""] * len(c)})
    lines = as_table(scores).splitlines()
    assert lines[2].startswith("| button_back | a | 2 | 0.500 |")
    assert lines[3].startswith("| button_back | b | 2 | 0.000 |")


def test_a_reader_that_loses_a_crop_is_named():
    with pytest.raises(ValueError, match="'forgetful' gave 0 texts for 1 crops"):
        compare([crop("1111")], {"forgetful": lambda crops: []})


@pytest.mark.parametrize("quarter_turns", range(4))
def test_the_surest_turn_with_a_number_wins(quarter_turns):
    def upright_best(crops):
        return [("4711", 0.9) if crop[0, 0, 0] > 0 else ("1174", 0.6) for crop in crops]

    picture = np.zeros((6, 9, 3), dtype=np.uint8)
    picture[0, 0] = 255
    turned = np.rot90(picture, quarter_turns).copy()
    assert best_turn(upright_best)([turned, picture]) == ["4711", "4711"]


def test_a_sure_upright_reading_is_not_looked_at_again():
    seen = []

    def sure(crops):
        seen.extend(crops)
        return [("4711", 0.99)] * len(crops)

    assert best_turn(sure)([np.zeros((4, 4, 3), dtype=np.uint8)]) == ["4711"]
    assert len(seen) == 1


def test_without_any_number_the_upright_reading_stands():
    def nothing(crops):
        return [("tall", 0.9) if crop.shape[0] > crop.shape[1] else ("wide", 0.5) for crop in crops]

    assert best_turn(nothing)([np.zeros((4, 9, 3), dtype=np.uint8)]) == ["wide"]


def test_a_reader_is_found_by_name_or_refused():
    assert named_reader("builtins:list")([]) == []
    for name in ("no_such_module:read", "builtins:no_such_reader", "builtins", "builtins:__name__", ":x"):
        with pytest.raises(ValueError, match=r"no reader|is not a function"):
            named_reader(name)


def labelled_folder(folder, codes):
    """One photo a code, drawn large and plain."""
    (folder / "photos").mkdir(parents=True)
    font = ImageFont.load_default(60)
    images, annotations = [], []
    for number, code in enumerate(codes):
        photo = Image.new("RGB", (400, 300), (225, 222, 215))
        ImageDraw.Draw(photo).text((110, 110), code, fill=(25, 25, 25), font=font)
        photo.save(folder / "photos" / f"{number}.png")
        images.append({"id": number, "file_name": f"photos/{number}.png", "width": 400, "height": 300})
        shared = {"id": number, "image_id": number, "category_id": 1, "bbox": [90, 95, 190, 95]}
        annotations.append({**shared, "attributes": {"text": code} if code else {}})
    coco = {"images": images, "annotations": annotations, "categories": [{"id": 1, "name": "care_tag"}]}
    (folder / "parts.coco.json").write_text(json.dumps(coco), encoding="utf-8")
    (folder / "truth.jsonl").write_text("", encoding="utf-8")
    (folder / "listings.jsonl").write_text(
        json.dumps({"listing_id": "1", "seller_id": "s", "listed_at": "2024-05-01T10:00:00", "maker": "quillmere",
                    "photos": []}) + "\n", encoding="utf-8",
    )  # fmt: skip
    return folder


def test_crops_are_cut_at_the_true_boxes_of_parts_with_print(tmp_path):
    crops = printed_crops(labelled_folder(tmp_path / "set", ["4711", "", "0815", "2222"]), limit=2)
    assert [crop.text for crop in crops] == ["4711", "0815"]
    assert crops[0].pixels.shape == pytest.approx((95 * 1.08, 190 * 1.08, 3), abs=1)


def test_a_folder_without_print_is_refused(tmp_path):
    with pytest.raises(ValueError, match="no part with print"):
        main(labelled_folder(tmp_path / "set", [""]), {})


def test_the_command_says_in_one_line_what_is_wrong(tmp_path, capsys):
    assert compare_readers._run([str(tmp_path / "nowhere")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.slow
def test_rapidocr_reads_large_plain_codes_offline_sideways_too(tmp_path):
    pytest.importorskip("rapidocr", reason="RapidOCR is only needed to compare readers")
    codes = ["4718", "2035", "9961"]
    crops = printed_crops(labelled_folder(tmp_path / "set", codes))
    turned = [PrintedCrop(one.part, np.rot90(one.pixels, 1).copy(), one.text) for one in crops]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what RapidOCR's own dependencies warn of is not ours to mend
        readers = rapidocr_readers()
        upright, sideways = compare(crops, readers), compare(turned, readers)
    exact_upright = {score.reader: score.exact for score in upright}
    exact_sideways = {score.reader: score.exact for score in sideways}
    assert exact_upright["rapidocr, finds lines"] == 3
    assert exact_upright["rapidocr, one line"] >= 2
    assert exact_sideways["rapidocr, finds lines, best turn"] >= 2
