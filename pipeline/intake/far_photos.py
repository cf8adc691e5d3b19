"""Photos that lie elsewhere, read through fsspec: only under the addresses that whoever runs the scan has named."""

from __future__ import annotations

import asyncio
import functools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote, urlsplit

from tenacity import Retrying, retry_if_exception_type, stop_after_attempt, wait_exponential

from pipeline.intake.listings import NothingToDo

if TYPE_CHECKING:
    import aiohttp
    from fsspec import AbstractFileSystem

LOCAL = "file://"
_NEEDS = {"file": "fsspec", "http": "aiohttp", "https": "aiohttp", "s3": "s3fs", "gs": "gcsfs"}
_TRIES = 3
_LIMIT_S = 60.0  # for one photo
_WAIT_S = 10.0  # for an answer to begin
_PIECE = 1 << 20  # bytes
_LEADS_OUT = "the path leads out of the folder that photos are read from, so the file was not opened"
NOT_NAMED = "the address is under none of those that photos may be read from, so it was not opened"
_SENT_ON = "the server sends on to an address that photos may not be read from, so it was not followed"


class NotFetchedError(Exception):
    """A photo that was not read; the message says why in words for a moderator."""


@dataclass(frozen=True, slots=True)
class FarPhotos:
    """The addresses under which photos may be read, each ending in a slash; made by `photos_from`.

    A photo named by a whole address must lie under one of them; any other name is looked up under the first. `wait_in`
    is a folder of this machine where a scan keeps what it fetched until that was looked at; None: it is fetched again.
    """

    prefixes: tuple[str, ...]
    wait_in: Path | None = None

    def __str__(self) -> str:
        """The addresses with a space between them; they have none in them."""
        return " ".join(self.prefixes)

    def address_of(self, name: str) -> tuple[str, str]:
        """Where a photo lies.

        Args:
            name: as the listing gives it.

        Returns:
            The address that it lies under, and the rest as that kind of place writes it.

        Raises:
            NotFetchedError: if it lies elsewhere.
        """
        if "://" in name:
            prefix = next((one for one in self.prefixes if name.startswith(one)), None)
            if prefix is None:
                raise NotFetchedError(NOT_NAMED)
            rest = name.removeprefix(prefix)
            rest = quote(rest, safe="/?&=%:@!$'()*+,;~") if _is_http(prefix) else rest
        else:
            prefix = self.prefixes[0]
            rest = quote(name) if _is_http(prefix) else name
        if _leads_out(rest, _is_http(prefix)):
            raise NotFetchedError(_LEADS_OUT)
        return prefix, rest

    def is_within(self, address: str) -> bool:
        """Whether an address of the web lies under one of the prefixes."""
        return any(address.startswith(one) and not _leads_out(address[len(one) :], True) for one in self.prefixes)


def photos_from(places: Sequence[str]) -> FarPhotos:
    """Check the addresses that photos may be read from.

    Args:
        places: https://HOST/..., http://HOST/..., s3://BUCKET/..., gs://BUCKET/..., or a folder of this machine.

    Raises:
        NothingToDo: if one is none of these, carries a password, or needs a package that is not installed.
    """
    prefixes = [one if "://" in one else f"{LOCAL}{Path(one).resolve()}" for one in places]
    for prefix in prefixes:
        parts = urlsplit(prefix)
        if parts.scheme not in _NEEDS:
            raise NothingToDo(f"{prefix}: photos are read from https, http, s3, gs and folders only")
        if not (parts.netloc or parts.scheme == "file") or parts.query or parts.fragment or re.search(r"\s", prefix):
            raise NothingToDo(f"{prefix}: name an address such as https://host/photos/, without spaces, ? and #")
        if "@" in parts.netloc:
            raise NothingToDo("an address of photos holds a user or password; give these in the environment instead")
        if _leads_out(parts.path.lstrip("/"), True):
            raise NothingToDo(f"{prefix}: an address of photos has no dots for a folder in it")
        _check_installed(parts.scheme)
    return FarPhotos(tuple(prefix if prefix.endswith("/") else f"{prefix}/" for prefix in prefixes))


