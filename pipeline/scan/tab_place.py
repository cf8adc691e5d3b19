"""The tab's height on the pocket, from the pocket's points and the tab found there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.classify.part_reader import ReadPart
from pipeline.config import ReferenceSheet
from pipeline.domain import Box, CueReading, PartName, PartReading
from pipeline.measures.pocket_position import PocketPlan, position_likelihood, tab_position

_REACH = 0.15  # of the pocket's longer side: how far outside its box the middle of its tab may lie


def plan_of(sheet: ReferenceSheet) -> PocketPlan:
    """The sheet's pocket with its tab, in mm."""
    return PocketPlan(
        width_top=sheet.pocket.width_top,
        width_bottom=sheet.pocket.width_bottom,
        height=sheet.pocket.height,
        tab_top=sheet.tab.top_below_pocket_top,
        tab_length=sheet.tab.size[1],
        tab_tolerance=sheet.tab.tolerance,
    )


def with_tab_position(parts: Sequence[ReadPart], plan: PocketPlan) -> list[PartReading]:
    """The readings of one photo's parts, in order, each tab with its place on its pocket where that can be measured."""
    readings = [part.reading for part in parts]
    for pocket in parts:
        place = _tab_on(pocket, readings)
        measured = None if place is None else tab_position(pocket.points, plan)
        if place is None or measured is None:
            continue
        tab = readings[place]
        found = tab.found
        reading = CueReading(
            "tab_position",
            position_likelihood(measured, plan),
            photo=found.photo,
            part=PartName.TAB,
            box=found.box,
            measured=measured,
        )
        readings[place] = replace(tab, cues=(*tab.cues, reading))
    return readings


def _tab_on(pocket: ReadPart, readings: Sequence[PartReading]) -> int | None:
    """Which reading is the tab of a pocket that shows its points: the surest tab at it without a place yet."""
    if not pocket.points:
        return None
    at = [
        (reading.found.score, -place)
        for place, reading in enumerate(readings)
        if reading.found.part is PartName.TAB
        and _lies_at(reading.found.box, pocket.reading.found.box)
        and all(cue.cue != "tab_position" for cue in reading.cues)
    ]
    return -max(at)[1] if at else None


def _lies_at(tab: Box, pocket: Box) -> bool:
    """Whether the tab's middle lies in the pocket's box or close by."""
    reach = _REACH * max(pocket.w, pocket.h)
    x, y = tab.x + tab.w / 2, tab.y + tab.h / 2
    left, top, right, bottom = pocket.xyxy
    return left - reach <= x <= right + reach and top - reach <= y <= bottom + reach
