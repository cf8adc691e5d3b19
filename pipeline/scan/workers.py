"""Worker processes that look at photos, and outlive a photo that kills or stalls one of them."""

from __future__ import annotations

import multiprocessing
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Protocol

from pipeline.config import ReferenceSheet
from pipeline.domain import Problem
from pipeline.one_processor import use_one_processor
from pipeline.scan.looking import Looker, PhotoJob, Seen

_READY = "ready"
_AHEAD = 2  # jobs that a worker holds, so that it never waits for the next
_CRASHED = "this photo could not be looked at: it made the program that reads it stop"
_STALLED = "this photo could not be looked at: it took longer than {seconds:.0f} s"

Outcome = Seen | Problem


class Looks(Protocol):
    """What a worker needs of the thing that looks at photos."""

    def look(self, job: PhotoJob) -> Outcome:
        """Read a photo and judge what it shows."""


MakeLooker = Callable[[Path, Path, Mapping[str, ReferenceSheet]], Looks]


@dataclass(frozen=True, slots=True)
class Pool:
    """How many workers, what each loads, and how long a photo may take."""

    models_dir: Path
    photos_root: Path
    sheets: Mapping[str, ReferenceSheet]
    workers: int
    photo_limit_s: float = 60.0
    start_limit_s: float = 180.0
    make_looker: MakeLooker = Looker

    def look_at_all(self, jobs: Sequence[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        """Look at every photo; yields (place in `jobs`, outcome) as they come, each place once.

        Raises:
            RuntimeError: if a worker can't start.
        """
        waiting = deque(range(len(jobs)))
        members = [_Member(self) for _ in range(min(self.workers, len(jobs)))]
        try:
            while waiting or any(member.held for member in members):
                for member in members:
                    member.feed(jobs, waiting)
                wait([member.connection for member in members], timeout=1.0)
                for number, member in enumerate(members):
                    yield from member.outcomes()
                    fault = member.fault()
                    if fault is not None:
                        blamed = member.held.popleft()  # the oldest: a worker looks at its photos in turn
                        waiting.extendleft(reversed(member.held))
                        member.stop()
                        members[number] = _Member(self)
                        yield blamed, fault
        finally:
            for member in members:
                member.stop()


@dataclass(eq=False)
class _Member:
    """One worker process with the jobs it holds, oldest first."""

    pool: Pool
    held: deque[int] = field(default_factory=deque)
    is_ready: bool = False
    is_gone: bool = False

    def __post_init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        pool = self.pool
        arguments = (theirs, pool.make_looker, pool.models_dir, pool.photos_root, dict(pool.sheets))
        self.process: SpawnProcess = context.Process(target=_work, args=arguments, daemon=True)
        self.process.start()
        theirs.close()
        self.heard_s = time.monotonic()

    def feed(self, jobs: Sequence[PhotoJob], waiting: deque[int]) -> None:
        """Give the worker jobs until it holds enough."""
        while waiting and len(self.held) < _AHEAD and not self.is_gone:
            if not self.held and self.is_ready:
                self.heard_s = time.monotonic()
            self.held.append(waiting.popleft())
            try:
                self.connection.send((self.held[-1], jobs[self.held[-1]]))
            except OSError:
                self.is_gone = True

    def outcomes(self) -> Iterator[tuple[int, Outcome]]:
        """What the worker has sent since the last time."""
        while not self.is_gone:
            try:
                message = self.connection.recv() if self.connection.poll() else None
            except (EOFError, OSError):
                self.is_gone = True
                return
            if message is None:
                return
            self.heard_s = time.monotonic()
            if message == _READY:
                self.is_ready = True
            else:
                self.held.remove(message[0])
                yield message

    def fault(self) -> Problem | None:
        """What is wrong if the photo in hand has stopped or stalled the worker.

        Raises:
            RuntimeError: if the worker did not even start: then no photo is to blame.
        """
        limit_s = self.pool.photo_limit_s if self.is_ready else self.pool.start_limit_s
        is_late = bool(self.held) and time.monotonic() - self.heard_s > limit_s
        if not self.is_gone and not is_late:
            return None
        if not self.is_ready:
            raise RuntimeError("a worker process could not start; the lines above say why")
        return Problem(_CRASHED if self.is_gone else _STALLED.format(seconds=self.pool.photo_limit_s))

    def stop(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.join()
        self.connection.close()


def _work(
    connection: Connection,
    make_looker: MakeLooker,
    models_dir: Path,
    photos_root: Path,
    sheets: Mapping[str, ReferenceSheet],
) -> None:
    """A worker's life: load, then look at photo after photo until the pipe closes."""
    use_one_processor()  # the workers share the processors among themselves
    looker = make_looker(models_dir, photos_root, sheets)
    connection.send(_READY)
    while True:
        try:
            place, job = connection.recv()
        except EOFError:
            return
        connection.send((place, _outcome(looker, job)))


def _outcome(looker: Looks, job: PhotoJob) -> Outcome:
    try:
        return looker.look(job)
    except Exception as err:  # whatever one photo does, the others are looked at
        return Problem(f"this photo could not be looked at ({type(err).__name__}: {err})")
