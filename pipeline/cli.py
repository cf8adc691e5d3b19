"""The commands that a user types. Exit status 0: all done; 1: done, with problems listed; 2: nothing could be done."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from rich.console import Console

from pipeline import __version__, store
from pipeline.analyst_commands import add_analyst_commands, add_shelf, models_folder
from pipeline.config import ConfigError, EvidenceConfig, ReferenceSheet, load_evidence, load_sheets
from pipeline.contact_sheet import write_contact_sheet
from pipeline.domain import CAUTION, Assessment, Listing, PartReading, Problem
from pipeline.evidence import as_fitted
from pipeline.intake import (
    FarPhotos,
    NothingToDo,
    PhotosRoot,
    check_against_sheets,
    each_listing,
    photos_from,
    read_listings,
)
from pipeline.model_files import read_fitted
from pipeline.terminal import OnProgress, print_queue, progress
from pipeline.terminal import complain as _complain
from pipeline.terminal import say as _print

if TYPE_CHECKING:
    from pipeline.running import JsonLog
    from pipeline.scan import Engine

DONE, DONE_WITH_PROBLEMS, NOTHING_DONE = 0, 1, 2
DEMO_SEED = 90_210
_HOME = Path(__file__).resolve().parent.parent
_DEMO_OUT = Path("out/demo")
_SHOWN_PROBLEMS = 5
# Measured on photos of nearly the most pixels that are opened: 920 for the networks, 440 more for a JPEG or PNG, 1,340
# for a PNG with transparency, 1,830 for a WebP with it; counted as the limit counts, more than what is resident.
_WORKER_MB = 3000
_STORE_HELP = "sqlite:///FILE or postgresql://...; default: review.db in the run's folder"
_INVENTED_NAMES = {"listings.jsonl", "truth.jsonl", "parts.coco.json", "photos"}


@dataclass(frozen=True, slots=True)
class Setup:
    """What every scan needs: the makers' sheets, the weights of the evidence, the networks, the workers."""

    sheets: dict[str, ReferenceSheet]
    evidence: EvidenceConfig
    configs: Path
    models_dir: Path
    workers: int


