"""What a run does as JSON, one object a line, and nothing else on standard error, whoever writes there."""

from __future__ import annotations

import json
import os
import sys
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TextIO

_STEPS = 20  # lines of progress in all
_STDERR = 2  # POSIX: the file descriptor of standard error


@dataclass(frozen=True, slots=True)
class JsonLog:
    """Writes what happens: `at` (UTC), `event`, and what belongs to it. Threads may share it."""

    file: TextIO
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    _alone: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    def write(self, event: str, **what: object) -> None:
        """One line."""
        line = {"at": self.now().isoformat(timespec="milliseconds"), "event": event, **what}
        with self._alone:
            self.file.write(f"{json.dumps(line, ensure_ascii=False)}\n")
            self.file.flush()

    def say(self, line: str) -> None:
        """What a person would have been told."""
        self.write("notice", line=line)

    @contextmanager
    def progress(self) -> Iterator[Callable[[int, int], None]]:
        """A function to call with (done, in all); some twenty lines come of it, with the seconds that are left."""
        began, shown = self.now(), -1

        def show(done: int, total: int) -> None:
            nonlocal shown
            step = done * _STEPS // max(total, 1)
            if step > shown:
                shown = step
                left = seconds_left(done, total, self.now() - began)
                self.write("progress", done=done, total=total, seconds_left=left)

        yield show


def seconds_left(done: int, total: int, so_far: timedelta) -> int | None:
    """How long the rest takes at the pace so far; None before there is one."""
    return round(so_far.total_seconds() / done * (total - done)) if done and so_far >= timedelta() else None


@contextmanager
def json_log() -> Iterator[JsonLog]:
    """A log on standard error. What else comes there becomes lines of it, with the event "other".

    That is what libraries print, in Python or not, here or in worker processes: a file descriptor is taken, not a name.
    """
    sys.stderr.flush()
    kept, (reading, writing) = os.dup(_STDERR), os.pipe()
    with os.fdopen(kept, "w", encoding="utf-8", errors="replace") as file:
        log, last = JsonLog(file), uuid.uuid4().hex  # the pipe may stay open in a process that outlives this one
        os.dup2(writing, _STDERR)
        os.close(writing)
        passing_on = threading.Thread(target=_pass_on, args=(reading, last, log), daemon=True)
        passing_on.start()
        try:
            yield log
        finally:
            sys.stderr.flush()
            with suppress(OSError):
                os.write(_STDERR, f"\n{last}\n".encode())
            passing_on.join()
            os.dup2(kept, _STDERR)


def _pass_on(reading: int, last: str, log: JsonLog) -> None:
    """Make lines of the log of what comes, until the last one; a line that is drawn over is several."""
    with os.fdopen(reading, encoding="utf-8", errors="replace") as said:
        for line in said:
            if line.rstrip() == last:
                return
            with suppress(OSError):  # who writes here must never wait for a log that is full
                if line.strip():
                    log.write("other", line=line.rstrip())
