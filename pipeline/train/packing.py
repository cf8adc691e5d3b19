"""A trained pair of networks with its held-out predictions as one file, small enough to be carried."""

from __future__ import annotations

import io
import tarfile
from pathlib import Path

PACKED = ("detector.safetensors", "parts.safetensors", "val_predictions.npz")
MOST_BYTES = 16 * 2**20  # a file of more is cut into pieces
_SUFFIX = ".tar.xz"


def pack(folder: Path, target: Path, most_bytes: int = MOST_BYTES) -> list[Path]:
    """Pack a run's weights and predictions.

    Args:
        folder: holds the files of `PACKED`; the predictions may be missing.
        target: the packed file without its suffix; its folder is made if absent.
        most_bytes: a longer file is written as numbered pieces.

    Returns:
        The file, or its pieces in order.

    Raises:
        FileNotFoundError: if weights are missing.
    """
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode="w:xz") as tar:
        for name in PACKED:
            if (folder / name).exists() or name.endswith(".safetensors"):
                tar.add(folder / name, arcname=name, filter=_anonymous)
    content = held.getvalue()
    target.parent.mkdir(parents=True, exist_ok=True)
    if len(content) <= most_bytes:
        files = [target.with_name(target.name + _SUFFIX)]
    else:
        count = -(-len(content) // most_bytes)
        files = [target.with_name(f"{target.name}{_SUFFIX}.{i}") for i in range(1, count + 1)]
    for i, file in enumerate(files):
        file.write_bytes(content[i * most_bytes : (i + 1) * most_bytes])
    return files


def packed_in(folder: Path) -> dict[str, list[Path]]:
    """The packs in a folder: name to the file, or to its pieces in order."""
    found: dict[str, list[Path]] = {}
    for path in folder.glob(f"*{_SUFFIX}*"):
        found.setdefault(path.name.split(_SUFFIX)[0], []).append(path)
    return {
        name: sorted(files, key=lambda path: int("0" + path.suffix.removeprefix(".xz").lstrip(".")))
        for name, files in sorted(found.items())
    }


def unpack(files: list[Path], folder: Path) -> None:
    """Write what was packed into a folder, and nothing else that a file might hold.

    Raises:
        ValueError: if the files are not a pack.
    """
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with tarfile.open(fileobj=io.BytesIO(b"".join(file.read_bytes() for file in files)), mode="r:xz") as tar:
            for member in tar.getmembers():
                held = tar.extractfile(member) if member.name in PACKED else None
                if held is not None:
                    (folder / member.name).write_bytes(held.read())
    except (tarfile.TarError, EOFError, OSError) as err:
        raise ValueError(f"{files[0]}: is not a pack of weights: {err}") from err


def _anonymous(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Without the owner and the time, so that the same weights make the same file."""
    member.uid = member.gid = member.mtime = 0
    member.uname = member.gname = ""
    return member