@dataclass(frozen=True, slots=True)
class Scanned:
    """A scan's outcome: most suspicious first; `seconds` of wall time for reading, looking and weighing."""

    listings: dict[str, Listing]
    assessments: tuple[Assessment, ...]
    parts: tuple[PartReading, ...]
    problems: tuple[Problem, ...]
    seconds: float


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command.

    Args:
        argv: the words after `denim-triage`; those of the command line if None.

    Returns:
        The exit status.
    """
    options = _parser().parse_args(argv)
    return _status_of(lambda: options.command(options), lambda why: _complain(f"denim-triage: {why}"))


def _status_of(command: Callable[[], int], say_why: Callable[[str], None]) -> int:
    """The exit status of a command; where nothing could be done, `say_why` is told why in one line."""
    why: Exception | str
    try:
        return command()
    except (NothingToDo, ConfigError, OSError) as err:
        why = err
    except ModuleNotFoundError as err:
        if err.name is None or err.name.startswith(("pipeline", "synthetic")):
            raise  # a fault of ours, not a package that is not installed
        why = f"{err}; this needs the training extra: pip install -r requirements/dev.txt"
    except KeyboardInterrupt:
        why = "stopped before the end"
    say_why(_one_line(why))
    return NOTHING_DONE


def _scan(options: argparse.Namespace) -> int:
    from pipeline.running import json_log

    if options.log == "lines":
        return _scan_telling(options, None)
    with json_log() as log:
        return _status_of(
            lambda: _scan_telling(options, log), lambda why: log.write("failed", status=NOTHING_DONE, why=why)
        )


def _scan_telling(options: argparse.Namespace, log: JsonLog | None) -> int:
    from pipeline.running import NightOrder, drift_of, run_night, write_metrics, write_report
    from pipeline.scan import Night, Wanted

    setup, photos = _setup(options), _photos_of(options)
    if options.dry_run:
        return _plan(options, setup, photos, log)
    engine = _engine(options, setup, photos)
    out, began = _folder_to_write(options.out), datetime.now(UTC)
    wanted = Wanted(options.since, options.limit)
    about = replace(_about(out, setup, options.listings), photos=str(photos) if options.photos_from else "")
    night = Night(options.listings, out, about, wanted, options.try_again)
    say = log.say if log else _complain
    with _progress("looking at photos", log) as on_progress:
        order = NightOrder(night, options.store, options.patience * 60, options.photo_index)
        outcome = run_night(order, engine, setup.evidence, on_progress, say)
    done, taken, ended = outcome.done, outcome.taken_in, datetime.now(UTC)
    for notice in done.notices:
        say(f"{notice[0].upper()}{notice[1:]}")
    drift = drift_of(out, setup.models_dir)
    report = write_report(out, outcome, began, ended, drift)
    if options.metrics:
        write_metrics(options.metrics, outcome, ended, drift)
    if options.contact_sheet:
        _draw_top(out, options.listings, photos, options.contact_sheet)
    if log:
        status = DONE_WITH_PROBLEMS if done.counts.problems else DONE
        log.write("done", status=status, **report)
        return status
    _print(f"{done.counts.listings} listings ranked in {out / store.QUEUE}. {CAUTION}")
    if taken is not None:
        _print(f"{taken.listings} listings taken into the moderators' queue, {taken.new} of them new.")
    return _report_problems(done.counts.problems, done.counts.refused, done.first_problems, out)


def _photos_of(options: argparse.Namespace) -> PhotosRoot:
    """Where the photos of a scan lie."""
    return photos_from(options.photos_from) if options.photos_from else options.listings.parent


def _engine(options: argparse.Namespace, setup: Setup, photos: PhotosRoot) -> Engine:
    """What looks at the photos of a scan."""
    from pipeline.scan import OnRay, Pool

    if options.engine == "local" and isinstance(photos, FarPhotos):  # other machines can't read what waits on this one
        photos = replace(photos, wait_in=options.out / ".fetched")
    pool = Pool(setup.models_dir, photos, setup.sheets, setup.workers, memory_mb=options.worker_memory)
    return OnRay(pool, options.ray_address, options.workers) if options.engine == "ray" else pool


def _progress(label: str, log: JsonLog | None) -> AbstractContextManager[OnProgress]:
    return log.progress() if log else progress(label, Console(stderr=True))


def _plan(options: argparse.Namespace, setup: Setup, photos: PhotosRoot, log: JsonLog | None) -> int:
    """Say what a scan would do; nothing is written."""
    from pipeline.records.database import store_url
    from pipeline.running import open_if_there, plan_night
    from pipeline.scan import Wanted

    records = open_if_there(
        options.store or store_url(options.out), options.patience * 60, log.say if log else _complain
    )
    with _progress("looking up photos", log) as on_progress:
        plan = plan_night(
            options.listings,
            photos,
            Wanted(options.since, options.limit),
            setup.sheets,
            setup.models_dir,
            records,
            options.out,
            on_progress,
        )
    takes = "" if plan.seconds is None else f", about {plan.seconds / 60:.0f} min at the pace of the run before"
    _print(
        f"{plan.listings} listings with {plan.photos} photos; {plan.to_look_at} of these would be looked at{takes}."
        " Nothing was written."
    )
    return DONE


def _purge(options: argparse.Namespace) -> int:
    from pipeline.running import open_if_there, purge

    records = open_if_there(options.store, 60, _complain)
    if records is None:
        raise NothingToDo(f"{options.store}: there is no such store, so nothing was forgotten")
    before = datetime.now(UTC) - timedelta(days=options.older_than)
    purged = purge(records.store, before, options.runs, options.photo_index)
    _print(
        f"{purged.photos} photos forgotten that no scan has met for {options.older_than} days: {purged.files} files"
        f" and {purged.sheets} contact sheets removed. Decisions and counts stay."
    )
    return DONE


def _draw_top(out: Path, listings: Path, photos: PhotosRoot, top: int) -> None:
    """The contact sheet of a run."""
    first = list(islice(store.each_in_queue(out), top))
    names = {one.listing_id for one in first}
    shown = {one.listing_id: one for one, _ in each_listing(listings) if one is not None and one.listing_id in names}
    write_contact_sheet(out, first, shown, photos, top)


def _synth(options: argparse.Namespace) -> int:
    out = _folder_to_write(options.out)
    sheet = _sheet_of(load_sheets(options.configs), options.maker)
    asked = {
        "counterfeit_share": options.counterfeit_share,
        "departure_rate": options.departure_rate,
        "looks": _looks_of(options.looks),
    }
    _write_invented(
        out, options, sheet, {name: value for name, value in asked.items() if value is not None}, options.device
    )
    _print(f"{options.listings} invented listings with their labels in {out}")
    return DONE


def _evaluate(options: argparse.Namespace) -> int:
    from pipeline.evaluate import evaluate_run

    out, setup = _folder_to_write(options.out), _setup(options)
    scanned = _scan_file(options.folder / "listings.jsonl", setup)
    _write_run(out, scanned, setup, options.folder / "listings.jsonl")
    try:
        evaluate_run(
            options.folder,
            scanned.assessments,
            scanned.parts,
            out,
            sheets=setup.sheets,
            evidence=setup.evidence,
            speed=_speed(scanned, setup.workers),
        )
    except ValueError as err:
        raise NothingToDo(f"{options.folder}: {err}") from err
    _print(f"figures in {out / 'metrics.json'}, pictures beside it. {CAUTION}")
    return _report_all(scanned.problems, out)


def _speed(scanned: Scanned, workers: int) -> dict[str, float]:
    photos = sum(len(listing.photos) for listing in scanned.listings.values())
    per_second = round(photos / scanned.seconds, 2)
    return {"photos": photos, "seconds": round(scanned.seconds, 2), "photos_per_second": per_second, "workers": workers}


def _train(options: argparse.Namespace) -> int:
    from pipeline.train.main import TrainOptions, train

    setup = TrainOptions(
        epochs=options.epochs,
        start_from=options.start_from,
        seed=options.seed,
        keeps_back=not options.all_sellers,
        freezes_early=options.freeze,
        mixed_with=options.mixed_with,
        averages_with_start=options.average,
        keeps_detector=options.keep_detector,
    )
    try:
        sheets, show = load_sheets(options.configs), lambda label: progress(label, Console(stderr=True))
        train(options.folders, _folder_to_write(options.out), sheets, setup, show)
    except ValueError as err:
        raise NothingToDo(str(err)) from err
    _print(f"networks and their cards in {options.out}")
    return DONE


def _demo(options: argparse.Namespace) -> int:
    out, setup = _folder_to_write(options.out), _setup(options)
    night = out / "night"
    _clear_invented(night)
    _write_invented(night, options, _sheet_of(load_sheets(options.configs), None), {}, "cpu")
    scanned = _scan_file(night / "listings.jsonl", setup)
    _write_run(out, scanned, setup, night / "listings.jsonl")
    picture, page = write_contact_sheet(out, scanned.assessments, scanned.listings, night)
    print_queue(scanned.assessments, scanned.listings, Console())
    _print(
        f"{len(scanned.assessments)} invented listings in {scanned.seconds:.1f} s. The whole queue: {out / store.QUEUE}"
    )
    _print(f"Open the contact sheet: {picture}\nor as a page:           {page}")
    return _report_all(scanned.problems, out)


def _review(options: argparse.Namespace) -> int:
    try:
        from pipeline.records.house import House
        from pipeline.review import Serving, serve
    except ModuleNotFoundError as err:
        if err.name is None or err.name.startswith("pipeline"):
            raise
        raise NothingToDo(f"{err}; the page needs: pip install -r requirements/review.txt") from err
    house = House(
        claim=timedelta(minutes=options.keep_minutes), second_share=options.second_looks, capacity=options.capacity
    )
    serving = Serving(
        run_dir=options.run,
        listings=options.listings,
        store_url=options.store,
        host=options.host,
        port=options.port,
        references=options.references,
        models=options.models,
        house=house,
        names=options.also_called,
    )
    serve(serving, _print)
    return DONE


def _scan_file(path: Path, setup: Setup) -> Scanned:
    from pipeline.scan import scan_listings

    start = time.perf_counter()
    listings, problems = read_listings(path)
    listings, sheet_problems = check_against_sheets(listings, setup.sheets)
    with progress("looking at listings", Console(stderr=True)) as on_progress:
        result = scan_listings(
            listings, path.parent, setup.sheets, setup.evidence, setup.models_dir, setup.workers, on_progress
        )
    for notice in result.notices:
        _complain(f"{notice[0].upper()}{notice[1:]}")
    return Scanned(
        listings={listing.listing_id: listing for listing in listings},
        assessments=tuple(result.assessments),
        parts=tuple(result.parts),
        problems=(*problems, *sheet_problems, *result.problems),
        seconds=time.perf_counter() - start,
    )


def _write_run(out: Path, scanned: Scanned, setup: Setup, listings: Path) -> None:
    store.write_run(out, scanned.assessments, scanned.parts, scanned.problems, _about(out, setup, listings))


def _about(out: Path, setup: Setup, listings: Path) -> store.RunAbout:
    model, rules = store.judged_by(setup.models_dir, setup.configs)
    return store.RunAbout(os.path.relpath(listings, out), model, rules)


def _sheet_of(sheets: Mapping[str, ReferenceSheet], maker: str | None) -> ReferenceSheet:
    """The maker's sheet; the first where none is named."""
    if maker is None:
        return next(iter(sheets.values()))
    if maker not in sheets:
        raise NothingToDo(f"no sheet of the maker {maker!r}; there are: {', '.join(sheets)}")
    return sheets[maker]


