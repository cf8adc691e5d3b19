"""Compiled networks kept on disk, so that the next process that needs one has it in a fifth of the time.

What is kept belongs to one network, one size of picture, one processor and one version of the inference library;
anything else has another name. A file that cannot be used, or a folder that cannot be written, costs the time and
nothing else.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import json
import os
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import openvino as ov
from openvino import opset13 as ops

_KEPT = 40  # files, some 4 MB each: three sets of networks and more


def _leave_tiles_unused() -> None:
    """Keep the inference library off a processor's matrix tiles (AMX), unless somebody set a limit of their own.

    Layers as narrow as those of these networks hardly fill a tile: with the vector instructions below it (VNNI) the
    detector takes a tenth less time and the part network an eighth less. The library reads the limit (a variable of
    oneDNN's) once, when it first makes a network ready; processes started from here inherit it.
    """
    with contextlib.suppress(OSError):
        if " amx_int8" in Path("/proc/cpuinfo").read_text(encoding="utf-8"):
            os.environ.setdefault("ONEDNN_MAX_CPU_ISA", "AVX512_CORE_VNNI")


_leave_tiles_unused()


def cache_folder() -> Path:
    """Where compiled networks are kept: in the user's cache (XDG Base Directory Specification 0.8)."""
    named = os.environ.get("XDG_CACHE_HOME", "")
    root = Path(named) if Path(named).is_absolute() else Path.home() / ".cache"
    return root / "denim-triage" / "networks"


def exact_arithmetic() -> Mapping[str, str]:
    """Hints with which networks in 8-bit integers answer on this processor as on any other.

    Without instructions made for it (VNNI) products of bytes are added in pairs in 16 bits, and what is more is cut
    off: of 70 crops of buttons and rivets the metal came out another in eleven in place of four. There the integers
    are calculated with in single precision, which takes a twentieth longer.
    """
    return {"LP_TRANSFORMS_MODE": "NO"} if _sums_are_cut_off() else {}


@functools.cache
def _sums_are_cut_off() -> bool:
    """Try it: a convolution in integers whose sums are known, and as large as they come."""
    core, channels = ov.Core(), 64
    floats = {value: ops.constant(np.float32(value)) for value in (0, 255, 1 / 127)}
    pixels = ops.parameter([1, channels, 4, 4], np.float32)
    in_bytes = ops.fake_quantize(pixels, floats[0], floats[255], floats[0], floats[255], 256)
    ones = ops.multiply(ops.convert(ops.constant(np.full((16, channels, 1, 1), 127, np.int8)), "f32"), floats[1 / 127])
    sums = ops.convolution(in_bytes, ones, [1, 1], [0, 0], [0, 0], [1, 1])
    hints = {"INFERENCE_PRECISION_HINT": "f32", "INFERENCE_NUM_THREADS": 1}
    network = core.compile_model(ov.Model([ops.result(sums)], [pixels]), "CPU", hints)
    [found] = network(np.full((1, channels, 4, 4), 255, np.float32)).values()
    return bool(np.abs(found - 255 * channels).max() > 0.01 * 255 * channels)


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
    asked = [sorted(port.names) for port in model.outputs]
    # The processor's name does not tell which instructions a virtual machine lends of it; its features do.
    processor = [core.get_property("CPU", name) for name in ("FULL_DEVICE_NAME", "OPTIMIZATION_CAPABILITIES")]
    told = {key: str(value) for key, value in sorted(hints.items())}
    what = [ov.__version__, made_of, shapes, asked, told, str(processor)]
    return hashlib.sha256(json.dumps(what).encode()).hexdigest()[:32]


def _kept(core: ov.Core, path: Path, hints: Mapping[str, Any]) -> ov.CompiledModel | None:
    try:
        data = path.read_bytes()
        kept = core.import_model(io.BytesIO(data), "CPU", dict(hints))
    except (OSError, RuntimeError):  # not there, cut short, of another library after all
        return None
    with contextlib.suppress(OSError):
        path.touch()  # those that were not needed for longest go first
    return kept


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
