"""The analyst's commands: labels gathered and checked, heads trained, a candidate compared, put in use, taken back."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rich.console import Console

from pipeline.config import load_evidence, load_heads_recipe, load_sheets
from pipeline.evidence import as_fitted
from pipeline.intake import NothingToDo
from pipeline.terminal import OnProgress, progress, say

if TYPE_CHECKING:
    from pipeline.improve.dataset import Dataset
    from pipeline.improve.gate import Weighed
    from pipeline.improve.relearn import House
    from pipeline.improve.shelf import Shelf
    from pipeline.records.database import Store

DONE, STOPPED = 0, 1
_SHOWN = 10
_HOME = Path(__file__).resolve().parent.parent
_SHELF = Path("out/shelf")
_RECIPE = _HOME / "configs" / "learning" / "heads.yaml"
Made = TypeVar("Made")
Parser = TypeVar("Parser", bound=argparse.ArgumentParser)
AddConfigs = Callable[[argparse.ArgumentParser], None]


def models_folder(named: str, shelf: str) -> Path:
    """The folder of networks that `--models` names: a folder, or a bundle on the shelf by name or number.

    Raises:
        NothingToDo: if it is neither.
        ModuleNotFoundError: if it is a name and mlflow, which keeps the shelf, is not installed.
    """
    folder = Path(named)
    if folder.is_dir():
        return folder
    if len(folder.parts) != 1:
        raise NothingToDo(f"{folder}: there is no folder of networks here; name it with --models")
    if "://" not in shelf and not (Path(shelf) / "shelf.db").exists():
        raise NothingToDo(f"{named}: no folder of networks here, and no shelf in {shelf}; see --models and --shelf")
    from pipeline.improve.shelf import Shelf

    return Shelf(shelf, _SHELF).find(named).folder


def add_shelf(parser: argparse.ArgumentParser) -> None:
    """The option that names the shelf."""
    parser.add_argument(
        "--shelf",
        default=str(_SHELF),
        metavar="DIR_OR_URL",
        help="where trained bundles are kept; default: %(default)s",
    )


def add_analyst_commands(commands: argparse._SubParsersAction[Parser], add_configs: AddConfigs) -> None:
    """Add all of them to the command line."""
    _add_labels(commands, add_configs)

    relearn = commands.add_parser("relearn", help="train the heads on new labels: a candidate (training extra)")
    relearn.add_argument("folders", type=Path, nargs="+", metavar="FOLDER", help="labelled folders, old and new")
    relearn.add_argument("--recipe", type=Path, default=_RECIPE, metavar="FILE", help="settings; default: %(default)s")
    relearn.add_argument(
        "--evidence-from", type=Path, nargs="+", default=[], metavar="FOLDER",
        help="labelled nights, pairs as they come in, to fit the evidence to; default: the sellers kept back",
    )  # fmt: skip
    relearn.add_argument(
        "--start-from", type=Path, metavar="DIR", help="networks that train wrote, to go on from; default: those in use"
    )
    _add_house(relearn, add_configs)
    relearn.set_defaults(command=_relearn)

    compare = commands.add_parser("compare", help="weigh the candidate against what is in use")
    _add_comparison(compare, add_configs)
    compare.set_defaults(command=_compare)

    put = commands.add_parser("put-in-use", help="compare, and put the candidate in use unless something got worse")
    _add_comparison(put, add_configs)
    put.set_defaults(command=_put_in_use)

    back = commands.add_parser("take-back", help="put back in use what was in use before")
    add_shelf(back)
    back.set_defaults(command=_take_back)


def _add_labels(commands: argparse._SubParsersAction[Parser], add_configs: AddConfigs) -> None:
    labels = commands.add_parser("labels", help="gather, check and freeze labels")
    what = labels.add_subparsers(required=True, metavar="WHAT", parser_class=type(labels))

    gather = what.add_parser("gather", help="a labelled folder out of the page's decisions and corrections")
    gather.add_argument("store", metavar="URL", help="the page's database: sqlite:///FILE or postgresql://...")
    gather.add_argument("--out", type=Path, required=True, metavar="DIR", help="a new folder")
    gather.add_argument("--since", type=_day, metavar="DAY", help="only what was decided from that day on, YYYY-MM-DD")
    gather.set_defaults(command=_gather)

    check = what.add_parser("check", help="leaks, contradictions, likely mislabels, gaps (training extra)")
    check.add_argument("folders", type=Path, nargs="+", metavar="FOLDER", help="labelled folders to train on")
    check.add_argument("--test", type=Path, nargs="+", metavar="FOLDER", help="to test on; default: all frozen sets")
    check.add_argument("--out", type=Path, required=True, metavar="DIR", help="where the report is written")
    check.add_argument("--models", default=str(_HOME / "models"), metavar="DIR_OR_NAME", help="the networks in use")
    _add_house(check, add_configs)
    check.set_defaults(command=_check)

    worth = what.add_parser("next", help="which parts of a run teach most, once labelled (training extra)")
    worth.add_argument("run", type=Path, metavar="RUN_FOLDER", help="a folder that scan wrote")
    worth.add_argument("--store", metavar="URL", help="offer them on the page with this database, too")
    worth.add_argument("--count", type=int, default=30, metavar="N", help="how many; default: %(default)s")
    worth.add_argument("--pool", type=int, default=600, metavar="N", help="chosen from so many; default: %(default)s")
    worth.add_argument("--models", default=str(_HOME / "models"), metavar="DIR_OR_NAME", help="the networks in use")
    _add_house(worth, add_configs)
    worth.set_defaults(command=_next)

    freeze = what.add_parser("freeze", help="set a labelled folder aside to test on: nothing may be trained on it")
    freeze.add_argument("folder", type=Path, metavar="FOLDER", help="a labelled folder")
    freeze.add_argument("--called", required=True, type=_name, metavar="NAME", help="what to call it")
    add_shelf(freeze)
    freeze.set_defaults(command=_freeze)


def _add_comparison(parser: argparse.ArgumentParser, add_configs: AddConfigs) -> None:
    parser.add_argument("--newest", type=Path, metavar="FOLDER", help="the newest decisions, as labels gather makes it")
    parser.add_argument("--candidate", default="candidate", metavar="NAME", help="a name or number on the shelf")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="where the comparison is written")
    _add_house(parser, add_configs)


def _add_house(parser: argparse.ArgumentParser, add_configs: AddConfigs) -> None:
    add_configs(parser)
    add_shelf(parser)
    parser.add_argument("--workers", type=int, default=2, metavar="N", help="processes; default: %(default)s")


def _gather(options: argparse.Namespace) -> int:
    records = _open_records(options.store)
    from pipeline.records.labels_out import gather_labels

    with records.reading() as session, _bar("gathering labels") as tell:
        made = gather_labels(session, options.out, tell, options.since)
    records.close()
    if not made.listings:
        raise NothingToDo(f"{options.store}: nothing stands decided, so there is nothing to learn from yet")
    say(f"{made.listings} listings with {made.parts} labelled parts in {options.out}")
    if made.left_out:
        say(f"{made.left_out} listings left out: a photo of theirs is gone or has changed")
    return DONE


def _check(options: argparse.Namespace) -> int:
    from pipeline.improve.check_labels import check_labels
    from pipeline.improve.crops import Features
    from pipeline.improve.dataset import Dataset, frozen_sets, read_frozen

    shelf_dir, models = _shelf_dir(options.shelf), models_folder(options.models, options.shelf)
    train = _dataset(options.folders)
    if options.test:
        test = _dataset(options.test)
    else:
        frozen = _or_nothing(lambda: [read_frozen(one) for one in frozen_sets(shelf_dir)])
        test = Dataset(tuple(listing for data in frozen for listing in data.listings))
    options.out.mkdir(parents=True, exist_ok=True)
    features = Features(models, shelf_dir / "features")
    sheets = load_sheets(options.configs)
    checked = _or_nothing(lambda: check_labels(train, test, sheets, features, options.out, _bar))
    counts = ", ".join(f"{worry.says.lower()}: {n}" for worry, n in checked.counts.items())
    say(f"Dataset {checked.version}, {checked.listings} listings, {checked.crops} labelled parts. {counts}.")
    say(f"Read {options.out / 'labels.md'}; look at {options.out / 'mislabels.png'}.")
    return STOPPED if checked.findings else DONE


def _next(options: argparse.Namespace) -> int:
    from pipeline.improve.crops import Features
    from pipeline.improve.what_next import what_to_label_next

    records = None if options.store is None else _open_records(options.store)
    models = models_folder(options.models, options.shelf)
    features = Features(models, _shelf_dir(options.shelf) / "features")
    sheets = load_sheets(options.configs)
    found = what_to_label_next(options.run, sheets, features, options.count, options.pool, _bar)
    for place, one in enumerate(found[:_SHOWN], 1):
        told = ", ".join(f"{answer} {chance:.0%}" for answer, chance in one.told.items())
        say(f"{place}. {one.crop.of.listing.listing_id}, {one.crop.part.photo}: {one.cue}? {told}")
    say(f"{len(found)} parts are worth a label; look at {options.run / 'worth_a_label.png'}")
    if records is not None:
        from pipeline.records.worth_a_label import Offer, offer

        offers = [
            Offer(one.crop.of.listing.listing_id, one.crop.of.photo_of(one.crop.part), one.crop.part.part.value,
                  (box.x, box.y, box.w, box.h), one.cue, one.told)
            for one in found
            if (box := one.crop.part.box)
        ]  # fmt: skip
        with records.writing() as session:
            say(f"{offer(session, offers)} of them are offered on the page, under Figures")
        records.close()
    return DONE


def _open_records(url: str) -> Store:
    """The page's database."""
    try:
        from pipeline.records.database import Store
    except ModuleNotFoundError as err:
        raise NothingToDo(f"{err}; this needs: pip install -r requirements/review.txt") from err
    try:
        return Store(url)
    except ValueError as err:
        raise NothingToDo(str(err)) from err


