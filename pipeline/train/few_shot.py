"""How much of the drop on another look a few labelled photos win back: `python -m pipeline.train.few_shot ...`.

Trained networks go on training, with `train`, on nested subsets of the other look's labelled photos (whole listings),
alone, mixed with as many photos of the own look, or mixed and then averaged with the weights that they started from,
whichever does best on listings set aside for that choice; the test folder is only ever tested on. Cards and evidence
stay as they are, temperatures too: fitted anew to the own look they are too sure of the other. What is done is not done
again.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

from pipeline.classify.digit_reader import DIGITS
from pipeline.config import load_sheets
from pipeline.train.few_shot_report import Adapted, Report, write_report
from pipeline.train.judging import (
    Figures,
    figures_from_json,
    figures_of,
    hash_of_files,
    hash_of_folders,
    judge,
    make_runnable,
    told_in_steps,
)
from pipeline.train.listing_subsets import (
    ListingPhotos,
    first_with_photos,
    listings_in,
    set_aside,
    shuffled,
    write_subset,
)
from pipeline.train.main import TrainOptions, train

RECIPES = ("alone", "mixed", "averaged")
_CHOICE_SHARE = 0.2  # of the other look's listings, set aside to choose the recipe on
_CHECK_SEED = 1000


@dataclass(frozen=True, slots=True)
class Setting:
    """What is given: weights to start from, cards and evidence that go with them, and the labelled folders.

    `test_departed` and `own_test_departed`: folders in which every cue departs often, for the cues' figures.
    """

    start_from: Path
    models: Path
    configs: Path
    adapt: Path
    own: Path
    test: Path
    test_departed: Path | None
    own_test: Path
    own_test_departed: Path | None
    epochs: int
    workers: int
    out: Path

    def digit_reader(self) -> list[Path]:
        """Its card and files; none where the part network reads alone."""
        return sorted(self.models.glob(f"{DIGITS}.*"))

    def key(self) -> str:
        """Changes when anything does that an earlier outcome would depend on."""
        weights = [self.start_from / f"{name}.safetensors" for name in ("detector", "parts")]
        cards = [self.models / f"{name}.yaml" for name in ("detector", "parts")]
        tables = [self.adapt, self.own, self.test, self.own_test, self.test_departed, self.own_test_departed]
        folders = [folder for folder in tables if folder is not None]
        files = [*weights, *cards, *self.digit_reader(), self.configs / "evidence.yaml"]
        return f"{hash_of_files(files)} {hash_of_folders(folders)} {self.epochs}"


class FewShot:
    """One experiment; every outcome is kept in `out` and looked up there first."""

    def __init__(self, setting: Setting, say: Callable[[str], None]) -> None:
        """Divide the other look's listings: to learn from, to choose on."""
        self.setting, self.say, self.key = setting, say, setting.key()
        self.learn, choose = set_aside(shuffled(listings_in(setting.adapt), _CHECK_SEED), _CHOICE_SHARE)
        self.choose = write_subset(setting.adapt, choose, setting.out / "folders" / "choose")

    def start(self) -> tuple[Figures, Figures]:
        """The networks as they come: on their own look, and on the other."""
        setting = self.setting
        models = setting.out / "start"
        own, other = (self._noted(f"start_{name}") for name in ("own", "other"))
        if own is None or other is None:
            self._copy_cards(models)
            make_runnable(setting.start_from, models)
            own = self._judged("own look", (setting.own_test, setting.own_test_departed), models)
            other = self._judged("other look", (setting.test, setting.test_departed), models)
            self._note("start_own", own.as_json())
            self._note("start_other", other.as_json())
        return own, other

    def best_recipe(self, count: int) -> str:
        """The recipe whose networks do better on the listings set aside, adapted with so many photos."""
        scores = {}
        for recipe in RECIPES:
            name = f"choose_{recipe}_{count}"
            held = self._noted(name)
            if held is None:
                chosen = first_with_photos(self.learn, count)
                models, _ = self._adapted(name, chosen, recipe, seed=0)
                held = self._judged(f"{recipe}, listings set aside", (self.choose, None), models)
                self._note(name, held.as_json())
            scores[recipe] = float(np.mean([value for value in (held.ap50, held.mean_auroc) if value is not None]))
            self.say(f"{recipe}: {scores[recipe]:.3f} on the listings set aside (mean of AP50 and the cues' AUROC)")
        return max(scores, key=lambda recipe: scores[recipe])

    def adapt(self, count: int, draw: int, recipe: str) -> Adapted:
        """Adapt with at most `count` photos and test."""
        name = f"{recipe}_{count}_draw{draw}"
        chosen = first_with_photos(shuffled(self.learn, draw), count)
        path = self._path(name)
        held = self._content(name)
        if held is None:
            models, minutes = self._adapted(name, chosen, recipe, seed=draw)
            setting = self.setting
            figures = self._judged(f"{count} photos, draw {draw}", (setting.test, setting.test_departed), models)
            self._note(name, figures.as_json(), cpu_minutes=minutes)
            held = json.loads(path.read_text(encoding="utf-8"))
        photos = sum(listing.photos for listing in chosen)
        return Adapted(count, photos, draw, recipe, float(held["cpu_minutes"]), figures_from_json(held["figures"]))

    def _adapted(self, name: str, chosen: Sequence[ListingPhotos], recipe: str, seed: int) -> tuple[Path, float]:
        """Train on the chosen listings; the networks made ready, and the CPU minutes that `train` took."""
        setting = self.setting
        home = setting.out / "runs" / name
        subset = write_subset(setting.adapt, chosen, home / "photos")
        mixed_with = None if recipe == "alone" else setting.own
        options = TrainOptions(
            epochs=setting.epochs, start_from=setting.start_from, seed=seed, keeps_back=False, freezes_early=True,
            mixed_with=mixed_with, averages_with_start=recipe == "averaged",
        )  # fmt: skip
        models = home / "models"
        self._copy_cards(models)
        started = time.process_time()
        train([subset], models, load_sheets(setting.configs), options, self._progress(name))
        minutes = (time.process_time() - started) / 60
        shutil.rmtree(models / "samples", ignore_errors=True)
        return models, minutes

    def _copy_cards(self, models: Path) -> None:
        """The given cards, before networks are exported beside them: what was fitted to scores and boxes stays.

        The digit reader goes along, so that networks before and after the training read print alike.
        """
        models.mkdir(parents=True, exist_ok=True)
        cards = [self.setting.models / f"{name}.yaml" for name in ("detector", "parts")]
        for path in (*cards, *self.setting.digit_reader()):
            shutil.copyfile(path, models / path.name)

    def _judged(self, label: str, folders: tuple[Path, Path | None], models: Path) -> Figures:
        setting = self.setting
        metrics = []
        for folder in folders:
            if folder is not None:
                with self._progress(label)(f"testing on {folder.name}") as tell:
                    found = judge(folder, models, setting.configs, models / folder.name, setting.workers, tell)
                metrics.append(found)
        return figures_of(metrics[0], metrics[1] if len(metrics) > 1 else None)

    def _progress(self, name: str) -> Callable[[str], Any]:
        @contextmanager
        def progress(label: str) -> Iterator[Callable[[int, int], None]]:
            yield told_in_steps(self.say, f"{name}: {label}", 4)

        return progress

    def _path(self, name: str) -> Path:
        return self.setting.out / "outcomes" / f"{name}.json"

    def _content(self, name: str) -> dict[str, Any] | None:
        path = self._path(name)
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        return content if content.get("key") == self.key else None

    def _noted(self, name: str) -> Figures | None:
        content = self._content(name)
        return None if content is None else figures_from_json(content["figures"])

    def _note(self, name: str, figures: Mapping[str, Any], **more: float) -> None:
        path = self._path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps({"key": self.key, "figures": figures, **more}, indent=1), encoding="utf-8")


