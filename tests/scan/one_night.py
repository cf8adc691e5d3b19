"""One night in a process of its own, to be killed: `python -m tests.scan.one_night LISTINGS OUT URL [LIMIT_BYTES]`.

Status 0 where it came to its end, 2 where it told in one line why it could not.
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path

from pipeline.intake import NothingToDo
from pipeline.running import NightOrder, run_night
from pipeline.running import nightly as nightly_module
from pipeline.scan.batch import Night, scan_with
from pipeline.scan.workers import Pool
from pipeline.store import RunAbout
from tests.evidence.builders import evidence
from tests.scan.nights import SHEETS
from tests.scan.stand_ins import Slow


def main(listings: str, out: str, url: str, most_bytes: str | None = None) -> int:
    if most_bytes is not None:  # what is larger cannot be written, as on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(most_bytes), resource.getrlimit(resource.RLIMIT_FSIZE)[1]))
    nightly_module.scan_night = scan_with  # no networks are looked for
    Path(out).mkdir(exist_ok=True)
    pool = Pool(Path("models"), Path(listings).parent, SHEETS, 1, make_looker=Slow)
    night = Night(Path(listings), Path(out), RunAbout("listings.jsonl", "m", "r"))
    try:
        run_night(NightOrder(night, url, 100.0), pool, evidence(), lambda done, total: None, print)
    except (NothingToDo, OSError) as err:
        print(f"{type(err).__name__}: {err}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
