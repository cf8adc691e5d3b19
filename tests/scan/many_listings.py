"""What a night of many listings takes of memory: `python -m tests.scan.many_listings FOLDER N [--trace]`.

One photo a listing, through a SQLite store and into the queue, with a stand-in for the networks whose fingerprints are
as large as real ones. Prints one line of JSON: seconds by stage, on the clock and of the leading process's processor
time, and the memory (MB) at its highest by stage: of the process that leads, of its workers, of all together. One that
was stopped goes on where it was when it is run again. `--trace` adds what Python holds at the end of each stage, at a
third of the pace.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import cv2
import numpy as np
import psutil

from pipeline.running import NightOrder, run_night
from pipeline.running import nightly as nightly_module
from pipeline.scan import batch
from pipeline.scan.batch import Night, scan_with
from pipeline.scan.workers import Pool
from pipeline.store import RunAbout
from tests.evidence.builders import evidence
from tests.scan.nights import SHEETS, a_row, write_rows
from tests.scan.stand_ins import Printed

_LINES_SHOWN = 12


def write_night(folder: Path, listings: int) -> Path:
    """Rows with a photo file each, which is small, as the stand-in does not open it; as it is, where it is there."""
    if (folder / "listings.jsonl").exists():
        return folder / "listings.jsonl"
    (folder / "p").mkdir(parents=True, exist_ok=True)
    names = [f"p/{n}{'blank' if n % 9 == 0 else 'plain'}.png" for n in range(listings)]
    for n, name in enumerate(names):
        pixels = np.zeros((32, 32, 3), np.uint8)
        pixels[:4] = np.random.default_rng(n).integers(0, 256, (4, 32, 3))
        cv2.imwrite(str(folder / name), pixels)
    rows = (a_row(f"L{n}", seller_id=f"S{n % 1000}", photos=[name]) for n, name in enumerate(names))
    return write_rows(folder, rows)


class Watch:
    """Looks at the memory of this process and its workers twice a second; `stage` names what goes on."""

    def __init__(self) -> None:
        self.stage = "before"
        self.highest: dict[str, float] = {}
        self._here = psutil.Process()
        threading.Thread(target=self._look, daemon=True).start()

    def _look(self) -> None:
        while True:
            leading, workers = _mb(self._here), 0.0
            for child in self._here.children():
                with suppress(psutil.Error):  # it may end just now
                    if "spawn_main" in " ".join(child.cmdline()):
                        workers += _mb(child)
            for name, mb in ((self.stage, leading), ("workers", workers), ("all together", leading + workers)):
                self.highest[name] = max(self.highest.get(name, 0.0), round(mb, 1))
            time.sleep(0.5)


def _mb(process: psutil.Process) -> float:
    return float(process.memory_info().rss) / 1e6


def measure(listings: Path, out: Path, trace: bool) -> dict[str, object]:
    """Scan a night, watched."""
    watch, busy = Watch(), dict[str, float]()

    @contextmanager
    def timed(scanning: batch._Scanning, stage: str) -> Iterator[None]:
        watch.stage = stage
        start, start_busy = time.perf_counter(), time.process_time()
        yield
        scanning._counts.seconds[stage] = round(time.perf_counter() - start, 2)
        busy[stage] = round(time.process_time() - start_busy, 2)
        print(f"-- {stage}: {scanning._counts.seconds[stage]} s, {watch.highest}", file=sys.stderr, flush=True)
        watch.stage = "taking in"
        if trace:
            _show(stage)

    batch._Scanning._timed = timed  # type: ignore[method-assign]
    nightly_module.scan_night = scan_with  # no networks are looked for
    out.mkdir(exist_ok=True)
    pool = Pool(Path("models"), listings.parent, SHEETS, 1, make_looker=Printed)
    night = Night(listings, out, RunAbout("listings.jsonl", "m", "r"))
    order = NightOrder(night, f"sqlite:///{out / 'store.db'}", 100.0)
    if trace:
        tracemalloc.start()
    start, start_busy = time.perf_counter(), time.process_time()
    outcome = run_night(order, pool, evidence(), lambda done, total: None, print)
    if trace:
        _show("taking in")
    in_all, busy_in_all = round(time.perf_counter() - start, 2), round(time.process_time() - start_busy, 2)
    busy["taking in"] = round(busy_in_all - sum(busy.values()), 2)
    return {
        "listings": outcome.done.counts.listings,
        "looked_at": outcome.done.counts.looked_at,
        "seconds": outcome.done.counts.seconds | {"in all": in_all},
        "processor_seconds": busy | {"in all": busy_in_all},
        "highest_mb": watch.highest,
    }


def _show(stage: str) -> None:
    now, highest = tracemalloc.get_traced_memory()
    print(f"-- {stage}: {now / 1e6:.1f} MB, {highest / 1e6:.1f} at its highest", file=sys.stderr)
    for line in tracemalloc.take_snapshot().statistics("lineno")[:_LINES_SHOWN]:
        print(f"   {line.size / 1e6:7.2f} MB {line.count:8d} {line.traceback}", file=sys.stderr)
    tracemalloc.reset_peak()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("listings", type=int)
    parser.add_argument("--trace", action="store_true")
    asked = parser.parse_args()
    night_file = write_night(asked.folder, asked.listings)
    print(json.dumps(measure(night_file, asked.folder / "out", asked.trace)))
