"""Worker processes that look at photos, and outlive a photo that kills or stalls one of them."""

from __future__ import annotations

import itertools
import multiprocessing
import resource
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from pipeline.config import ReferenceSheet
from pipeline.domain import Problem
from pipeline.intake import PhotosRoot
from pipeline.one_processor import use_one_processor
from pipeline.scan.looking import Looker, PhotoJob, Seen

_READY = "ready"
_AHEAD = 2  # jobs that a worker holds, so that it never waits for the next
TRIES = 2  # what was the photo's fault happens again; what was not hardly does
_CRASHED = "this photo could not be looked at: it made the program that reads it stop"
_STALLED = "this photo could not be looked at: it took longer than {seconds:.0f} s"
_TOO_LARGE = "this photo could not be looked at: it takes more memory than a worker may have"


class SetAside(Problem):
    """A photo that was tried `TRIES` times, each time without an outcome."""


Outcome = Seen | Problem
_Job = tuple[int, PhotoJob]


@dataclass(frozen=True, slots=True)
class _Fault:
    """A try without an outcome."""

    reason: str


class Looks(Protocol):
    """What a worker needs of the thing that looks at photos."""

    def look(self, job: PhotoJob) -> Outcome:
        """Read a photo and judge what it shows."""


MakeLooker = Callable[[Path, PhotosRoot, Mapping[str, ReferenceSheet]], Looks]


@dataclass(frozen=True, slots=True)
class Pool:
    """How many workers, what each loads, how long a photo may take, and how much memory a worker (None: any)."""

    models_dir: Path
    photos_root: PhotosRoot
    sheets: Mapping[str, ReferenceSheet]
    workers: int
    photo_limit_s: float = 60.0
    start_limit_s: float = 180.0
    memory_mb: int | None = None
    make_looker: MakeLooker = Looker

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        """Look at every photo; yields (place in `jobs`, outcome) as they come, each place once.

        Jobs are taken as workers need them. A photo that stops, stalls or fails a worker is tried again, and
        set aside if that ends alike.

        Raises:
            RuntimeError: if a worker can't start.
        """
        with Crew(self) as crew:
            yield from crew.look_at_all(jobs)


class Crew:
    """A pool's worker processes, kept from one lot of photos to the next. Use it as a context."""

    def __init__(self, pool: Pool) -> None:
        """Start none yet: workers come with the photos."""
        self._pool = pool
        self._members: list[_Member] = []

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the workers, whatever they are at."""
        for member in self._members:
            member.stop()
        self._members.clear()

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        """As `Pool.look_at_all`; take it to its end before the next lot."""
        line, members, most = _Line(enumerate(jobs)), self._members, self._pool.workers
        failed_starts = 0
        while line.has_more() or any(member.held for member in members):
            if len(members) < most and line.has_more():
                members.append(_Member(self._pool))
            for member in members:
                member.feed(line)
            is_starting = len(members) < most and line.has_more()
            wait([member.connection for member in members], timeout=0 if is_starting else 1.0)
            for number, member in enumerate(members):
                for job, outcome in member.outcomes():
                    yield from line.settled(job, outcome)
                fault = member.fault()
                if fault is None:
                    continue
                failed_starts = 0 if member.is_ready else failed_starts + 1
                if failed_starts == TRIES:
                    raise RuntimeError("a worker process could not start; the lines above say why")
                # The oldest: a worker looks at its photos in turn. One that never began has none to blame.
                blamed = [member.held.popleft()] if member.is_ready and member.held else []
                line.take_back(member.held)
                member.stop()
                members[number] = _Member(self._pool)
                for job in blamed:
                    yield from line.settled(job, fault)


class _Line:
    """The jobs that wait for a worker: those to be tried again, those taken back, then the ones not met yet."""

    def __init__(self, jobs: Iterator[_Job]) -> None:
        self._jobs = jobs
        self._front: deque[_Job] = deque()
        self._failed: Counter[int] = Counter()

    def has_more(self) -> bool:
        """Whether a job waits."""
        if not self._front:
            self._front.extend(itertools.islice(self._jobs, 1))
        return bool(self._front)

    def take(self) -> _Job:
        """The next job; there must be one."""
        return self._front.popleft()

    def take_back(self, jobs: Iterable[_Job]) -> None:
        """Jobs that a worker held and never began."""
        self._front.extendleft(reversed(list(jobs)))

    def settled(self, job: _Job, outcome: Outcome | _Fault) -> Iterator[tuple[int, Outcome]]:
        """The job's outcome; nothing where it is to be tried again."""
        number = job[0]
        if not isinstance(outcome, _Fault):
            self._failed.pop(number, None)
            yield number, outcome
            return
        self._failed[number] += 1
        if self._failed[number] < TRIES:
            self._front.append(job)
        else:
            del self._failed[number]
            yield number, SetAside(f"{outcome.reason} (tried {TRIES} times)")


@dataclass(eq=False)
class _Member:
    """One worker process with the jobs it holds, oldest first."""

    pool: Pool
    held: deque[_Job] = field(default_factory=deque)
    is_ready: bool = False
    is_gone: bool = False

    def __post_init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        pool = self.pool
        arguments = (theirs, pool.make_looker, pool.models_dir, pool.photos_root, dict(pool.sheets), pool.memory_mb)
        self.process: SpawnProcess = context.Process(target=_work, args=arguments, daemon=True)
        self.process.start()
        theirs.close()
        self.heard_s = time.monotonic()

    def feed(self, line: _Line) -> None:
        """Give the worker jobs until it holds enough."""
        while len(self.held) < _AHEAD and not self.is_gone and line.has_more():
            if not self.held and self.is_ready:
                self.heard_s = time.monotonic()
            self.held.append(line.take())
            try:
                self.connection.send(self.held[-1])
            except OSError:
                self.is_gone = True

    def outcomes(self) -> Iterator[tuple[_Job, Outcome | _Fault]]:
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
                continue
            number, outcome = message
            job = next(one for one in self.held if one[0] == number)
            self.held.remove(job)
            yield job, outcome

    def fault(self) -> _Fault | None:
        """What is wrong if the worker has stopped or stalled."""
        limit_s = self.pool.photo_limit_s if self.is_ready else self.pool.start_limit_s
        is_late = bool(self.held) and time.monotonic() - self.heard_s > limit_s
        if not self.is_gone and not is_late:
            return None
        return _Fault(_CRASHED if self.is_gone else _STALLED.format(seconds=self.pool.photo_limit_s))

    def stop(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.join()
        self.connection.close()


def _work(
    connection: Connection,
    make_looker: MakeLooker,
    models_dir: Path,
    photos_root: PhotosRoot,
    sheets: Mapping[str, ReferenceSheet],
    memory_mb: int | None,
) -> None:
    """A worker's life: load, then look at photo after photo until the pipe closes."""
    use_one_processor()  # the workers share the processors among themselves
    if memory_mb is not None:  # what it writes to; files mapped for reading cost nothing
        resource.setrlimit(resource.RLIMIT_DATA, (memory_mb << 20, memory_mb << 20))
    looker = make_looker(models_dir, photos_root, sheets)
    connection.send(_READY)
    while True:
        try:
            place, job = connection.recv()
        except EOFError:
            return
        connection.send((place, _outcome(looker, job)))


def _outcome(looker: Looks, job: PhotoJob) -> Outcome | _Fault:
    try:
        return looker.look(job)
    except MemoryError:
        return _Fault(_TOO_LARGE)
    except Exception as err:  # whatever one photo does, the others are looked at
        return _Fault(f"this photo could not be looked at ({type(err).__name__}: {err})")
