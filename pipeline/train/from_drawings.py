"""Trains both networks on freshly drawn samples: `python -m pipeline.train.from_drawings --out DIR`.

Made for a machine with a GPU and many cores; every stage has a time limit, so that the whole fits a given hour.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
import torch

from pipeline.config import load_sheet
from pipeline.cues import LISTED_CUES
from pipeline.cutting import CLOSE_CONTEXT
from pipeline.domain import PartName
from pipeline.train.backbone import LiteTrunk, TrunkSize, pretrained
from pipeline.train.families import Families, families_named, joined, parted, samples_without
from pipeline.train.fit_detector import fit_detector
from pipeline.train.fit_parts import fit_parts, predict, summary
from pipeline.train.loop import Every, Journal, Report, Schedule
from pipeline.train.networks import Detector, PartNetwork
from pipeline.train.samples import DrawPlan, crops_drawn, draw_samples
from pipeline.train.weights import load_weights, save_weights
from synthetic.looks import LOOKS

M = TypeVar("M", bound=torch.nn.Module)

# How hard a part is to judge decides how many of its crops are drawn.
SHARES = {
    PartName.TAB: 0.14, PartName.LABEL: 0.20, PartName.POCKET: 0.08, PartName.BUTTON: 0.13, PartName.RIVET: 0.05,
    PartName.ZIP: 0.09, PartName.BUTTON_BACK: 0.17, PartName.CARE_TAG: 0.14,
}  # fmt: skip


def _plan(
    args: argparse.Namespace, crops: int, photos: int, seed: int, augment: float, without: tuple[Families, ...]
) -> DrawPlan:
    looks = tuple(name for name in LOOKS if name not in args.without_look)
    return DrawPlan(
        tuple(load_sheet(Path(sheet)) for sheet in args.sheet),
        {p: int(crops * s) for p, s in SHARES.items()},
        photos,
        args.side,
        args.close_context,
        looks,
        0.5,
        seed,
        augment,
        without,
        tuple(args.without_cue),
    )


def _draw(plan: DrawPlan, folder: Path, args: argparse.Namespace, journal: Journal, name: str, limit_s: float) -> None:
    start, last = time.time(), 0.0
    done = total = 0
    for done, total in draw_samples(plan, folder, args.workers, args.draw_device, limit_s):
        if time.time() - last > 10:
            last = time.time()
            journal(f"draw {name}", done, {"total": total, "per_second": done / (time.time() - start)})
    journal(f"draw {name}", done, {"total": total, "per_second": done / (time.time() - start)})


def _started(model: M, init: Path | None, name: str) -> M:
    """Go on from earlier weights where they are given."""
    if init is not None and (init / f"{name}.safetensors").exists():
        load_weights(model, init / f"{name}.safetensors")
    return model


def _trunk(args: argparse.Namespace) -> LiteTrunk:
    if args.backbone == "none":
        return LiteTrunk(args.trunk, args.mix_style)
    return pretrained(args.backbone, args.trunk, args.mix_style)


def _draw_all(args: argparse.Namespace, train: Path, val: Path, journal: Journal) -> None:
    """Held-out crops first, unaugmented; then what is trained on."""
    held_out = _plan(args, args.val_crops, 0, args.seed + 1000, 0.0, (frozenset(),))
    _draw(held_out, val, args, journal, "val", args.draw_s * 0.15)
    without = tuple(args.draw_without or [args.without_augment])
    plan = _plan(args, args.crops, args.photos, args.seed, args.strength, without)
    _draw(plan, train, args, journal, "train", args.draw_s * 0.85)


def _await_drawn(folder: Path, crops: int, journal: Journal) -> None:
    """Wait for another process that draws until it has drawn enough to begin on."""
    due = Every(30.0)
    while (drawn := crops_drawn(folder)) < crops:
        if due.is_due():
            journal("waiting", drawn, {})
        time.sleep(2)


def _fit(
    name: str,
    start: M,
    fit: Callable[..., M],
    schedule: Schedule,
    args: argparse.Namespace,
    folder: Path,
    report: Report,
) -> M:
    """Fit a network, from earlier weights where they are given; its weights are saved now and then and at the end."""
    path = args.out / f"{name}.safetensors"
    keep = partial(save_weights, path=path)
    start = _started(start, args.init, name)
    how = {
        "strength": args.strength,
        "without": args.without_augment,
        "without_looks": args.without_look,
        "seed": args.seed,
        "keep": keep,
        "compiled": args.compile,
    }
    fitted = fit(start, folder, schedule, report, **how)
    save_weights(fitted, path)
    return fitted


def _limit_s(limit_s: float, end_at: float | None) -> float:
    """How long a network is trained: the stage's own limit, or to the hour where one is given; a second at least."""
    return limit_s if end_at is None else max(1.0, end_at - time.time())


def _fit_detector(args: argparse.Namespace, train: Path, journal: Journal) -> None:
    limit_s = _limit_s(args.detector_s, args.end_at)
    schedule = Schedule(args.detector_steps, args.detector_batch, args.lr, deadline_s=limit_s)
    _fit("detector", Detector(_trunk(args)), fit_detector, schedule, args, train, journal)


