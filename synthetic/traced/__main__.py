"""`python -m synthetic.traced OUT --listings N --seed S`: path-traced listings, for testing only."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rich.progress import Progress

from pipeline.config import ConfigError, load_sheet
from synthetic.traced.folder import Order, write_folder


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 when all is written, 2 when nothing could be done."""
    parser = argparse.ArgumentParser(prog="python -m synthetic.traced", description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write; a stopped run goes on where it was")
    parser.add_argument("--listings", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--spp", type=int, default=48, help="light paths a pixel")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--long-side", type=int, nargs=2, default=(850, 1150), metavar=("LEAST", "MOST"))
    parser.add_argument(
        "--departure-rate",
        type=float,
        help="chance that each cue of every pair departs, to measure the cues one by one",
    )
    parser.add_argument("--photos", type=int, nargs=2, default=(3, 8), metavar=("FEWEST", "MOST"), help="of a listing")
    parser.add_argument("--sheet", type=Path, default=Path("configs/quillmere.yaml"))
    parser.add_argument("--variant", help="of Mitsuba; by default the fastest that runs here")
    given = parser.parse_args(arguments)
    try:
        least, most = given.long_side
        fewest_photos, most_photos = given.photos
        order = Order(
            given.out,
            load_sheet(given.sheet),
            given.listings,
            given.seed,
            given.spp,
            (least, most),
            given.variant,
            given.departure_rate,
            (fewest_photos, most_photos),
        )
        with Progress() as progress:
            bar = progress.add_task("listings", total=given.listings)
            write_folder(order, given.workers, lambda done, _: progress.update(bar, completed=done))
    except (ConfigError, ValueError, ModuleNotFoundError) as err:
        print(f"nothing written: {err}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