def _looks_of(names: Sequence[str] | None) -> tuple[str, ...] | None:
    """The looks asked for; None where any will do."""
    from synthetic.looks import LOOKS

    if names is None:
        return None
    if unknown := [name for name in names if name not in LOOKS]:
        raise NothingToDo(f"no such look: {', '.join(unknown)}; there are: {', '.join(LOOKS)}")
    return tuple(names)


def _write_invented(
    out: Path, options: argparse.Namespace, sheet: ReferenceSheet, asked: Mapping[str, Any], device: str
) -> None:
    """Draw a labelled folder."""
    from synthetic.listings import SynthOptions, write_folder

    with progress("drawing listings", Console(stderr=True)) as on_progress:
        write_folder(
            out,
            listings=options.listings,
            seed=options.seed,
            sheet=sheet,
            options=SynthOptions(**asked),
            on_progress=on_progress,
            workers=options.workers,
            device=device,
        )


def _clear_invented(night: Path) -> None:
    """Remove the night of an earlier demo, and nothing else."""
    if not night.exists():
        return
    if not night.is_dir() or not {path.name for path in night.iterdir()} <= _INVENTED_NAMES:
        raise NothingToDo(f"{night}: holds files that the demo did not write; name another folder with --out")
    shutil.rmtree(night)


