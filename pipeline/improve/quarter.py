"""Simulated quarters: `python -m pipeline.improve.quarter --out out/quarter` draws how the loop copes with news.

Twelve weeks of seven days: 2,000 listings a day made of drawn crops, of which moderators look at 200, ten of them drawn
by chance; one decision in twenty is wrong, and so are the labels that it leaves. From the fourth week on half of the
counterfeits are of a new kind, with blank rivets, of which the heads know nothing at first. Three arms: heads as they
were; heads and evidence fitted anew every week to what moderators said; and heads that knew the new kind from the
start, which is as good as it gets. Each week's judges are measured on the same days, made of crops that nobody learns
from, each day with crops of its own.

What is real here: drawn crops, the trunk, the heads' training, temperatures, the evidence's refit and weighing. What is
not: listings are put together from crops, a week's crops serve all listings of that week (none of another week), text
and print say nothing, boxes are right, and the trunk had met blank rivets when it was trained; only the head had not.
"""

from __future__ import annotations

import argparse
import copy
import json
import multiprocessing
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from rich.console import Console

from pipeline.classify.heads import CUE_OF_HEAD, HEADS
from pipeline.config import HeadsRecipe, load_evidence, load_heads_recipe, load_sheets
from pipeline.evaluate.labelled import PairTruth
from pipeline.evidence.learn import with_learned
from pipeline.improve.bundle import fit_temperatures_of_heads, refit_evidence
from pipeline.improve.crops import stacked
from pipeline.improve.quarter_bank import NEW_KIND, NEWS_FROM, TO_MEASURE, WEEKS, draw_bank, read_bank
from pipeline.improve.quarter_days import (
    REVIEWS,
    Arm,
    Said,
    SimListing,
    World,
    make_day,
    order_of,
    readings_of,
    review,
    shelf_of,
)
from pipeline.improve.quarter_figures import KNOWING, WITH, WITHOUT, DayFigures, Quarters, as_json, draw
from pipeline.improve.train_heads import LabelledTokens, told, untold
from pipeline.improve.which_heads import relearned_heads
from pipeline.model_files import PartsCard, read_card
from pipeline.terminal import progress
from pipeline.train.networks import PartNetwork
from pipeline.train.weights import load_network

Say = Callable[[str], None]
_DAYS = 7  # of a week
_MEASURED = 5  # days to measure on
_WINDOW = 5  # weeks that are learned from


def relearned(world: World, in_use: Arm, week: int, said: Said, work: Path) -> Arm:
    """Heads in use trained on with the last weeks' labels; temperatures and evidence fitted to sellers kept back."""
    recent = [number for number in said.answers if world.bank[number].plan.week > week - _WINDOW]
    fit, check = ([number for number in recent if world.bank[number].plan.is_check is side] for side in (False, True))
    recipe = world.recipe
    fit_tokens, check_tokens = _labelled(world, fit, said), _labelled(world, check, said)
    network, _ = relearned_heads(
        in_use.network, fit_tokens, check_tokens, recipe, in_use.card, work, untold, lambda _step: nullcontext(untold)
    )
    arm = Arm(
        network, _with_temperatures(in_use.card, told(network, check_tokens), check_tokens, recipe), in_use.evidence
    )
    rows = [one for one in said.decided if one.listing.is_check and one.week > week - _WINDOW]
    readings = readings_of(world, arm, [one.listing for one in rows])
    truth = {
        str(number): PairTruth(one.held, _states_said(one.listing, said), one.stands_for)
        for number, one in enumerate(rows)
    }
    fitted = refit_evidence(readings, truth, {world.sheet.maker: world.sheet}, in_use.evidence, recipe.evidence)
    return replace(arm, evidence=with_learned(in_use.evidence, fitted.shares, fitted.calibration))


def _with_temperatures(
    card: PartsCard, logits: NDArray[np.float32], check: LabelledTokens, recipe: HeadsRecipe
) -> PartsCard:
    """The card with temperatures fitted as for a bundle."""
    return card.model_copy(
        update={"temperature": fit_temperatures_of_heads(card, logits, check.answers, recipe.most_weight)}
    )


def _states_said(one: SimListing, said: Said) -> dict[str, str]:
    states = {}
    for number in one.crops:
        for place, head in enumerate(HEADS):
            cue = CUE_OF_HEAD.get(head.name)
            answer = int(said.answers[number][place])
            if cue is None and answer >= 0:  # what depends on the style is left out
                states[head.name] = head.answers[answer]
    return states


def _labelled(world: World, numbers: Sequence[int], said: Said) -> LabelledTokens:
    groups = tuple((tuple(places), group) for places, group in stacked([world.bank[n].tokens for n in numbers]))
    answers = np.array([said.answers[n] for n in numbers], np.int64).reshape(-1, len(HEADS))
    return LabelledTokens(groups, answers, (world.sheet.maker,) * len(numbers), tuple(map(str, numbers)))


def without_news(network: PartNetwork, seed: int) -> PartNetwork:
    """The network with a head for the new kind that has never met it: another query, and always the genuine answer."""
    blank = copy.deepcopy(network)
    number = next(place for place, head in enumerate(HEADS) if head.name == NEW_KIND)
    layer = blank.answer[number]
    assert isinstance(layer, torch.nn.Linear)
    with torch.no_grad():
        noise = torch.randn(blank.width, generator=torch.Generator().manual_seed(seed)) * 0.5
        blank.queries[number] = noise
        blank.answer_seen[number] = 0.0
        blank.answer_seen_bias[number] = 4.0
        layer.weight.zero_()
        layer.bias.copy_(torch.tensor([3.0, *[0.0] * (layer.bias.numel() - 1)]))
    return blank


