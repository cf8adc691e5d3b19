"""Stand-ins for the networks, importable by worker processes."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from pipeline.domain import Box, CueReading, FoundPart, PartName, PartReading, Photo, Problem
from pipeline.photo_reuse import Corners, Fingerprint, fingerprint
from pipeline.scan.looking import PhotoJob, Seen


class ByName:
    """Does what the photo's name says: crash, stall, fail, bad; else it sees a rivet, blank if the name says so."""

    def __init__(self, models_dir: Path, photos_root: Path, sheets: Mapping[str, Any]) -> None:
        if models_dir.name == "broken":
            raise OSError("no networks here")

    def look(self, job: PhotoJob) -> Seen | Problem:
        if "crash" in job.path:
            os._exit(11)
        if "stall" in job.path:
            time.sleep(600)
        if "fail" in job.path:
            raise ValueError("odd photo")
        if "bad" in job.path:
            return Problem("not a picture", photo=job.path)
        belief = 0.95 if "blank" in job.path else 0.1
        found = FoundPart(job.path, PartName.RIVET, Box(10, 10, 20, 20), 0.9)
        place = {"photo": job.path, "part": PartName.RIVET, "box": found.box}
        metal = CueReading("metal_name", {"copper": 0.2, "steel": 0.8}, **place)
        stamp = CueReading("rivet_stamp", {"stamped": 1 - belief, "blank": belief}, **place)
        blank = Photo(job.path, np.full((64, 64, 3), 90, np.uint8))
        return Seen((PartReading(found, (stamp, metal)),), fingerprint(blank))


class Slow(ByName):
    """Takes a moment, so that there is time to be killed in; a longer one until there is a file `hurry`."""

    def __init__(
        self, models_dir: Path, photos_root: Path, sheets: Mapping[str, Any], hurry: Path | None = None
    ) -> None:
        super().__init__(models_dir, photos_root, sheets)
        self._hurry = hurry

    def look(self, job: PhotoJob) -> Seen | Problem:
        time.sleep(0.02 if self._hurry is None or self._hurry.exists() else 0.3)
        return super().look(job)


class Greedy(ByName):
    """Takes more and more memory for a photo that is named "huge"."""

    def look(self, job: PhotoJob) -> Seen | Problem:
        if "huge" in job.path:
            taken = [np.ones(1 << 24) for _ in range(64)]  # 8 GiB
            del taken
        return super().look(job)


class Printed(ByName):
    """Gives every photo a fingerprint of its own by its name, as large as a real photo's."""

    def look(self, job: PhotoJob) -> Seen | Problem:
        seen = super().look(job)
        if isinstance(seen, Problem):
            return seen
        rng = np.random.default_rng(list(job.path.encode()))
        cells = rng.integers(0, 256, (8, 10), dtype=np.uint8)
        thumb = np.asarray(cv2.resize(cells, (128, 96), interpolation=cv2.INTER_CUBIC), np.uint8)
        corners, mirrored = (
            Corners(rng.uniform(0, 256, (150, 2)).astype(np.float32), rng.integers(0, 256, (150, 32), np.uint8))
            for _ in range(2)
        )
        return Seen(seen.parts, Fingerprint(corners, mirrored, thumb))
