"""What looks at a night's photos: processes of this machine, or of a cluster."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Protocol

from pipeline.config import ReferenceSheet
from pipeline.intake import PhotosRoot
from pipeline.scan.looking import PhotoJob
from pipeline.scan.workers import Outcome


class Engine(Protocol):
    """Looks at photos, somewhere. Whichever does it, the outcomes are the same."""

    @property
    def models_dir(self) -> Path:
        """The networks."""

    @property
    def photos_root(self) -> PhotosRoot:
        """Where photos lie."""

    @property
    def sheets(self) -> Mapping[str, ReferenceSheet]:
        """Reference sheets by maker."""

    @property
    def workers(self) -> int | None:
        """How many at most; None: one for each processor."""

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        """Look at every photo; yields (place in `jobs`, outcome) as they come, each place once.

        Jobs are taken as there is room for them, in the thread that asks for outcomes.

        Raises:
            RuntimeError: if a worker can't start.
            OSError: if the machines that look are gone.
        """