def _setup(options: argparse.Namespace) -> Setup:
    evidence = load_evidence(options.configs / "evidence.yaml")
    if options.prior is not None:
        evidence = evidence.model_copy(update={"prior_counterfeit": options.prior})
    models = models_folder(options.models, options.shelf)
    evidence = as_fitted(evidence, read_fitted(models))
    return Setup(
        load_sheets(options.configs), evidence, options.configs, models, options.workers or os.cpu_count() or 1
    )


def _folder_to_write(path: Path) -> Path:
    """The folder, made if absent, before any long work begins."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as err:
        raise NothingToDo(f"{path}: can't write there, a file is in the way") from err
    return path


def _report_all(problems: Sequence[Problem], out: Path) -> int:
    return _report_problems(len(problems), sum(problem.refused for problem in problems), problems, out)


def _report_problems(count: int, refused: int, first: Sequence[Problem], out: Path) -> int:
    if not count:
        return DONE
    _complain(f"{count} problems ({refused} rows refused), all in {out / store.PROBLEMS}:")
    for problem in first[:_SHOWN_PROBLEMS]:
        row = None if problem.row is None else f"row {problem.row}"
        where = " ".join(place for place in (row, problem.listing_id, problem.photo) if place)
        _complain(f"  {where}: {problem.reason}")
    return DONE_WITH_PROBLEMS


def _one_line(why: Exception | str) -> str:
    return " ".join(str(why).split())


class _OneLineParser(argparse.ArgumentParser):
    """Says in one line what is wrong, and leaves with the status for "nothing could be done"."""

    def error(self, message: str) -> NoReturn:
        _complain(f"denim-triage: {_one_line(message)} (see {self.prog} --help)")
        sys.exit(NOTHING_DONE)


def _parser() -> argparse.ArgumentParser:
    parser = _OneLineParser(
        prog="denim-triage", description=f"Puts the listings worth a person's time on top, with reasons. {CAUTION}"
    )
    parser.add_argument("--version", action="version", version=f"denim-triage {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", parser_class=_OneLineParser)

    scan = commands.add_parser("scan", help="rank a night's listings")
    scan.add_argument("listings", type=Path, metavar="LISTINGS", help="a .jsonl, .csv or .parquet file")
    scan.add_argument("--out", type=Path, required=True, metavar="DIR", help="where the queue is written")
    scan.add_argument("--contact-sheet", type=_count, metavar="N", help="also draw the top N with their crops")
    scan.add_argument("--store", metavar="URL", help=f"{_STORE_HELP}; a named one is the moderators', too")
    scan.add_argument("--since", type=_moment, metavar="WHEN", help="only what was listed then or later, ISO 8601")
    scan.add_argument("--limit", type=_count, metavar="N", help="no more than the first N listings")
    scan.add_argument("--try-again", action="store_true", help="look again at photos that were set aside")
    scan.add_argument(
        "--worker-memory", type=_count, default=_WORKER_MB, metavar="MB", help="each may take; default: %(default)s"
    )
    scan.add_argument(
        "--patience", type=_count, default=15, metavar="MIN", help="wait so long for the store; default: %(default)s"
    )
    scan.add_argument("--photo-index", type=Path, metavar="DIR", help="index of earlier photos; default: by the store")
    scan.add_argument("--dry-run", action="store_true", help="say what would be done, and do nothing")
    scan.add_argument("--log", choices=("lines", "json"), default="lines", help="on standard error")
    scan.add_argument("--metrics", type=Path, metavar="FILE", help="figures for Prometheus, a .prom file")
    scan.add_argument(
        "--photos-from",
        nargs="+",
        metavar="ADDRESS",
        help="read photos under these only: https://, s3://, gs:// or folders; names without an address under the"
        " first; default: the listings' folder",
    )
    scan.add_argument(
        "--engine",
        choices=("local", "ray"),
        default="local",
        help="what looks at photos: processes of this machine, or a Ray cluster; default: %(default)s",
    )
    scan.add_argument(
        "--ray-address", default="auto", metavar="HOST:PORT", help="of the cluster; default: the one on this machine"
    )
    _add_setup(scan)
    scan.set_defaults(command=_scan, workers=None)  # a cluster has more processors than this machine

    purge = commands.add_parser("purge", help="remove old photos and crops; decisions and counts stay")
    purge.add_argument("--store", required=True, metavar="URL", help="sqlite:///FILE or postgresql://...")
    purge.add_argument(
        "--older-than", type=_count, required=True, metavar="DAYS", help="last met by a scan so long ago"
    )
    purge.add_argument("--runs", type=Path, metavar="DIR", help="a folder of runs, or one run, to take pictures from")
    purge.add_argument("--photo-index", type=Path, metavar="DIR", help="as given to scan")
    purge.set_defaults(command=_purge)

    synth = commands.add_parser("synth", help="invent a labelled folder of listings")
    synth.add_argument("out", type=Path, metavar="OUT", help="the folder to write")
    synth.add_argument("--listings", type=_count, required=True, metavar="N", help="how many listings")
    synth.add_argument("--seed", type=int, required=True, metavar="S", help="the same seed draws the same folder")
    synth.add_argument("--counterfeit-share", type=_share, metavar="P", help="share of counterfeits")
    synth.add_argument("--departure-rate", type=_share, metavar="P", help="every cue departs this often")
    synth.add_argument("--looks", nargs="+", metavar="LOOK", help="draw in these looks only; default: all")
    synth.add_argument("--maker", metavar="NAME", help="whose garments; default: the first sheet's maker")
    _add_configs(synth)
    synth.add_argument("--device", choices=("cpu", "cuda"), default="cpu", help="what does the pixel work")
    _add_workers(synth)
    synth.set_defaults(command=_synth)

    evaluate = commands.add_parser("evaluate", help="score a labelled folder")
    evaluate.add_argument("folder", type=Path, metavar="FOLDER", help="a labelled folder, as synth writes it")
    evaluate.add_argument("--out", type=Path, required=True, metavar="DIR", help="where metrics.json is written")
    _add_setup(evaluate)
    evaluate.set_defaults(command=_evaluate)

    train = commands.add_parser("train", help="train on labelled folders (needs the training extra)")
    train.add_argument("folders", type=Path, nargs="+", metavar="FOLDER", help="labelled folders")
    train.add_argument("--out", type=Path, required=True, metavar="DIR", help="where the networks are written")
    train.add_argument("--epochs", type=_count, default=6, metavar="N", help="passes over the samples; default: 6")
    train.add_argument("--start-from", type=Path, metavar="DIR", help="weights to go on from; default: ImageNet's")
    train.add_argument("--seed", type=int, default=0, metavar="S", help="the same seed trains the same on a CPU")
    train.add_argument("--all-sellers", action="store_true", help="keep no seller back; there are no figures then")
    train.add_argument("--freeze", action="store_true", help="leave the first stages as they are: for few photos")
    train.add_argument("--keep-detector", action="store_true", help="train the part network alone: for a new maker")
    train.add_argument("--average", action="store_true", help="end with the mean of old and new weights: forgets less")
    train.add_argument("--mixed-with", type=Path, metavar="DIR", help="labelled folder to mix in as many photos of")
    _add_configs(train)
    train.set_defaults(command=_train)

    review = commands.add_parser(
        "review",
        help="serve the moderator's page in the browser (needs the review extra)",
        description="Serves the moderator's page. What an admin has changed on its Settings page goes before options.",
    )
    review.add_argument(
        "run",
        type=Path,
        nargs="?",
        default=_DEMO_OUT,
        metavar="RUN_FOLDER",
        help="a folder that scan wrote; default: %(default)s",
    )
    review.add_argument("--listings", type=Path, metavar="FILE", help="the file that was scanned, if it was moved")
    review.add_argument("--store", metavar="URL", help=_STORE_HELP)
    review.add_argument("--host", default="127.0.0.1", help="default: %(default)s, which nobody else can reach")
    review.add_argument("--port", type=_count, default=8733, metavar="N", help="default: %(default)s")
    review.add_argument("--also-called", nargs="+", default=[], metavar="NAME", help="other names of this machine")
    review.add_argument(
        "--capacity",
        type=_count,
        default=200,
        metavar="N",
        help="listings a day; default: %(default)s",
    )
    review.add_argument(
        "--keep-minutes",
        type=_count,
        default=15,
        metavar="N",
        help="a listing is kept for one; default: %(default)s",
    )
    review.add_argument(
        "--second-looks",
        type=_share_or_all,
        default=0.1,
        metavar="P",
        help="share seen by two; default: %(default)s",
    )
    review.add_argument(
        "--references", type=Path, default=_HOME / "references", metavar="DIR", help="pictures of genuine parts"
    )
    review.add_argument(
        "--models",
        type=Path,
        default=_HOME / "models",
        metavar="DIR",
        help="the networks, beside which lies what a night is compared with",
    )
    review.set_defaults(command=_review)

    add_analyst_commands(commands, _add_configs)

    demo = commands.add_parser("demo", help="invent a night, scan it, show the top of the queue")
    demo.add_argument("--out", type=Path, default=_DEMO_OUT, metavar="DIR", help="default: %(default)s")
    demo.add_argument("--listings", type=_count, default=40, metavar="N", help="default: %(default)s")
    demo.add_argument("--seed", type=int, default=DEMO_SEED, metavar="S", help="default: %(default)s")
    _add_setup(demo)
    demo.set_defaults(command=_demo)
    return parser


def _add_setup(parser: argparse.ArgumentParser) -> None:
    _add_configs(parser)
    parser.add_argument(
        "--models",
        default=str(_HOME / "models"),
        metavar="DIR_OR_NAME",
        help="the networks: a folder, or a name on the shelf such as in-use",
    )
    add_shelf(parser)
    parser.add_argument("--prior", type=_share, metavar="P", help="share of counterfeits among what comes in")
    _add_workers(parser)


def _add_configs(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--configs", type=Path, default=_HOME / "configs", metavar="DIR", help="sheets and weights")


def _add_workers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--workers", type=_count, default=os.cpu_count() or 1, metavar="N", help="processes")


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 up, got {text!r}")
    return int(text)


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a date or time such as 2026-03-01T18:30, got {text!r}") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _share(text: str) -> float:
    try:
        share = float(text)
    except ValueError:
        share = -1.0
    if not 0 < share < 1:
        raise argparse.ArgumentTypeError(f"expected a share between 0 and 1, got {text!r}")
    return share


def _share_or_all(text: str) -> float:
    return float(text) if text in {"0", "1"} else _share(text)


if __name__ == "__main__":
    sys.exit(main())