def run(setting: Setting, counts: Sequence[int], draws: int, choose_at: int, say: Callable[[str], None]) -> Report:
    """The whole experiment; the report is written anew after every point.

    Args:
        setting: what is given.
        counts: of photos.
        draws: of nested subsets.
        choose_at: with how many photos the recipe is chosen.
        say: told how it goes.

    Raises:
        ValueError: if a folder is no labelled folder, or holds too little.
    """
    experiment = FewShot(setting, say)
    own, other = experiment.start()
    recipe = experiment.best_recipe(choose_at)
    points: list[Adapted] = []
    report = Report(own, other, recipe, ())
    for draw in range(draws):
        for count in counts:
            points.append(experiment.adapt(count, draw, recipe))
            report = Report(own, other, recipe, tuple(points))
            write_report(report, setting.out)
    return report


def main() -> int:
    """Command line; 0: all done, 2: nothing could be done."""
    options = _parser().parse_args()
    cv2.setNumThreads(1)
    torch.set_num_threads(options.threads)
    setting = Setting(
        start_from=options.start_from, models=options.models, configs=options.configs, adapt=options.adapt,
        own=options.own, test=options.test, test_departed=options.test_departed, own_test=options.own_test,
        own_test_departed=options.own_test_departed, epochs=options.epochs, workers=options.workers, out=options.out,
    )  # fmt: skip
    try:
        run(setting, sorted(options.counts), options.draws, options.choose_at, lambda line: print(line, flush=True))
    except (ValueError, OSError) as err:
        print(f"few_shot: {err}", file=sys.stderr)
        return 2
    print(f"figures in {options.out / 'few_shot.json'}, the curve in {options.out / 'few_shot.png'}")
    return 0


def _parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--from", dest="start_from", type=Path, required=True, metavar="DIR", help="trained weights")
    p.add_argument("--models", type=Path, default=Path("models"), metavar="DIR", help="cards that go with them")
    p.add_argument("--configs", type=Path, default=Path("configs"), metavar="DIR", help="sheets and evidence")
    p.add_argument("--adapt", type=Path, required=True, metavar="FOLDER", help="the other look, to learn from")
    p.add_argument("--own", type=Path, required=True, metavar="FOLDER", help="the own look, to mix in")
    p.add_argument("--test", type=Path, required=True, metavar="FOLDER", help="the other look, other listings")
    p.add_argument("--test-departed", type=Path, metavar="FOLDER", help="the same, every cue departing often")
    p.add_argument("--own-test", type=Path, required=True, metavar="FOLDER", help="the own look, other listings")
    p.add_argument("--own-test-departed", type=Path, metavar="FOLDER")
    p.add_argument("--counts", type=int, nargs="+", default=[25, 50, 100, 200], metavar="N", help="of photos")
    p.add_argument("--draws", type=int, default=2, help="of nested subsets; default: %(default)s")
    p.add_argument("--choose-at", type=int, default=100, metavar="N", help="photos with which the recipe is chosen")
    p.add_argument("--epochs", type=int, default=4, help="passes over the photos; default: %(default)s")
    p.add_argument("--threads", type=int, default=1, help="of training; more finish sooner and cost more CPU time")
    p.add_argument("--workers", type=int, default=2, help="processes that scan")
    p.add_argument("--out", type=Path, required=True, metavar="DIR", help="goes on from what is there")
    return p


if __name__ == "__main__":
    sys.exit(main())
