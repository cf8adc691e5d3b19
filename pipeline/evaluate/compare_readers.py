"""Which reader reads more of the print: a table over the true boxes of a labelled folder.

`python -m pipeline.evaluate.compare_readers FOLDER [--limit N] [--models DIR] [--reader package.module:function]`

A reader is any callable that takes crops (sRGB uint8, shape (height, width, 3)) and gives back one text for each.
The project's own reads first; RapidOCR, where installed, is tried with and without its text detector.
"""

from __future__ import annotations

import argparse
import importlib
import re
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.part_reader import load_part_reader
from pipeline.config import load_sheets
from pipeline.domain import Box, FoundPart, PartName, Photo
from pipeline.evaluate.labelled import LabelledPart, read_labelled
from pipeline.intake import read_photo

Crop = NDArray[np.uint8]
Reader = Callable[[list[Crop]], list[str]]
ScoredReader = Callable[[list[Crop]], list[tuple[str, float]]]  # text, and how sure it is, 0..1

_HOME = Path(__file__).resolve().parents[2]
PRINTED_PARTS = (PartName.BUTTON_BACK, PartName.CARE_TAG, PartName.LABEL)
_MARGIN = 0.04  # share of the box added on each side: a detector's boxes are no tighter
_BATCH = 16
_SURE = 0.95  # a reader this sure of an upright crop need not look at it turned


@dataclass(frozen=True, slots=True)
class ReaderScore:
    """How a reader did on one kind of part: `exact` of `prints` read without a mistake."""

    reader: str
    part: PartName
    prints: int
    exact: int
    ms_per_crop: float


@dataclass(frozen=True, slots=True, eq=False)
class PrintedCrop:
    """A crop at a true box, and the print a person reads there."""

    part: PartName
    pixels: Crop
    text: str


def is_exact(read: str, printed: str) -> bool:
    """Whether every word with a digit in the print (code, style number, sizes) was read as it stands.

    Names and mottos are the same on every label and tell nothing, so they are not asked for. A code read with a digit
    too many is not exact.
    """
    words = re.findall(r"[A-Z0-9-]*\d[A-Z0-9-]*", printed.upper())
    if not words:
        return False
    seen = re.sub(r"[^A-Z0-9\n]", "", read.upper().replace(" ", "\n"))
    numbers = re.findall(r"\d+", seen)
    joined = seen.replace("\n", "")
    return all(_is_read(re.sub(r"[^A-Z0-9]", "", word), numbers, joined) for word in words)


def _is_read(word: str, numbers: Sequence[str], joined: str) -> bool:
    """A pure number must stand alone; a word with letters may touch its neighbours, as readers drop spaces."""
    number = re.fullmatch(r"[A-Z]?(\d+)", word)
    if number:
        return number.group(1) in numbers
    return re.search(rf"{word}(?!\d)", joined) is not None


def printed_crops(folder: Path, limit: int | None = None) -> list[PrintedCrop]:
    """Cut out the parts that carry print a person can read.

    Args:
        folder: a labelled folder.
        limit: at most so many crops of each part, the first ones. All when left out.

    Raises:
        ValueError: if the folder is no labelled folder.
    """
    chosen: dict[str, list[LabelledPart]] = defaultdict(list)
    taken: dict[PartName, int] = defaultdict(int)
    for part in read_labelled(folder).parts:
        if part.part in PRINTED_PARTS and part.text and (limit is None or taken[part.part] < limit):
            taken[part.part] += 1
            chosen[part.photo].append(part)
    return [crop for photo, parts in chosen.items() for crop in _crops(_open(folder, photo), parts)]


def _open(folder: Path, photo: str) -> Photo | None:
    """Annotations name a photo from the folder or from `photos/`; a photo that cannot be read is left out."""
    for path in (photo, f"photos/{photo}"):
        if (folder / path).is_file():
            opened = read_photo(folder, path)
            return opened if isinstance(opened, Photo) else None
    return None


