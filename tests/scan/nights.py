"""Nights of tiny photos, and ways to scan them with a stand-in for the networks."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from pipeline import store
from pipeline.records.database import Store
from pipeline.records.patience import Patience, PatientStore
from pipeline.scan.batch import Means, Night, NightDone, scan_with
from pipeline.scan.looking import PhotoJob
from pipeline.scan.spool import Wanted
from pipeline.scan.workers import Outcome, Pool
from pipeline.store import RunAbout
from tests.evidence.builders import evidence, sheet
from tests.scan.stand_ins import ByName

NOW = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)
SHEETS = {"quillmere": sheet()}


def a_photo(path: Path, seed: int) -> None:
    """A small picture with texture; the same seed draws the same file."""
    rng = np.random.default_rng(seed)
    cells = rng.integers(0, 256, (10, 12, 3), dtype=np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), cv2.resize(cells, (96, 80), interpolation=cv2.INTER_CUBIC))


def a_night(folder: Path, listings: int = 6, photos: int = 2, **names: str) -> Path:
    """A listings file with its photos; `names` gives some photos another name, as in L2_1="crash"."""
    rows = []
    for n in range(listings):
        paths = []
        for k in range(photos):
            name = names.get(f"L{n}_{k}", "blank" if n % 3 == 0 else "plain")
            paths.append(f"p/L{n}_{k}{name}.png")
            a_photo(folder / paths[-1], 100 * n + k)
        rows.append(a_row(f"L{n}", seller_id=f"S{n % 4}", photos=paths))
    return write_rows(folder, rows)


def a_row(name: str, **changes: Any) -> dict[str, Any]:
    row = {"listing_id": name, "seller_id": "S", "listed_at": "2026-03-01T10:00:00", "maker": "quillmere"}
    return row | {"style_number": "QM-21", "price_eur": 50.0, "photos": []} | changes


def write_rows(folder: Path, rows: Iterable[dict[str, Any]]) -> Path:
    path = folder / "listings.jsonl"
    folder.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


class HerePool(Pool):
    """Looks in this process, and notes at what."""

    looked: list[str]

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        looker = ByName(self.models_dir, self.photos_root, self.sheets)
        for number, job in enumerate(jobs):
            self.looked.append(job.path)
            yield number, looker.look(job)


def here_pool(root: Path, models: Path = Path("models")) -> HerePool:
    pool = HerePool(models, root, SHEETS, 1)
    object.__setattr__(pool, "looked", [])
    return pool


def scan(listings: Path, out: Path, url: str, pool: Pool | None = None, now=lambda: NOW, **wanted: Any) -> NightDone:
    opened = Store(url)
    try:
        records = PatientStore(opened, Patience(limit_s=20, first_wait_s=0.05, most_wait_s=0.5))
        means = Means(records, pool or here_pool(listings.parent), evidence(), out.parent / f"{out.name}.photos", now)
        tries_again = wanted.pop("tries_again", False)
        night = Night(listings, out, RunAbout("listings.jsonl", "m", "r"), Wanted(**wanted), tries_again)
        return scan_with(night, means, lambda done, total: None)
    finally:
        opened.close()


def files_of(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in store.FILES}
