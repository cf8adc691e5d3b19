"""The simulated quarter: what it counts, and that what is measured on is never learned from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("torch")
pytest.importorskip("mlflow")

from pipeline.config import load_heads_recipe, load_sheets
from pipeline.improve import quarter
from pipeline.improve.quarter import measure_of, simulate
from pipeline.improve.quarter_bank import NEW_KIND, NEWS_FROM, TO_MEASURE, WEEKS, BankCrop, plan_bank
from pipeline.improve.quarter_days import LISTINGS, World
from pipeline.improve.quarter_figures import KNOWING, WITH, WITHOUT, DayFigures, Quarters
from tests.test_layers import ROOT


def quarters(*days_of_seeds: list[tuple[int, int, int]]) -> Quarters:
    """Each day: how many of 100 counterfeits are caught without, with, and knowing; every week alike."""
    arms = {}
    for place, arm in enumerate((WITHOUT, WITH, KNOWING)):
        seeds = [[DayFigures(day[place], 100, 0, 50) for day in days] for days in days_of_seeds]
        arms[arm] = [[days] * WEEKS for days in seeds]
    return Quarters(arms)


def test_what_is_won_back_by_hand():
    # Sums over both days: 90 without, 150 with, 170 knowing; (150 - 90) / (170 - 90).
    assert quarters([(40, 70, 80), (50, 80, 90)]).won_back(6).value == pytest.approx(60 / 80)


def test_days_that_are_all_alike_leave_no_doubt():
    spread = quarters([(40, 70, 80)] * 5).won_back(6)
    assert (spread.low, spread.high) == pytest.approx((0.75, 0.75))


def test_the_interval_of_one_recall_is_near_the_one_by_the_normal_law():
    # 40 days whose catches scatter: the bootstrap's interval must be close to mean +- 1.96 standard errors.
    caught = np.random.default_rng(5).binomial(100, 0.7, 40)
    spread = quarters([(0, int(n), 100) for n in caught]).recall(WITH, 6)
    half = 1.96 * caught.std() / np.sqrt(40) / 100
    assert (spread.high - spread.low) / 2 == pytest.approx(half, rel=0.1)
    assert spread.value == pytest.approx(caught.mean() / 100)


def test_arms_measured_on_the_same_days_are_compared_day_by_day():
    # Hard and easy days scatter each arm's recall widely, and what is won back not at all.
    one = quarters([(10, 22, 26), (60, 72, 76), (35, 47, 51)])
    assert one.recall(WITH, 6).high - one.recall(WITH, 6).low > 0.2
    assert one.won_back(6).high - one.won_back(6).low < 1e-9


def a_bank() -> list[BankCrop]:
    tokens, answers = np.zeros((4, 160), np.float16), np.zeros(1, np.int64)
    return [BankCrop(plan, tokens, answers, "") for plan in plan_bank(1)]


def test_crops_to_measure_on_serve_one_day_each_and_no_week():
    sheet = load_sheets(ROOT / "configs")["quillmere"]
    world = World(a_bank(), sheet, load_heads_recipe(ROOT / "configs/learning/heads.yaml"))
    days = measure_of(world, 1).days
    for with_news in (False, True):
        used = [{number for one in day for number in one.crops} for day in days[with_news]]
        for number, day in enumerate(used):
            assert all(world.bank[crop].plan.week == TO_MEASURE for crop in day)
            assert not day & set().union(*used[:number])
        assert all(len(day) == LISTINGS for day in days[with_news])
        assert any(one.is_new_kind for day in days[with_news] for one in day) is with_news


def test_the_new_kind_comes_in_its_week_and_every_sort_has_crops_kept_back():
    plans = plan_bank(1)
    news = {plan.week for plan in plans if plan.cue == NEW_KIND}
    assert news == {TO_MEASURE, *range(NEWS_FROM, WEEKS + 1)}
    weeks = [plan for plan in plans if plan.week != TO_MEASURE]
    assert {(plan.part, plan.cue) for plan in weeks} == {(plan.part, plan.cue) for plan in weeks if plan.is_check}


def test_another_seed_draws_other_crops():
    drawn = {seed: {plan.seed for plan in plan_bank(seed)} for seed in (1, 2)}
    assert not drawn[1] & drawn[2]
    assert replace(plan_bank(1)[0], seed=0) == replace(plan_bank(2)[0], seed=0)


def test_every_retraining_goes_on_from_what_is_in_use(monkeypatch, tmp_path):
    """As `relearn` does: a head that gains nothing this week keeps what it learned in earlier ones."""
    judged: list[str] = []

    class Days:
        def of(self, arm, with_news):
            judged.append(arm)
            return [DayFigures(1, 2, 0, 0)]

    monkeypatch.setattr(quarter, "measure_of", lambda world, seed: Days())
    for name in ("shelf_of", "make_day", "order_of", "review"):
        monkeypatch.setattr(quarter, name, lambda *given: None)
    monkeypatch.setattr(quarter, "relearned", lambda world, in_use, week, said, work: f"{in_use}, {week}")
    world = World(
        [], load_sheets(ROOT / "configs")["quillmere"], load_heads_recipe(ROOT / "configs/learning/heads.yaml")
    )
    simulate(world, {WITHOUT: "blank", WITH: "blank", KNOWING: "knows"}, 1, tmp_path, lambda line: None)
    assert judged[-1] == "blank, " + ", ".join(map(str, range(1, WEEKS)))