def _freeze(options: argparse.Namespace) -> int:
    from pipeline.improve.dataset import freeze

    made = _or_nothing(lambda: freeze(options.folder, options.called, _shelf_dir(options.shelf)))
    say(f"{made.name}: {len(made.listings)} listings frozen as {made.version}. Nothing may be trained on them now.")
    return DONE


def _relearn(options: argparse.Namespace) -> int:
    from pipeline.improve.dataset import Dataset
    from pipeline.improve.relearn import relearn
    from pipeline.model_files import read_fitted

    shelf, house = _shelf(options), _house(options)
    recipe = load_heads_recipe(options.recipe)
    data = _dataset(options.folders)
    nights = _dataset(options.evidence_from) if options.evidence_from else Dataset(())
    in_use = _start(shelf)
    house = replace(house, evidence=as_fitted(house.evidence, read_fitted(in_use)))
    start = options.start_from or in_use
    made = _or_nothing(lambda: relearn(data, nights, start, shelf, house, recipe, _bar))
    say(f"Candidate {made.candidate.number} learned from {made.fit_crops} crops of dataset {made.version}.")
    if "check_loss" in made.after:
        said = [
            f"{figures['check_loss']:.3f} ({figures['check_right']:.1%} right)" for figures in (made.before, made.after)
        ]
        say(f"On {made.check_crops} crops of sellers kept back: loss {said[0]} before, {said[1]} now.")
    say(f"Heads that gain from them, the others stay as they were: {', '.join(made.heads) or 'none'}.")
    if made.unrehearsed:
        say(f"No crop of {', '.join(made.unrehearsed)}: name an old folder of theirs, too, or what is known fades.")
    say(f"Evidence fitted to: {made.evidence}. Next: denim-triage compare --out DIR")
    return DONE


