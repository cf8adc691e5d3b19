"""Many trainings at once from one drawn folder: one process draws, two a training learn, spread over the GPUs."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.train.backbone import TrunkSize
from pipeline.train.columns import COLUMNS, Training, sets_to_store
from pipeline.train.families import joined
from pipeline.train.packing import pack

Say = Callable[[str], None]
NETWORKS = ("detector", "parts")
_LOOK_S = 2.0
_FORCE_S = 20.0  # after the last limit a process is ended


@dataclass(frozen=True, slots=True)
class Plan:
    """What is drawn and how long everything may take.

    `limit_s` counts from the start to the last packed file, of which the last `packing_s` are for predicting and
    packing. Drawing gets `draw_share` of what is before; training begins when `await_crops` are drawn. Where `drawn`
    names a folder, the samples are there already (`from_drawings --stages draw --work FOLDER`), and several runs may
    share them. No network takes more than `steps`. Without a GPU everything is done in turn.
    """

    limit_s: float
    gpus: int
    workers: int
    crops: int
    photos: int
    val_crops: int
    batch: int
    detector_batch: int
    side_px: int
    await_crops: int
    seed: int
    drawn: Path | None = None
    steps: int = 1_000_000
    packing_s: float = 40.0
    draw_share: float = 0.8
    trunk_weights: Mapping[TrunkSize, Path] = field(default_factory=dict)


@dataclass(slots=True)
class _Process:
    """One process of a run, with the file that holds what it says."""

    name: str
    log: Path
    running: subprocess.Popen[bytes]

    def last_line(self) -> str:
        """The last thing that it said."""
        lines = self.log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
        return lines[-1] if lines else "it said nothing"


def fit_side_by_side(trainings: Sequence[Training], plan: Plan, work: Path, out: Path, say: Say) -> list[str]:
    """Draw once, train all, and pack each training's weights into one file.

    Args:
        trainings: which.
        plan: how much and how long.
        work: a folder on a fast disk; what is drawn there is removed in the end.
        out: gets `NAME.tar.xz` a training and `logs.zip`.
        say: told now and then how it goes.

    Returns:
        What went wrong, a line each; empty if every training was packed.
    """
    out.mkdir(parents=True, exist_ok=True)
    work.mkdir(parents=True, exist_ok=True)
    end = time.time() + plan.limit_s - plan.packing_s
    with tempfile.TemporaryDirectory(dir=work, prefix="ablation_") as name:
        here = Path(name)
        run = _run_together if plan.gpus else _run_in_turn
        wrong = run(trainings, plan, here, end, say)
        unpacked = _pack_all(trainings, here, out)
        if (here / "logs").exists():
            shutil.make_archive(str(out / "logs"), "zip", here / "logs")
    return [*wrong, *unpacked]


def _run_together(trainings: Sequence[Training], plan: Plan, here: Path, end: float, say: Say) -> list[str]:
    """Draw and train at once; both networks of a training share a GPU."""
    running = [] if plan.drawn else [_start("draw", draw_command(trainings, plan, here), here, {})]
    for i, training in enumerate(trainings):
        gpu = {"CUDA_VISIBLE_DEVICES": str(i % plan.gpus), "OMP_NUM_THREADS": "2"}
        for network in NETWORKS:
            command = fit_command(training, network, plan, here, end)
            running.append(_start(f"{training}.{network}", command, here, gpu))
    return _wait(running, end + plan.packing_s / 2, say)


def _run_in_turn(trainings: Sequence[Training], plan: Plan, here: Path, end: float, say: Say) -> list[str]:
    """Draw, then train one network after the other, each for its part of the time that is left."""
    wrong = [] if plan.drawn else _wait([_start("draw", draw_command(trainings, plan, here), here, {})], end, say)
    jobs = [(training, network) for training in trainings for network in NETWORKS]
    for left, (training, network) in zip(range(len(jobs), 0, -1), jobs, strict=True):
        until = time.time() + (end - time.time()) / left
        command = fit_command(training, network, plan, here, until)
        wrong += _wait([_start(f"{training}.{network}", command, here, {})], until + plan.packing_s / 2, say)
    return wrong


def draw_command(trainings: Sequence[Training], plan: Plan, here: Path) -> list[str]:
    """The words that draw for all trainings."""
    draw_s = (plan.limit_s - plan.packing_s) * (plan.draw_share if plan.gpus else plan.draw_share / 2)
    stored = [joined(families) for families in sets_to_store(trainings)]
    return [
        *_program(here, here / "draw", plan), "--stages", "draw", "--draw-s", f"{draw_s:.0f}",
        "--workers", str(plan.workers), "--crops", str(plan.crops), "--photos", str(plan.photos),
        "--val-crops", str(plan.val_crops), "--draw-without", *stored,
    ]  # fmt: skip


def fit_command(training: Training, network: str, plan: Plan, here: Path, end: float) -> list[str]:
    """The words that train one network of a training to the hour `end`, in seconds since 1970."""
    words = [
        *_program(here, here / str(training), plan), "--stages", network, "--await-crops", str(plan.await_crops),
        "--end-at", f"{end:.0f}", "--batch", str(plan.batch), "--detector-batch", str(plan.detector_batch),
        "--detector-steps", str(plan.steps), "--parts-steps", str(plan.steps), *training.options,
    ]  # fmt: skip
    column = COLUMNS[training.column]
    if not column.from_scratch and column.trunk in plan.trunk_weights:
        words += ["--backbone", str(plan.trunk_weights[column.trunk])]
    return words


def _program(here: Path, out: Path, plan: Plan) -> list[str]:
    common = [
        "--work",
        str(plan.drawn or here),
        "--out",
        str(out),
        "--side",
        str(plan.side_px),
        "--seed",
        str(plan.seed),
    ]
    return [sys.executable, "-m", "pipeline.train.from_drawings", *common]


def _start(name: str, command: Sequence[str], here: Path, environment: Mapping[str, str]) -> _Process:
    log = here / "logs" / f"{name}.log"
    log.parent.mkdir(exist_ok=True)
    with log.open("wb") as file:
        running = subprocess.Popen(command, stdout=file, stderr=subprocess.STDOUT, env={**os.environ, **environment})
    return _Process(name, log, running)


def _wait(processes: Sequence[_Process], end: float, say: Say) -> list[str]:
    """Wait for all; say what each said last, now and then; end those that outstay the time."""
    told = 0.0
    try:
        while any(one.running.poll() is None for one in processes) and time.time() < end + _FORCE_S:
            if time.time() - told > 30:
                told = time.time()
                say(f"{end - told:.0f} s left")
                for one in processes:
                    say(f"  {one.name}: {one.last_line()[:150]}")
            if any(one.running.poll() not in (None, 0) and one.name == "draw" for one in processes):
                break  # nothing more will be drawn, and the others would wait for it
            time.sleep(_LOOK_S)
    finally:
        late = [one for one in processes if one.running.poll() is None]
        for one in late:
            one.running.terminate()
            one.running.wait()
    wrong = [f"{one.name}: took too long and was ended" for one in late]
    failed = [one for one in processes if one not in late and one.running.returncode != 0]
    return wrong + [f"{one.name}: {one.last_line()}" for one in failed]


def _pack_all(trainings: Sequence[Training], here: Path, out: Path) -> list[str]:
    """Pack every training that left weights; a line for each that did not."""

    def packed(training: Training) -> str | None:
        try:
            pack(here / str(training), out / str(training))
        except FileNotFoundError as err:
            return f"{training}: no weights ({err.filename})"
        return None

    with ThreadPoolExecutor(len(trainings)) as pool:
        return [line for line in pool.map(packed, trainings) if line is not None]
