"""The tab's height on the pocket, from the pocket's points and the tab found there."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from pipeline.classify.part_reader import ReadPart
from pipeline.config import ReferenceSheet
from pipeline.domain import Box, CueReading, PartName, PartReading
from pipeline.measures.pocket_position import PocketFit, PocketPlan, fit_pocket, position_likelihood

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


def tabs_on_pockets(parts: Sequence[ReadPart], plan: PocketPlan) -> dict[int, PocketFit]:
    """The tabs of one photo whose place on their pocket can be measured: by place in `parts`, the pocket as seen."""
    placed: dict[int, PocketFit] = {}
    for pocket in parts:
        tab = _tab_on(pocket, parts, placed)
        fit = None if tab is None else fit_pocket(pocket.points, plan)
        if tab is not None and fit is not None and fit.tab_position() is not None:
            placed[tab] = fit
    return placed


def with_tab_position(
    parts: Sequence[ReadPart], placed: Mapping[int, PocketFit], plan: PocketPlan
) -> list[PartReading]:
    """The readings of one photo's parts, in order, each tab in `placed` with its place on its pocket."""
    readings = [part.reading for part in parts]
    for place, pocket in placed.items():
        measured = pocket.tab_position()
        if measured is None:
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


def _tab_on(pocket: ReadPart, parts: Sequence[ReadPart], placed: Collection[int]) -> int | None:
    """Which part is the tab of a pocket that shows its points: the surest tab at it without a place yet."""
    if not pocket.points:
        return None
    at = [
        (part.reading.found.score, -place)
        for place, part in enumerate(parts)
        if part.reading.found.part is PartName.TAB
        and _lies_at(part.reading.found.box, pocket.reading.found.box)
        and place not in placed
    ]
    return -max(at)[1] if at else None


def _lies_at(tab: Box, pocket: Box) -> bool:
    """Whether the tab's middle lies in the pocket's box or close by."""
    reach = _REACH * max(pocket.w, pocket.h)
    x, y = tab.x + tab.w / 2, tab.y + tab.h / 2
    left, top, right, bottom = pocket.xyxy
    return left - reach <= x <= right + reach and top - reach <= y <= bottom + reach