def _compare(options: argparse.Namespace) -> int:
    weighed, _ = _weigh(options)
    return DONE if weighed.passes else STOPPED


def _put_in_use(options: argparse.Namespace) -> int:
    weighed, shelf = _weigh(options)
    if not weighed.passes:
        say("It stays a candidate; what was in use stays in use.")
        return STOPPED
    if not any("frozen" in name for name in weighed.judged_on):
        raise NothingToDo("no test set is frozen yet, so nothing may come into use: denim-triage labels freeze FOLDER")
    from pipeline.improve.shelf import BEFORE, IN_USE

    shelf.name(weighed.in_use, BEFORE)
    shelf.name(weighed.candidate, IN_USE)
    say(f"{weighed.candidate} is in use. denim-triage take-back puts {weighed.in_use} back.")
    return DONE


def _take_back(options: argparse.Namespace) -> int:
    from pipeline.improve.shelf import BEFORE, IN_USE

    shelf = _shelf(options)
    if not shelf.has(BEFORE):
        raise NothingToDo("nothing was in use before what is in use now, so there is nothing to take back to")
    now, before = shelf.find(IN_USE), shelf.find(BEFORE)
    shelf.name(before.number, IN_USE)
    shelf.name(now.number, BEFORE)
    say(f"{before.number} is in use again, in place of {now.number}.")
    return DONE


