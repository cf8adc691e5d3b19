"""Photos looked at on a Ray cluster, on as many machines as it has.

Ray Data hands out photos and starts anew elsewhere what a lost machine was at. Each of its actors holds a crew of one
worker process, as a scan on one machine does, so a photo that kills, stalls or fills a worker ends alike on both.
"""

from __future__ import annotations

import importlib.util
import itertools
import logging
import os
import pickle
import queue
import socket
import tempfile
import threading
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import pyarrow

from pipeline import __version__
from pipeline.config import ReferenceSheet
from pipeline.intake import NothingToDo, PhotosRoot
from pipeline.scan.looking import PhotoJob
from pipeline.scan.workers import Crew, Outcome, Pool

if TYPE_CHECKING:
    from ray import ObjectRef
    from ray.data import Dataset

_AT_ONCE = 8  # photos of a task: what a lost machine costs, against a task's own cost of some ms
_KNOCK_S, _KNOCK_EVERY_S, _KNOCKS = 10.0, 5.0, 4
_PILE = 64  # tasks whose outcomes wait to be written; the cluster waits, too, when they are more
_NOT_FOR_LOOKING = ".safetensors"  # weights to train on from


class ClusterError(OSError):
    """The cluster did not look at the photos; the message says why in one line."""


@dataclass(frozen=True, slots=True)
class OnRay:
    """A Ray cluster to look at photos.

    Args:
        pool: what every worker loads, and what it may take; how many it says counts for nothing here.
        address: of the cluster; "auto" for the one that this machine is part of, "local" for one of this machine alone.
        workers: at most; None: one for each processor that the cluster has.
        window: photos that are on their way at a time, and as many that are got ready meanwhile.
        silence_limit_s: how long to wait for any outcome.

    Raises:
        NothingToDo: if Ray is not installed.
    """

    pool: Pool
    address: str = "auto"
    workers: int | None = None
    window: int = 8_000
    silence_limit_s: float = 900.0

    def __post_init__(self) -> None:
        """Refuse at once what can't be done later."""
        if self.address.startswith("ray://"):
            raise NothingToDo(f"{self.address}: run the scan on a machine of the cluster, and name HOST:PORT or auto")
        if importlib.util.find_spec("ray") is None:
            raise NothingToDo("Ray is not installed: pip install -r requirements/ray.txt, or scan with --engine local")

    @property
    def models_dir(self) -> Path:
        """The networks."""
        return self.pool.models_dir

    @property
    def photos_root(self) -> PhotosRoot:
        """Where photos lie."""
        return self.pool.photos_root

    @property
    def sheets(self) -> Mapping[str, ReferenceSheet]:
        """Reference sheets by maker."""
        return self.pool.sheets

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        """As `Engine.look_at_all`.

        Raises:
            NothingToDo: if no cluster answers.
            ClusterError: if its machines can't look, or none of them answers any more.
        """
        waiting = enumerate(jobs)
        window = list(itertools.islice(waiting, 1))
        if not window:
            return
        with _connected(self.address) as ray:
            window += itertools.islice(waiting, self.window - 1)
            networks = ray.put(_networks(self.pool.models_dir))
            leader = _Leader(ray.get_runtime_context().gcs_address)
            while window:
                outcomes = self._started(ray, window, networks)
                window = []
                while (found := self._next(outcomes, waiting, window, leader)) is not None:
                    yield from found
                window += itertools.islice(waiting, self.window - len(window))

    def _started(
        self, ray: ModuleType, window: list[tuple[int, PhotoJob]], networks: ObjectRef[dict[str, bytes]]
    ) -> _Outcomes:
        """Hand the window out; its outcomes come by the queue."""
        rows = [{"number": number, "job": pickle.dumps(job)} for number, job in window]
        most = self.workers or max(1, int(ray.cluster_resources().get("CPU", 1)))
        looked_at = ray.data.from_items(rows, override_num_blocks=-(-len(rows) // _AT_ONCE)).map_batches(
            _Actor,
            fn_constructor_args=(_for_any_machine(self.pool), networks, __version__),
            batch_format="pyarrow",
            batch_size=_AT_ONCE,
            compute=ray.data.ActorPoolStrategy(min_size=1, max_size=most),
            num_cpus=1,
        )
        outcomes: _Outcomes = queue.Queue(_PILE)
        threading.Thread(target=_collect, args=(looked_at, outcomes), daemon=True).start()
        return outcomes

    def _next(
        self,
        outcomes: _Outcomes,
        waiting: Iterator[tuple[int, PhotoJob]],
        window: list[tuple[int, PhotoJob]],
        leader: _Leader,
    ) -> list[tuple[int, Outcome]] | None:
        """The next outcomes, None at the end of a window; until they are there, the next window is filled."""
        while outcomes.empty() and len(window) < self.window and (job := next(waiting, None)) is not None:
            window.append(job)
        silent_s = time.monotonic()
        while True:
            leader.check()
            try:
                found = outcomes.get(timeout=_KNOCK_EVERY_S)
                break
            except queue.Empty:
                if time.monotonic() - silent_s > self.silence_limit_s:
                    minutes = f"{self.silence_limit_s / 60:.0f} min"
                    raise ClusterError(f"nothing has come from the cluster for {minutes}; scan again") from None
        if isinstance(found, ClusterError):
            raise found
        if isinstance(found, BaseException):
            raise ClusterError(f"the cluster stopped looking ({_reason(found)}); scan again") from found
        return found


_Outcomes = queue.Queue[list[tuple[int, Outcome]] | BaseException | None]


class _Leader:
    """The machine that leads the cluster: Ray waits for it for ever, or ends this process."""

    def __init__(self, address: str) -> None:
        """Take it that it is there now."""
        self._address, self._knocked_s, self._failed = address, time.monotonic(), 0

    def check(self) -> None:
        """Now and then, see whether it is there.

        Raises:
            ClusterError: if it has been gone for a while.
        """
        if time.monotonic() - self._knocked_s < _KNOCK_EVERY_S:
            return
        try:
            _knock(self._address)
            self._failed = 0
        except OSError as err:
            self._failed += 1
            if self._failed == _KNOCKS:
                raise ClusterError(f"the machine that leads the cluster is gone ({err}); scan again") from err
        self._knocked_s = time.monotonic()


@dataclass(frozen=True, slots=True)
class _Refusal:
    """Why a machine can't look at photos at all. It comes in place of outcomes: an exception would lose its words."""

    reason: str


class _Actor:
    """On a machine of the cluster: the networks, and a worker that looks by them."""

    def __init__(self, pool: Pool, networks: ObjectRef[dict[str, bytes]], version: str) -> None:
        import ray

        self._refusal = _refusal(pool, version)
        self._folder = tempfile.TemporaryDirectory(prefix="networks-")
        models = Path(self._folder.name) / pool.models_dir.name
        models.mkdir()
        for name, data in ray.get(networks).items():
            (models / name).write_bytes(data)
        self._crew = Crew(replace(pool, models_dir=models, workers=1))

    def __call__(self, batch: pyarrow.Table) -> pyarrow.Table:
        """Look at some photos."""
        numbers = batch["number"].to_pylist()
        jobs = [pickle.loads(job) for job in batch["job"].to_pylist()]
        found: dict[int, Outcome | _Refusal] = {}
        try:
            if self._refusal is None:
                found.update((numbers[place], outcome) for place, outcome in self._crew.look_at_all(jobs))
        except RuntimeError as err:
            self._refusal = _Refusal(f"{err} in Ray's log")
        if self._refusal is not None:
            found = {-1: self._refusal}
        return pyarrow.table({"number": list(found), "outcome": [pickle.dumps(one) for one in found.values()]})


def _for_any_machine(pool: Pool) -> Pool:
    """A pool whose folder of photos has the same name wherever a process was started."""
    root = pool.photos_root
    return replace(pool, photos_root=root.resolve()) if isinstance(root, Path) else pool


def _refusal(pool: Pool, version: str) -> _Refusal | None:
    """Why this machine would not look as the one that scans does."""
    if version != __version__:
        return _Refusal(f"it has version {__version__} of denim-triage, the scan is of {version}")
    if isinstance(pool.photos_root, Path) and not pool.photos_root.is_dir():
        return _Refusal(f"it has no folder {pool.photos_root}: share it, or name --photos-from")
    return None


def _collect(looked_at: Dataset, outcomes: _Outcomes) -> None:
    """Let the cluster look, and pass on what comes: outcomes, then None, or why there is no more."""
    try:
        for batch in looked_at.iter_batches(batch_size=None, batch_format="pyarrow", prefetch_batches=0):
            table: pyarrow.Table = batch
            found = [pickle.loads(one) for one in table["outcome"].to_pylist()]
            for one in found:
                if isinstance(one, _Refusal):
                    raise ClusterError(f"a machine of the cluster can't look at photos: {one.reason}")
            outcomes.put(list(zip(table["number"].to_pylist(), found, strict=True)))
        outcomes.put(None)
    except BaseException as err:  # it is told of in the thread that scans
        outcomes.put(err)


def _networks(models_dir: Path) -> dict[str, bytes]:
    """The files that a look needs: every machine judges by the same ones."""
    return {
        path.name: path.read_bytes()
        for path in sorted(models_dir.iterdir())
        if path.is_file() and path.suffix != _NOT_FOR_LOOKING
    }


@contextmanager
def _connected(address: str) -> Iterator[ModuleType]:
    """Ray, connected to the cluster."""
    os.environ.setdefault("RAY_USAGE_STATS_ENABLED", "0")  # what is scanned is nobody's business
    os.environ.setdefault("RAY_gcs_rpc_server_reconnect_timeout_s", "3600")  # then it ends this process; see _Leader
    os.environ.setdefault("RAY_BACKEND_LOG_LEVEL", "fatal")  # it is loud about what it mends by itself
    import ray
    import ray.data

    logging.getLogger("ray.data").setLevel(logging.CRITICAL)
    try:
        ray.init(address=_found(address), log_to_driver=False, logging_level=logging.CRITICAL, include_dashboard=False)
    except (OSError, RuntimeError, ValueError) as err:
        raise NothingToDo(f"no Ray cluster can be used at {address} ({_reason(err)})") from err
    settings = ray.data.DataContext.get_current()
    settings.enable_progress_bars = False
    try:
        yield ray
    finally:
        ray.shutdown()


def _found(address: str) -> str:
    """The cluster's address, once somebody answers there: Ray itself would go on trying for ever.

    Raises:
        OSError: if there is none, or nobody answers.
        ValueError: if it is no HOST:PORT.
    """
    if address == "local":
        return address
    # Not public, but the only way to learn what "auto" means before it is tried.
    from ray._private.services import canonicalize_bootstrap_address_or_die

    found: str = canonicalize_bootstrap_address_or_die(address)
    _knock(found)
    return found


def _knock(address: str) -> None:
    """Try to reach the machine that leads.

    Raises:
        OSError: if nobody answers there.
    """
    host, _, port = address.rpartition(":")
    socket.create_connection((host.strip("[]"), int(port)), timeout=_KNOCK_S).close()


def _reason(err: BaseException) -> str:
    """The first line of an error."""
    return next(iter(str(err).strip().splitlines()), type(err).__name__)
