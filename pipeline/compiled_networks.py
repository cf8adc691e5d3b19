"""Compiled networks kept on disk, so that the next process that needs one has it in a fifth of the time.

What is kept belongs to one network, one size of picture, one processor and one version of the inference library;
anything else has another name. A file that cannot be used, or a folder that cannot be written, costs the time and
nothing else.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import openvino as ov

_KEPT = 40  # files, some 4 MB each: three sets of networks and more


def cache_folder() -> Path:
    """Where compiled networks are kept: in the user's cache (XDG Base Directory Specification 0.8)."""
    named = os.environ.get("XDG_CACHE_HOME", "")
    root = Path(named) if Path(named).is_absolute() else Path.home() / ".cache"
    return root / "denim-triage" / "networks"


def compiled(core: ov.Core, model: ov.Model, made_of: str, hints: Mapping[str, Any], folder: Path) -> ov.CompiledModel:
    """The network made ready for this processor, from the folder if it lies there.

    Args:
        core: of the inference library.
        model: with its shapes set.
        made_of: a checksum of the network's files.
        hints: how to compile.
        folder: of compiled networks; written to.
    """
    path = folder / f"{_name(core, model, made_of, hints)}.blob"
    kept = _kept(core, path, hints)
    if kept is not None:
        return kept
    fresh = core.compile_model(model, "CPU", dict(hints))
    _keep(fresh, path)
    return fresh


def _name(core: ov.Core, model: ov.Model, made_of: str, hints: Mapping[str, Any]) -> str:
    shapes = [str(port.partial_shape) for port in model.inputs]
    # The processor's name does not tell which instructions a virtual machine lends of it; its features do.
    processor = [core.get_property("CPU", name) for name in ("FULL_DEVICE_NAME", "OPTIMIZATION_CAPABILITIES")]
    what = [ov.__version__, made_of, shapes, {key: str(value) for key, value in sorted(hints.items())}, str(processor)]
    return hashlib.sha256(json.dumps(what).encode()).hexdigest()[:32]


def _kept(core: ov.Core, path: Path, hints: Mapping[str, Any]) -> ov.CompiledModel | None:
    try:
        data = path.read_bytes()
        return core.import_model(io.BytesIO(data), "CPU", dict(hints))
    except (OSError, RuntimeError):  # not there, cut short, of another library after all
        return None


def _keep(network: ov.CompiledModel, path: Path) -> None:
    """Write it whole or not at all: other processes read while this one writes."""
    draft = path.with_name(f"{path.stem}.{uuid.uuid4().hex}.draft")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        draft.write_bytes(network.export_model().getvalue())
        draft.replace(path)
        for old in _beyond(_KEPT, sorted(path.parent.glob("*.blob"), key=lambda file: file.stat().st_mtime)):
            old.unlink(missing_ok=True)
    except (OSError, RuntimeError):
        with contextlib.suppress(OSError):
            draft.unlink()


def _beyond(count: int, oldest_first: Sequence[Path]) -> Sequence[Path]:
    return oldest_first[: max(0, len(oldest_first) - count)]