def fetch(photos: FarPhotos, prefix: str, rest: str, most_bytes: int) -> bytes:
    """Read a photo's file, or as much of it as shows that it is too large.

    Args:
        photos: the addresses that may be read from.
        prefix: one of them, of another machine.
        rest: as `FarPhotos.address_of` gives it.
        most_bytes: no more than one byte over this is read.

    Raises:
        FileNotFoundError: if it is not there.
        NotFetchedError: if it can't be read.
    """
    system, address = _system(photos, prefix.partition(":")[0]), prefix + rest
    read = _http_bytes if _is_http(prefix) else _object_bytes
    patiently = Retrying(
        stop=stop_after_attempt(_TRIES),
        wait=wait_exponential(multiplier=0.5),
        retry=retry_if_exception_type(_AwayError),
        reraise=True,
    )
    try:
        return patiently(_read, read, system, address, most_bytes)
    except _AwayError as err:
        raise NotFetchedError(f"the file can't be read from where it lies now ({err}); scan again") from err


class _AwayError(Exception):
    """What may pass: tried again."""


class _SentOnError(Exception):
    """A redirect to where nothing may be read."""


def _read(
    read: Callable[[AbstractFileSystem, str, int], bytes], system: AbstractFileSystem, address: str, most_bytes: int
) -> bytes:
    """Try once."""
    try:
        return read(system, address, most_bytes)
    except _SentOnError as err:
        raise NotFetchedError(_SENT_ON) from err
    except (FileNotFoundError, IsADirectoryError) as err:
        raise FileNotFoundError(address) from err
    except Exception as err:  # each kind of place has errors of its own
        status = getattr(err, "status", None)
        told = f"HTTP {status}" if isinstance(status, int) else type(err).__name__
        if isinstance(err, PermissionError) or (isinstance(status, int) and status < 500 and status != 429):
            raise NotFetchedError(f"the file can't be opened ({told})") from err
        raise _AwayError(told) from err


def _http_bytes(system: AbstractFileSystem, address: str, most_bytes: int) -> bytes:
    # A size that is given saves asking for it first; blocks of 0 make a stream, of which only what is wanted is read.
    with system.open(address, "rb", block_size=0, size=1) as file:
        data = bytearray()
        while len(data) <= most_bytes and (piece := file.read(min(_PIECE, most_bytes + 1 - len(data)))):
            data += piece
        return bytes(data)


def _object_bytes(system: AbstractFileSystem, address: str, most_bytes: int) -> bytes:
    with system.open(address, "rb") as file:
        return bytes(file.read(min(file.size, most_bytes + 1)))


@functools.lru_cache(maxsize=8)
def _system(photos: FarPhotos, scheme: str) -> AbstractFileSystem:
    """What reads this kind of place, kept with its connections."""
    import fsspec

    if scheme in ("http", "https"):
        client = functools.partial(_web_client, photos)
        return fsspec.filesystem("http", get_client=client, encoded=True, skip_instance_cache=True)
    limits = {"connect_timeout": _WAIT_S, "read_timeout": _LIMIT_S}
    return fsspec.filesystem(scheme, **({"config_kwargs": limits} if scheme == "s3" else {}))


async def _web_client(photos: FarPhotos, loop: asyncio.AbstractEventLoop) -> aiohttp.ClientSession:
    """A client that follows a redirect only to where photos may be read."""
    import aiohttp
    import yarl

    async def check(session: object, context: SimpleNamespace, sent: aiohttp.TraceRequestRedirectParams) -> None:
        to = sent.response.headers.get("Location") or sent.response.headers.get("URI") or ""
        if not photos.is_within(str(sent.url.join(yarl.URL(to)))):
            raise _SentOnError(to)

    tracing = aiohttp.TraceConfig()
    tracing.on_request_redirect.append(check)
    limits = aiohttp.ClientTimeout(total=_LIMIT_S, sock_connect=_WAIT_S)
    return aiohttp.ClientSession(loop=loop, trace_configs=[tracing], timeout=limits)


def _leads_out(rest: str, is_encoded: bool) -> bool:
    """Whether a part of the path stands for another folder, is hidden in an escape, or begins at the root."""
    path = unquote(rest.partition("?")[0]) if is_encoded else rest
    return path.startswith("/") or any(part in (".", "..") for part in path.replace("\\", "/").split("/"))


def _is_http(prefix: str) -> bool:
    return prefix.startswith(("http://", "https://"))


def _check_installed(scheme: str) -> None:
    needs = _NEEDS[scheme]
    if scheme == "file":
        return
    try:
        import fsspec

        fsspec.get_filesystem_class(scheme)
    except ImportError as err:
        what = "gcsfs" if needs == "gcsfs" else "-r requirements/far.txt"
        raise NothingToDo(f"photos under {scheme}:// need {needs}: pip install {what}") from err
