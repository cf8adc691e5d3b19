"""One night in a process of its own, to be killed: `python -m tests.scan.one_night LISTINGS OUT URL [LIMIT_BYTES]`.

With `--ray ADDRESS` a cluster looks at the photos, with `--photos-from URL` they lie there, with `--hurry FILE` looking
is slow until there is such a file, with `--json` all that is said is JSON. Status 0 where it came to its end, 2 where
it told in one line why it could not.
"""

from __future__ import annotations

import argparse
import resource
import sys
from contextlib import nullcontext
from functools import partial
from pathlib import Path

from pipeline.intake import NothingToDo, photos_from
from pipeline.running import NightOrder, json_log, run_night
from pipeline.running import nightly as nightly_module
from pipeline.scan import OnRay
from pipeline.scan.batch import Night, scan_with
from pipeline.scan.workers import Pool
from pipeline.store import RunAbout
from tests.evidence.builders import evidence
from tests.scan.nights import SHEETS
from tests.scan.stand_ins import Slow


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("listings", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("url")
    parser.add_argument("most_bytes", nargs="?", type=int)
    parser.add_argument("--ray")
    parser.add_argument("--window", type=int, default=8000)
    parser.add_argument("--photos-from")
    parser.add_argument("--hurry", type=Path)
    parser.add_argument("--models", type=Path, default=Path("models"))
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    with json_log() if asked.json else nullcontext():
        return scan(asked)


def scan(asked: argparse.Namespace) -> int:
    if asked.most_bytes is not None:  # what is larger cannot be written, as on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, (asked.most_bytes, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))
    nightly_module.scan_night = scan_with  # no networks are looked for
    asked.out.mkdir(exist_ok=True)
    photos = photos_from([asked.photos_from]) if asked.photos_from else asked.listings.parent
    pool = Pool(asked.models, photos, SHEETS, 1, make_looker=partial(Slow, hurry=asked.hurry))
    engine = OnRay(pool, asked.ray, window=asked.window) if asked.ray else pool
    night = Night(asked.listings, asked.out, RunAbout("listings.jsonl", "m", "r"))
    try:
        run_night(NightOrder(night, asked.url, 100.0), engine, evidence(), lambda done, total: None, print)
    except (NothingToDo, OSError) as err:
        print(f"{type(err).__name__}: {err}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