def _weigh(options: argparse.Namespace) -> tuple[Weighed, Shelf]:
    """Compare and tell."""
    from pipeline.improve.dataset import frozen_sets, read_frozen
    from pipeline.improve.gate import weigh
    from pipeline.improve.shelf import IN_USE

    shelf, house = _shelf(options), _house(options)
    _start(shelf)
    frozen = frozen_sets(house.shelf_dir)
    tests = _or_nothing(lambda: {f"frozen {one.name}": read_frozen(one) for one in frozen})
    if options.newest is not None:
        tests["newest decisions"] = _dataset([options.newest])
    if not tests:
        raise NothingToDo("there is nothing to judge on: denim-triage labels freeze FOLDER, or --newest FOLDER")
    options.out.mkdir(parents=True, exist_ok=True)
    candidate = shelf.find(options.candidate)
    weighed = weigh(shelf.find(IN_USE), candidate, tests, house, options.out, _bar)
    if weighed.passes:
        say(f"Candidate {weighed.candidate} against {weighed.in_use}: nothing got worse beyond noise.")
    else:
        worse = "; ".join(f"{one.what}: {one.figure} {one.in_use:.3f} to {one.candidate:.3f}" for one in weighed.worse)
        say(f"Candidate {weighed.candidate} is worse than {weighed.in_use} beyond noise: {worse}.")
    names = ", ".join(one.listing_id for one in weighed.changed[:_SHOWN]) or "none"
    names += f" and {len(weighed.changed) - _SHOWN} more" if len(weighed.changed) > _SHOWN else ""
    say(f"Listings that changed sides: {names}. Read {options.out / 'compare.md'}; look at compare.png and changed/.")
    return weighed, shelf


def _shelf(options: argparse.Namespace) -> Shelf:
    from pipeline.improve.shelf import Shelf

    return Shelf(options.shelf, _shelf_dir(options.shelf))


def _shelf_dir(shelf: str) -> Path:
    """The folder of this machine that belongs to a shelf: frozen sets, features, what is needed to go on."""
    return _SHELF if "://" in shelf else Path(shelf)


def _start(shelf: Shelf) -> Path:
    """What is in use; on a new shelf the shipped networks."""
    from pipeline.improve.shelf import IN_USE

    if not shelf.has(IN_USE):
        shelf.start_with(_HOME / "models")
    return shelf.find(IN_USE).folder


def _house(options: argparse.Namespace) -> House:
    from pipeline.improve.relearn import House

    evidence = load_evidence(options.configs / "evidence.yaml")
    return House(load_sheets(options.configs), evidence, _shelf_dir(options.shelf), options.workers)


def _dataset(folders: list[Path]) -> Dataset:
    from pipeline.improve.dataset import read_dataset

    return _or_nothing(lambda: read_dataset(folders))


def _or_nothing(work: Callable[[], Made]) -> Made:
    """What the work gives; a folder that cannot be used is told in a line."""
    try:
        return work()
    except ValueError as err:
        raise NothingToDo(str(err)) from err


def _bar(label: str) -> AbstractContextManager[OnProgress]:
    return progress(label, Console(stderr=True))


def _day(text: str) -> datetime:
    try:
        return datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError as err:
        raise argparse.ArgumentTypeError(f"expected a day such as 2026-03-01, got {text!r}") from err


def _name(text: str) -> str:
    if not text.replace("-", "").isalnum():
        raise argparse.ArgumentTypeError(f"expected letters, digits and dashes, got {text!r}")
    return text
