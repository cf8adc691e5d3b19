"""What each part of the training is worth: `python -m pipeline.train.ablation fit|table ...`.

`fit` trains columns side by side, on GPUs where there are any, and packs each into one file. `table` fits and judges
them, row by row, on two cores, and goes on where it was stopped: it draws the listings that it needs (never the looks
that a training left out for its fitting) and takes those of a second renderer from folders.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from pipeline.train.backbone import TrunkSize
from pipeline.train.columns import COLUMNS, training_named
from pipeline.train.side_by_side import Plan, fit_side_by_side
from synthetic.looks import LOOKS


def main() -> int:
    """Command line; 0: all done, 1: done with problems listed, 2: nothing could be done."""
    options = _parser().parse_args()
    command = {"fit": _fit, "table": _table, "columns": _columns}[options.command]
    try:
        return command(options)
    except (ValueError, OSError) as err:
        print(f"ablation: {err}", file=sys.stderr)
        return 2


def _columns(_: argparse.Namespace) -> int:
    for name, column in COLUMNS.items():
        print(f"{name:18} {column.title:32} {' '.join(column.options)}")
    print(f"looks to hold out, after an @: {', '.join(LOOKS)}; base@none leaves none out, base alone means base@etched")
    return 0


def _fit(options: argparse.Namespace) -> int:
    weights = {}
    for word in options.trunk_weights:
        size, _, path = word.partition("=")
        if size not in list(TrunkSize) or not Path(path).is_file():
            raise ValueError(f"--trunk-weights {word}: expected SIZE=FILE with a file that is there")
        weights[TrunkSize(size)] = Path(path)
    trainings = [training_named(word) for word in options.trainings]
    plan = Plan(
        limit_s=options.limit_s, gpus=options.gpus, workers=options.workers, crops=options.crops,
        photos=options.photos, val_crops=options.val_crops, batch=options.batch,
        detector_batch=options.detector_batch, side_px=options.side, await_crops=options.await_crops,
        seed=options.seed, packing_s=options.packing_s, trunk_weights=weights, drawn=options.drawn,
        steps=options.steps,
    )  # fmt: skip
    wrong = fit_side_by_side(trainings, plan, options.work, options.out, _say)
    for line in wrong:
        print(f"ablation: {line}", file=sys.stderr)
    return 1 if wrong else 0


def _table(options: argparse.Namespace) -> int:
    import cv2

    from pipeline.train.ablation_table import Rows, make_table  # a machine that only trains lacks what judging needs

    rows = Rows(
        listings=options.listings,
        departed_listings=options.departed_listings,
        fit_listings=options.fit_listings,
        second_renderer=options.second_renderer,
        second_renderer_departed=options.second_renderer_departed,
        seed=options.seed,
    )
    cv2.setNumThreads(1)
    wrong = make_table(options.packs, rows, options.configs, options.out, options.workers, options.drawn_pairs, _say)
    for line in wrong:
        print(f"ablation: {line}", file=sys.stderr)
    return 1 if wrong else 0


def _say(line: str) -> None:
    print(line, flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("columns", help="say which there are")

    fit = commands.add_parser("fit", help="train columns side by side")
    fit.add_argument("trainings", nargs="+", metavar="COLUMN[@LOOK]", help="see `columns`")
    fit.add_argument("--out", type=Path, required=True, help="gets a packed file a training, and logs.zip")
    fit.add_argument("--work", type=Path, default=Path("/dev/shm/denim"), help="default: %(default)s")
    fit.add_argument("--limit-s", type=float, default=520, help="for everything; default: %(default)s")
    fit.add_argument("--packing-s", type=float, default=40, help="of it, for the end; default: %(default)s")
    fit.add_argument("--gpus", type=int, default=2, help="0 trains on the CPU; default: %(default)s")
    fit.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) * 3 // 4), help="that draw")
    fit.add_argument("--crops", type=int, default=32000)
    fit.add_argument("--photos", type=int, default=11000)
    fit.add_argument("--val-crops", type=int, default=3000)
    fit.add_argument("--batch", type=int, default=96)
    fit.add_argument("--detector-batch", type=int, default=48)
    fit.add_argument("--side", type=int, default=512, help="of the detector's photos, px")
    fit.add_argument("--await-crops", type=int, default=5000, help="training begins when so many are drawn")
    fit.add_argument("--seed", type=int, default=1)
    fit.add_argument("--steps", type=int, default=1_000_000, help="of each network at most, to compare like with like")
    fit.add_argument("--drawn", type=Path, metavar="FOLDER", help="samples drawn before; nothing is drawn then")
    fit.add_argument(
        "--trunk-weights", nargs="*", default=[], metavar="SIZE=FILE", help="ImageNet weights; default: from packages"
    )

    table = commands.add_parser("table", help="fit, judge and compare what `fit` packed")
    table.add_argument("packs", type=Path, metavar="FOLDER", help="of packed files")
    table.add_argument("--out", type=Path, required=True, help="gets table.json, table.md, table.png; goes on from it")
    table.add_argument("--second-renderer", type=Path, metavar="FOLDER", help="labelled, pairs as they come")
    table.add_argument("--second-renderer-departed", type=Path, metavar="FOLDER", help="labelled, all cues departing")
    table.add_argument("--listings", type=int, default=200, help="a row; default: %(default)s")
    table.add_argument("--departed-listings", type=int, default=80, help="a row, for cues; default: %(default)s")
    table.add_argument("--fit-listings", type=int, default=250, help="default: %(default)s")
    table.add_argument("--drawn-pairs", type=int, default=40_000, help="for the shares; default: %(default)s")
    table.add_argument("--seed", type=int, default=9100, help="of what is drawn; default: %(default)s")
    table.add_argument("--configs", type=Path, default=Path("configs"))
    table.add_argument("--workers", type=int, default=2)
    return parser


if __name__ == "__main__":
    sys.exit(main())