def _crops(photo: Photo | None, parts: Iterable[LabelledPart]) -> list[PrintedCrop]:
    if photo is None:
        return []
    return [PrintedCrop(part.part, _cut(photo.pixels, part.box), part.text or "") for part in parts]


def _cut(pixels: Crop, box: Box) -> Crop:
    """The box with a small margin, within the photo."""
    left, top, right, bottom = box.xyxy
    across, down = _MARGIN * box.w, _MARGIN * box.h
    rows = slice(max(0, round(top - down)), round(bottom + down))
    columns = slice(max(0, round(left - across)), round(right + across))
    return np.ascontiguousarray(pixels[rows, columns])


def compare(
    crops: Sequence[PrintedCrop], readers: Mapping[str, Reader], own: Callable[[PartName], Reader] | None = None
) -> list[ReaderScore]:
    """Let each reader read all crops.

    Args:
        crops: what to read.
        readers: by name; they are not told which part they read.
        own: the project's own reader of a part, if it shall read too.

    Raises:
        ValueError: if a reader does not give one text a crop.
    """
    parts = [part for part in PRINTED_PARTS if any(crop.part is part for crop in crops)]
    return [
        _score(name, part, [crop for crop in crops if crop.part is part], reader)
        for part in parts
        for name, reader in {**({"ours": own(part)} if own else {}), **readers}.items()
    ]


def own_reader(models_dir: Path, styles: Sequence[str]) -> Callable[[PartName], Reader]:
    """The project's own reader, given the same crops as the others: all beyond their margin is grey to it.

    Args:
        models_dir: folder of the networks.
        styles: the maker's style numbers, which it knows in a scan too.
    """
    reader = load_part_reader(models_dir)

    def read(crop: Crop, part: PartName) -> str:
        height, width = crop.shape[:2]
        across, down = (side * _MARGIN / (1 + 2 * _MARGIN) for side in (width, height))
        box = Box(across, down, width - 2 * across, height - 2 * down)
        texts = reader.read(Photo("crop", crop), FoundPart("crop", part, box, 1.0), styles).reading.texts
        return "\n".join(f"{text.field} {text.text}" for text in texts)  # as print has words between its numbers

    return lambda part: lambda crops: [read(crop, part) for crop in crops]


def _score(name: str, part: PartName, crops: Sequence[PrintedCrop], reader: Reader) -> ReaderScore:
    reader([crops[0].pixels])  # the first call loads the model, which is not counted
    start = time.perf_counter()
    texts = [
        text
        for at in range(0, len(crops), _BATCH)
        for text in reader([crop.pixels for crop in crops[at : at + _BATCH]])
    ]
    spent_ms = 1000 * (time.perf_counter() - start)
    if len(texts) != len(crops):
        raise ValueError(f"reader {name!r} gave {len(texts)} texts for {len(crops)} crops")
    exact = sum(is_exact(text, crop.text) for text, crop in zip(texts, crops, strict=True))
    return ReaderScore(name, part, len(crops), exact, spent_ms / len(crops))


def as_table(scores: Iterable[ReaderScore]) -> str:
    """The scores as a Markdown table."""
    rows = ["| part | reader | prints | read exactly | ms a crop |", "| --- | --- | ---: | ---: | ---: |"]
    for score in scores:
        share = score.exact / score.prints
        rows.append(f"| {score.part} | {score.reader} | {score.prints} | {share:.3f} | {score.ms_per_crop:.1f} |")
    return "\n".join(rows)


def best_turn(reader: ScoredReader) -> Reader:
    """A reader that looks at a crop turned by 90, 180 and 270 degrees as well, where it is not sure as it is.

    The surest text with a number in it wins; without any number, the upright text stands.
    """

    def read(crops: list[Crop]) -> list[str]:
        best = reader(crops)
        unsure = [at for at, (text, sure) in enumerate(best) if sure < _SURE or not _has_number(text)]
        for quarter_turns in (1, 2, 3) if unsure else ():
            turned = reader([np.ascontiguousarray(np.rot90(crops[at], quarter_turns)) for at in unsure])
            for at, seen in zip(unsure, turned, strict=True):
                best[at] = max(best[at], seen, key=_rank)
        return [text for text, _ in best]

    return read