# ---------------------------------------------------------------- a quarter, week by week


@dataclass(frozen=True, slots=True, eq=False)
class Measure:
    """The days that all arms are measured on, without the new kind and with it."""

    world: World
    days: Mapping[bool, Sequence[Sequence[SimListing]]]
    seed: int

    def of(self, arm: Arm, with_news: bool) -> list[DayFigures]:
        """How an arm does, day by day; ties fall alike for all arms."""
        found = []
        for number, day in enumerate(self.days[with_news]):
            order = order_of(self.world, arm, day, np.random.default_rng([self.seed, number, 4]))
            top = [day[place] for place in order[:REVIEWS]]
            caught, there = (sum(one.counterfeit for one in rows) for rows in (top, day))
            found.append(DayFigures(caught, there, *(sum(one.is_new_kind for one in rows) for rows in (top, day))))
        return found


def measure_of(world: World, seed: int) -> Measure:
    """The days to measure on: every crop serves one day alone."""
    numbers = [number for number, crop in enumerate(world.bank) if crop.plan.week == TO_MEASURE]
    shelves = [shelf_of(world, numbers[first::_MEASURED]) for first in range(_MEASURED)]
    days = {
        with_news: [
            make_day(shelf, with_news, np.random.default_rng([seed, number, with_news, 3]))
            for number, shelf in enumerate(shelves)
        ]
        for with_news in (False, True)
    }
    return Measure(world, days, seed)


def simulate(
    world: World, arms: Mapping[str, Arm], seed: int, work: Path, say: Say
) -> dict[str, list[list[DayFigures]]]:
    """Twelve weeks of all arms, their figures by week and day; the arm `with` is trained anew after every week."""
    measure = measure_of(world, seed)
    unchanging = {(name, news): measure.of(arms[name], news) for name in (WITHOUT, KNOWING) for news in (False, True)}
    now = arms[WITH]
    said = Said()
    weeks: dict[str, list[list[DayFigures]]] = {name: [] for name in arms}
    for week in range(1, WEEKS + 1):
        news = week >= NEWS_FROM
        for name, rows in weeks.items():
            rows.append(measure.of(now, news) if name == WITH else unchanging[name, news])
        line = ", ".join(f"{name} {_recall(rows[-1]):.2f}" for name, rows in weeks.items())
        say(f"seed {seed}, week {week}: recall {line}")
        shelf = shelf_of(world, [number for number, crop in enumerate(world.bank) if crop.plan.week == week])
        for day_number in range(_DAYS):
            rng = np.random.default_rng([seed, week, day_number])
            day = make_day(shelf, news, rng)
            review(world, week, day, order_of(world, now, day, rng), said, rng)
        if week < WEEKS:
            now = relearned(world, now, week, said, work / str(week))
    return weeks


def _recall(days: Sequence[DayFigures]) -> float:
    return sum(day.caught for day in days) / sum(day.there for day in days)


def one_quarter(options: argparse.Namespace, seed: int) -> dict[str, list[list[DayFigures]]]:
    """A seed's quarter, or what an earlier run kept of it."""
    kept: Path = options.out / f"seed-{seed}.json"
    if not kept.exists():
        torch.set_num_threads(1)  # small products: more threads mostly wait for each other
        sheet = next(iter(load_sheets(options.configs).values()))
        world = World(
            read_bank(seed, options.out / "bank"), sheet, load_heads_recipe(options.configs / "learning" / "heads.yaml")
        )
        card, evidence = read_card(options.models, "parts", PartsCard), load_evidence(options.configs / "evidence.yaml")
        network = load_network(PartNetwork, options.models / "parts.safetensors").eval()
        ignorant = Arm(without_news(network, seed), card, evidence)
        arms = {WITHOUT: ignorant, WITH: ignorant, KNOWING: Arm(network, card, evidence)}
        with tempfile.TemporaryDirectory() as name:
            weeks = simulate(world, arms, seed, Path(name), Console(stderr=True).print)
        rows = {arm: [[asdict(day) for day in days] for days in of_arm] for arm, of_arm in weeks.items()}
        kept.write_text(json.dumps(rows), encoding="utf-8")
    read = json.loads(kept.read_text(encoding="utf-8"))
    return {arm: [[DayFigures(**day) for day in days] for days in of_arm] for arm, of_arm in read.items()}


def main() -> None:
    """Command line."""
    home = Path(__file__).resolve().parents[2]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=Path("out/quarter"))
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--models", type=Path, default=home / "models")
    parser.add_argument("--configs", type=Path, default=home / "configs")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    console = Console(stderr=True)
    options.out.mkdir(parents=True, exist_ok=True)
    for seed in options.seeds:
        with progress(f"drawing crops of seed {seed}", console) as tell:
            draw_bank(seed, options.configs, options.models, options.out / "bank", options.workers, tell)
    with multiprocessing.get_context("spawn").Pool(options.workers) as pool:
        found = pool.map(partial(one_quarter, options), options.seeds, chunksize=1)
    quarters = Quarters({arm: [of_seed[arm] for of_seed in found] for arm in (WITHOUT, WITH, KNOWING)})
    draw(quarters, options.out / "quarter.png")
    (options.out / "quarter.json").write_text(json.dumps(as_json(quarters, options.seeds), indent=1), encoding="utf-8")
    back = quarters.won_back(NEWS_FROM + 2)
    console.print(
        f"After two retrainings {back.value:.0%} of the lost recall is won back (95% interval {back.low:.0%} to "
        f"{back.high:.0%}). See {options.out / 'quarter.png'}"
    )


if __name__ == "__main__":
    main()
