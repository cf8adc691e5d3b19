"""The sheet as one picture, 1600 px wide, drawn with Pillow."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from pipeline.contact_sheet._content import CROP_WH, KEY, TITLE, Clue, Entry, signed
from pipeline.domain import CAUTION

WIDTH = 1600
PAPER, CARD, INK, MUTED, LINE = "#F4F2ED", "#FFFFFF", "#1B2126", "#646C73", "#DAD5CA"
FOR, AGAINST, NOTICE = "#B0481F", "#2A6B74", "#FFF3D1"  # for a counterfeit; for a genuine pair
_MARGIN, _GAP, _SIDE_WIDTH = 28, 14, 270
_HEAD_HEIGHT, _ROW_HEIGHT, _FOOT_HEIGHT = 150, 366, 50
_PANEL_HEIGHT = _ROW_HEIGHT - _GAP

_Draw = ImageDraw.ImageDraw


def picture_of(entries: Sequence[Entry]) -> Image.Image:
    """Draw the sheet.

    Args:
        entries: in the order to show them; none gives a sheet that says so.

    Returns:
        An RGB picture, `WIDTH` px wide.
    """
    height = _HEAD_HEIGHT + max(1, len(entries)) * _ROW_HEIGHT + _MARGIN
    sheet = Image.new("RGB", (WIDTH, height), PAPER)
    draw = ImageDraw.Draw(sheet)
    _draw_head(draw, len(entries))
    for place, entry in enumerate(entries):
        _draw_entry(sheet, draw, entry, _HEAD_HEIGHT + place * _ROW_HEIGHT)
    return sheet


@cache
def _font(size: int, *, is_bold: bool = False) -> ImageFont.FreeTypeFont:
    import matplotlib  # for its fonts alone; every process of a scan would wait for it

    name = "DejaVuSans-Bold.ttf" if is_bold else "DejaVuSans.ttf"
    return ImageFont.truetype(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name, size)


def _draw_head(draw: _Draw, count: int) -> None:
    draw.text((_MARGIN, 22), TITLE, INK, _font(27, is_bold=True))
    shown = f"{count} shown" if count else "nothing to show"
    draw.text((WIDTH - _MARGIN, 30), shown, MUTED, _font(16), anchor="ra")
    draw.rounded_rectangle((_MARGIN, 66, WIDTH - _MARGIN, 102), 6, NOTICE)
    draw.text((_MARGIN + 14, 84), CAUTION, INK, _font(17, is_bold=True), anchor="lm")
    draw.text((_MARGIN, 115), KEY, MUTED, _font(15))


def _draw_entry(sheet: Image.Image, draw: _Draw, entry: Entry, top: int) -> None:
    draw.rounded_rectangle((_MARGIN, top, WIDTH - _MARGIN, top + _PANEL_HEIGHT), 8, CARD, LINE)
    _draw_side(draw, entry, _MARGIN + 18, top + 16)
    left = _MARGIN + _SIDE_WIDTH + 18
    for place, clue in enumerate(entry.clues):
        _draw_clue(sheet, draw, clue, left + place * (CROP_WH[0] + _GAP), top + 14)
    if not entry.clues:
        draw.text((left, top + 20), "No photo or text of this listing says anything either way.", MUTED, _font(15))
    _draw_foot(draw, entry, left, top + _PANEL_HEIGHT - _FOOT_HEIGHT)


def _draw_side(draw: _Draw, entry: Entry, left: int, top: int) -> None:
    width = _SIDE_WIDTH - 26
    draw.text((left, top), f"{entry.rank}", INK, _font(34, is_bold=True))
    draw.text((left + width, top + 6), entry.likely, INK, _font(27, is_bold=True), anchor="ra")
    draw.text((left + width, top + 40), "probability", MUTED, _font(13), anchor="ra")
    _draw_bar(draw, max(-1.0, min(1.0, entry.log10_lr / 6)), (left, top + 66, left + width, top + 78))
    draw.text((left, top + 84), f"all evidence {signed(entry.log10_lr)}", MUTED, _font(13))
    lines = [
        (line, INK, _font(16, is_bold=True)) for line in _wrapped(entry.listing_id, _font(16, is_bold=True), width, 2)
    ]
    lines += [(line, INK, _font(14)) for line in _wrapped(entry.stated, _font(14), width, 2)]
    lines += [(line, MUTED, _font(14)) for line in _wrapped(entry.title, _font(14), width, 3)]
    for place, (line, colour, font) in enumerate(lines):
        draw.text((left, top + 114 + place * 22), line, colour, font)


def _draw_clue(sheet: Image.Image, draw: _Draw, clue: Clue, left: int, top: int) -> None:
    width, height = CROP_WH
    if clue.crop is not None:
        sheet.paste(clue.crop, (left, top))
    else:
        draw.rectangle((left, top, left + width - 1, top + height - 1), PAPER)
        draw.text((left + width / 2, top + height / 2), "from the listing's text", MUTED, _font(14), anchor="mm")
    draw.text(
        (left, top + height + 7),
        _wrapped(clue.heading, _font(13, is_bold=True), width, 1)[0],
        INK,
        _font(13, is_bold=True),
    )
    for place, line in enumerate(_wrapped(clue.sentence, _font(13), width, 3)):
        draw.text((left, top + height + 26 + place * 17), line, MUTED, _font(13))
    bar_top = top + height + 84
    _draw_bar(draw, clue.bar, (left, bar_top, left + width - 56, bar_top + 10))
    colour = FOR if clue.log10_lr > 0 else AGAINST
    draw.text((left + width, bar_top + 5), clue.number, colour, _font(14, is_bold=True), anchor="rm")


def _draw_bar(draw: _Draw, share: float, area: tuple[int, int, int, int]) -> None:
    left, top, right, bottom = area
    middle = (left + right) / 2
    end = middle + share * (right - left) / 2
    draw.rectangle(area, PAPER)
    draw.rectangle((min(middle, end), top, max(middle, end), bottom), FOR if share > 0 else AGAINST)
    draw.line((middle, top - 2, middle, bottom + 2), INK, 2)


def _draw_foot(draw: _Draw, entry: Entry, left: int, top: int) -> None:
    width = WIDTH - _MARGIN - 18 - left
    for place, (word, text) in enumerate((("Ask for", entry.ask_for), ("Not seen", entry.not_seen))):
        if text:
            draw.text((left, top + place * 21), word, MUTED, _font(13, is_bold=True))
            line = _wrapped(text, _font(13), width - 76, 1)[0]
            draw.text((left + 76, top + place * 21), line, INK if place == 0 else MUTED, _font(13))


def _wrapped(text: str, font: ImageFont.FreeTypeFont, width: float, most_lines: int) -> list[str]:
    """Text in lines of at most `width` px; what does not fit ends in an ellipsis."""
    lines: list[str] = []
    rest = text
    while rest:
        line = _fitting(rest, font, width)
        rest = rest[len(line) :].lstrip()
        if len(lines) == most_lines - 1 and rest:
            return [*lines, _shortened(line + "…", font, width)]
        lines.append(line.rstrip())
    return lines


def _fitting(text: str, font: ImageFont.FreeTypeFont, width: float) -> str:
    """As many whole words as fit, or as many letters of a word that is too long; at least one letter."""
    if font.getlength(text) <= width:
        return text
    end = max(1, next(end for end in range(1, len(text) + 1) if font.getlength(text[:end]) > width) - 1)
    space = text.rfind(" ", 0, end + 1)
    return text[: space + 1] if space > 0 else text[:end]


def _shortened(text: str, font: ImageFont.FreeTypeFont, width: float) -> str:
    while len(text) > 2 and font.getlength(text) > width:
        text = text[:-2].rstrip() + "…"
    return text
