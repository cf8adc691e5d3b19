"""Crops for the simulated quarter, drawn week by week: what is learned in one week is never shown in another."""

from __future__ import annotations

import multiprocessing
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.heads import CUE_OF_HEAD, HEADS
from pipeline.config import ReferenceSheet, load_sheets
from pipeline.domain import PartName
from pipeline.improve.crops import Features
from pipeline.train.samples import labels_of
from synthetic.arrays import arrays_for
from synthetic.crops import crop_of_pair
from synthetic.looks import LOOKS
from synthetic.pair import departing_state, make_pair, natural_states

OnProgress = Callable[[int, int], None]
WEEKS = 12
NEW_KIND = "rivet_stamp"  # the cue in which the new counterfeits depart
PARTS = (PartName.TAB, PartName.LABEL, PartName.BUTTON, PartName.RIVET, PartName.ZIP)
CUES_OF_PART: Mapping[PartName, tuple[str, ...]] = {
    part: tuple(CUE_OF_HEAD.get(head.name, head.name) for head in HEADS if part in head.parts) for part in PARTS
}
NEWS_FROM = 4  # the week from which on the new kind comes in
TO_MEASURE = 0  # stands for a week whose crops nobody learns from: all weeks are measured on them
_GENUINE = {PartName.TAB: 10, PartName.LABEL: 10, PartName.BUTTON: 8, PartName.RIVET: 12, PartName.ZIP: 8}
_DEPARTING, _OF_NEW_KIND = 2, 20
_MEASURED = 2.5  # so many times as many crops to measure on as a week has
_TRIES = 40


@dataclass(frozen=True, slots=True)
class Plan:
    """A crop to draw: for which week, of which part, departing in which cue ("" for none)."""

    week: int
    part: PartName
    cue: str
    seed: int
    is_check: bool  # kept for sellers that are not learned from: every fifth of a sort


@dataclass(frozen=True, slots=True, eq=False)
class BankCrop:
    """A drawn crop as the heads see it: tokens, true answers (-1 where nobody could judge), and its pair's style."""

    plan: Plan
    tokens: NDArray[np.float16]
    answers: NDArray[np.int64]
    style: str


def plan_bank(seed: int) -> list[Plan]:
    """All crops of the quarter."""
    wanted = [
        (week, part, cue)
        for week in (TO_MEASURE, *range(1, WEEKS + 1))
        for part in PARTS
        for cue in ("", *CUES_OF_PART[part])
        for _ in range(_how_many(week, part, cue))
    ]
    plans, of_sort = [], Counter[tuple[PartName, str]]()
    for n, (week, part, cue) in enumerate(wanted):
        of_sort[part, cue] += 1
        plans.append(Plan(week, part, cue, seed * 1_000_003 + n, of_sort[part, cue] % 5 == 0))
    return plans


def _how_many(week: int, part: PartName, cue: str) -> int:
    """How many crops of a sort are drawn for a week."""
    if cue == NEW_KIND and TO_MEASURE < week < NEWS_FROM:
        return 0
    a_week = _GENUINE[part] if not cue else _OF_NEW_KIND if cue == NEW_KIND else _DEPARTING
    return round(a_week * _MEASURED) if week == TO_MEASURE else a_week


def draw_bank(seed: int, configs: Path, models: Path, folder: Path, workers: int, on_progress: OnProgress) -> None:
    """Draw what is missing of a seed's crops.

    Args:
        seed: the same seed draws the same crops.
        configs: holds the makers' sheets; the first one's garments are drawn.
        models: holds the part network, whose trunk looks at the crops.
        folder: where crops are kept.
        workers: processes.
        on_progress: called with (crops ready, crops in all).
    """
    folder.mkdir(parents=True, exist_ok=True)
    plans = plan_bank(seed)
    missing = [plan for plan in plans if not _place(folder, plan).exists()]
    with multiprocessing.get_context("spawn").Pool(workers, _start, (configs, models, folder)) as pool:
        for done, _ in enumerate(pool.imap_unordered(_draw, missing), 1):
            on_progress(len(plans) - len(missing) + done, len(plans))


def read_bank(seed: int, folder: Path) -> list[BankCrop]:
    """A seed's crops, as `draw_bank` kept them in the folder."""
    return [_read(folder, plan) for plan in plan_bank(seed)]


def _place(folder: Path, plan: Plan) -> Path:
    return folder / f"{plan.seed}.npz"


_worker: dict[str, Any] = {}


def _start(configs: Path, models: Path, folder: Path) -> None:
    import cv2
    import torch

    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    sheet = next(iter(load_sheets(configs).values()))
    _worker.update(sheet=sheet, features=Features(models, folder), arrays=arrays_for("cpu"), folder=folder)


def _draw(plan: Plan) -> None:
    rng = np.random.default_rng(plan.seed)
    sheet: ReferenceSheet = _worker["sheet"]

    def next_pair() -> Any:  # noqa: ANN401 - a drawn pair
        states = natural_states(rng, sheet, counterfeit=False)
        style = str(rng.choice(list(sheet.styles)))
        if plan.part is PartName.ZIP:
            style = str(rng.choice([name for name, one in sheet.styles.items() if one.fly == "zip"]))
        if plan.cue:
            states[plan.cue] = departing_state(rng, plan.cue)
        return make_pair(rng, sheet, states, bool(plan.cue), LOOKS[str(rng.choice(list(LOOKS)))], style)

    for _ in range(_TRIES):
        crop, _view = crop_of_pair(rng, next_pair, plan.part, _worker["arrays"])
        labels = labels_of(crop)
        cues = [CUE_OF_HEAD.get(head.name, head.name) for head in HEADS]
        judged = {cue for cue, seen in zip(cues, labels.seen, strict=True) if seen == 1}
        if plan.cue in judged or (not plan.cue and judged):
            break
    answers = np.where(labels.seen == 1, labels.answers, -1).astype(np.int64)
    tokens = _worker["features"].look(crop.pixels)
    draft = _worker["folder"] / f".{plan.seed}.npz"
    np.savez(draft, tokens=tokens, answers=answers, style=np.array(crop.pair.style))
    draft.replace(_place(_worker["folder"], plan))


def _read(folder: Path, plan: Plan) -> BankCrop:
    with np.load(_place(folder, plan), allow_pickle=False) as kept:
        return BankCrop(plan, kept["tokens"], kept["answers"], str(kept["style"]))