def _fit_parts(args: argparse.Namespace, train: Path, val: Path, journal: Journal) -> None:
    """Fit, then note what the network says of the held-out crops."""
    limit_s = _limit_s(args.parts_s, args.end_at)
    schedule = Schedule(args.parts_steps, args.batch, args.lr, deadline_s=limit_s)
    fitted = _fit("parts", PartNetwork(_trunk(args)), fit_parts, schedule, args, train, journal)
    pred = predict(fitted, val, without_looks=args.without_look)
    if not pred:
        print("no held-out crop was drawn in time: there are no predictions to fit temperatures to", flush=True)
        return
    halved = {k: v.astype(np.float16) if v.dtype == np.float32 else v for k, v in pred.items()}
    np.savez_compressed(args.out / "val_predictions.npz", allow_pickle=False, **halved)
    try:
        figures = summary(pred)
    except ImportError:  # a bare GPU machine may lack scikit-learn; the predictions are saved and can be judged later
        figures = {}
    (args.out / "val_summary.json").write_text(json.dumps(figures, indent=1))
    print(json.dumps(figures))


def _parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--work", type=Path, default=Path("/dev/shm/denim"))
    p.add_argument("--sheet", nargs="+", default=["configs/quillmere.yaml"], help="of the makers drawn in turn")
    p.add_argument("--stages", default="draw,detector,parts")
    p.add_argument("--crops", type=int, default=60000)
    p.add_argument("--photos", type=int, default=12000)
    p.add_argument("--val-crops", type=int, default=5000)
    p.add_argument("--draw-s", type=float, default=240)
    p.add_argument("--detector-s", type=float, default=150)
    p.add_argument("--parts-s", type=float, default=240)
    p.add_argument("--detector-steps", type=int, default=3000)
    p.add_argument("--parts-steps", type=int, default=4000)
    p.add_argument("--batch", type=int, default=128)
    p.add_argument("--detector-batch", type=int, default=64)
    p.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    p.add_argument("--side", type=int, default=512)
    p.add_argument("--close-context", type=float, default=CLOSE_CONTEXT)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--strength", type=float, default=1.0)
    p.add_argument("--lr", type=float, default=2e-3)
    p.add_argument(
        "--without-look", nargs="*", default=[], choices=LOOKS, metavar="LOOK", help="neither drawn nor trained on"
    )
    p.add_argument(
        "--without-augment",
        nargs="*",
        default=[],
        metavar="NAME",
        help=f"families left out: {joined(families_named(['all']))}, all",
    )
    p.add_argument(
        "--draw-without",
        nargs="*",
        default=[],
        metavar="A+B",
        help="draw once, store without each of these sets; `none` is a set too",
    )
    p.add_argument("--trunk", type=TrunkSize, choices=list(TrunkSize), default=TrunkSize.LITE0)
    p.add_argument(
        "--mix-style",
        type=float,
        default=0.0,
        metavar="P",
        help="share of the batches whose looks are mixed in the trunk",
    )
    p.add_argument(
        "--without-cue", nargs="*", default=[], choices=sorted(LISTED_CUES), metavar="CUE",
        help="train as if nobody had listed these cues: none departs in the drawings, no head learns them",
    )  # fmt: skip
    p.add_argument("--backbone", default=None, help="weight file of the ImageNet trunk; 'none' starts from scratch")
    p.add_argument("--init", type=Path, default=None, help="folder with weights to go on from")
    p.add_argument(
        "--tune-kernels", action="store_true", help="let the GPU library try its kernels first; pays on long runs"
    )
    p.add_argument("--compile", action="store_true", help="let torch compile the networks first; minutes, then faster")
    p.add_argument("--draw-device", default="cpu")
    p.add_argument(
        "--end-at",
        type=float,
        default=None,
        metavar="T",
        help="train to this time (s since 1970) instead of for --detector-s and --parts-s",
    )
    p.add_argument(
        "--await-crops", type=int, default=0, help="begin once another process, still drawing, has drawn so many"
    )
    return p


def parsed(words: Sequence[str] | None = None) -> argparse.Namespace:
    """The command line's words (those typed if None), with families as values; leaves with a line if one is wrong."""
    parser = _parser()
    args = parser.parse_args(words)
    try:
        args.without_augment = families_named(args.without_augment)
        args.draw_without = [parted(word) for word in args.draw_without]
    except ValueError as err:
        parser.error(str(err))
    return args


def main() -> None:
    """Draw, train, save weights, journal and held-out predictions."""
    args = parsed()
    args.out.mkdir(parents=True, exist_ok=True)
    journal = Journal(args.out / "journal.jsonl")
    torch.backends.cudnn.benchmark = args.tune_kernels
    train, val = args.work / "train", args.work / "val"
    if "draw" in args.stages:
        _draw_all(args, train, val, journal)
    train = samples_without(train, args.without_augment)
    if args.await_crops:
        _await_drawn(train, args.await_crops, journal)
    if "detector" in args.stages:
        _fit_detector(args, train, journal)
    if "parts" in args.stages:
        _fit_parts(args, train, val, journal)


if __name__ == "__main__":
    main()