def as_it_is(reader: ScoredReader) -> Reader:
    """A reader that takes every crop to be upright."""
    return lambda crops: [text for text, _ in reader(crops)]


def _rank(seen: tuple[str, float]) -> float:
    text, sure = seen
    return sure if _has_number(text) else 0.0


def _has_number(text: str) -> bool:
    return re.search(r"\d{2}", text) is not None


def rapidocr_readers() -> dict[str, Reader]:
    """RapidOCR with its shipped models: finding the lines itself or taking the crop as one line, upright or turned.

    Raises:
        ModuleNotFoundError: if it is not installed.
    """
    finds_lines, one_line = _rapidocr(use_det=True), _rapidocr(use_det=False)
    return {
        "rapidocr, finds lines": as_it_is(finds_lines),
        "rapidocr, finds lines, best turn": best_turn(finds_lines),
        "rapidocr, one line": as_it_is(one_line),
        "rapidocr, one line, best turn": best_turn(one_line),
    }


def _rapidocr(use_det: bool) -> ScoredReader:
    from rapidocr import RapidOCR  # needed only to compare, so not a dependency of the tool

    engine = RapidOCR(params={"Global.log_level": "critical"})

    def read(crops: list[Crop]) -> list[tuple[str, float]]:
        results = [engine(crop[..., ::-1], use_det=use_det, use_cls=False, use_rec=True) for crop in crops]
        return [_text_and_score(getattr(one, "txts", None), getattr(one, "scores", None)) for one in results]

    return read


def _text_and_score(lines: Sequence[str] | None, scores: Sequence[float] | None) -> tuple[str, float]:
    """All lines, and how sure the reader is of those with a number in them; nothing read is 0."""
    sure = [score for line, score in zip(lines or (), scores or (), strict=True) if _has_number(line)]
    return "\n".join(lines or ()), float(np.mean(sure)) if sure else 0.0


def named_reader(name: str) -> Reader:
    """A reader by its name, `package.module:function`.

    Raises:
        ValueError: if there is no such function.
    """
    module, _, function = name.partition(":")
    try:
        reader = getattr(importlib.import_module(module), function)
    except (ImportError, AttributeError, ValueError) as err:
        raise ValueError(f"no reader {name!r}: expected package.module:function ({err})") from err
    if not callable(reader):
        raise ValueError(f"{name!r} is not a function")
    return lambda crops: list(reader(crops))


def main(
    folder: Path,
    readers: Mapping[str, Reader] | None = None,
    limit: int | None = None,
    own: Callable[[PartName], Reader] | None = None,
) -> str:
    """Compare readers on a labelled folder.

    Args:
        folder: a labelled folder.
        readers: name -> reader. RapidOCR alone when left out.
        limit: at most so many crops of each part.
        own: the project's own reader, if it shall read too.

    Returns:
        A Markdown table.

    Raises:
        ValueError: if the folder is no labelled folder or nothing in it carries print.
    """
    crops = printed_crops(folder, limit)
    if not crops:
        raise ValueError(f"{folder}: no part with print that can be read")
    return as_table(compare(crops, rapidocr_readers() if readers is None else readers, own))


def _run(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path, help="a labelled folder")
    parser.add_argument("--limit", type=int, help="at most so many crops of each part")
    parser.add_argument("--reader", action="append", default=[], help="package.module:function, may be repeated")
    parser.add_argument("--models", type=Path, default=_HOME / "models", help="the networks of the own reader")
    parser.add_argument("--configs", type=Path, default=_HOME / "configs", help="the makers' sheets")
    options = parser.parse_args(arguments)
    try:
        styles = [style for sheet in load_sheets(options.configs).values() for style in sheet.styles]
        readers = {name: named_reader(name) for name in options.reader} | rapidocr_readers()
        print(main(options.folder, readers, options.limit, own_reader(options.models, styles)))
    except (ValueError, ModuleNotFoundError) as err:
        print(err, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(_run(sys.argv[1:]))
