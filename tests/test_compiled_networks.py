"""Compiled networks on disk: the same answers, sooner; nothing that lies there can do harm."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import openvino as ov
import pytest
from openvino import opset13 as ops

from pipeline.compiled_networks import cache_folder, compiled, exact_arithmetic
from pipeline.model_files import Network

HINTS = {"INFERENCE_PRECISION_HINT": "f32", "INFERENCE_NUM_THREADS": 1}


def a_model(side_px: int = 64) -> ov.Model:
    model = ov.Core().read_model("models/detector.xml")
    model.reshape([1, side_px, side_px, 3])
    return model


def answers(network: ov.CompiledModel, side_px: int = 64) -> list[np.ndarray]:
    picture = np.random.default_rng(1).integers(0, 256, (1, side_px, side_px, 3), dtype=np.uint8)
    return [np.array(value) for value in network.create_infer_request().infer([picture]).to_tuple()]


def test_a_kept_network_answers_as_a_fresh_one(tmp_path: Path):
    core = ov.Core()
    fresh = answers(core.compile_model(a_model(), "CPU", HINTS))
    for _ in range(2):  # written, then read
        kept = answers(compiled(core, a_model(), "abc", HINTS, tmp_path))
        assert all(np.array_equal(one, other) for one, other in zip(fresh, kept, strict=True))
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("change", [{"made_of": "other"}, {"side_px": 96}, {"hints": HINTS | {"NUM_STREAMS": 1}}])
def test_another_network_size_or_way_is_another_file(tmp_path: Path, change: dict):
    core = ov.Core()
    for what in ({}, change):
        made_of, hints = what.get("made_of", "abc"), what.get("hints", HINTS)
        compiled(core, a_model(what.get("side_px", 64)), made_of, hints, tmp_path)
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("spoiled", [b"", b"nonsense", None])
def test_a_spoiled_file_is_passed_over_and_written_anew(tmp_path: Path, spoiled: bytes | None):
    core = ov.Core()
    compiled(core, a_model(), "abc", HINTS, tmp_path)
    [path] = tmp_path.iterdir()
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2] if spoiled is None else spoiled)
    assert answers(compiled(core, a_model(), "abc", HINTS, tmp_path))
    assert core.import_model(io.BytesIO(path.read_bytes()), "CPU", HINTS)


def test_where_nothing_can_be_written_it_is_compiled_all_the_same(tmp_path: Path):
    (tmp_path / "file").write_text("in the way")
    assert answers(compiled(ov.Core(), a_model(), "abc", HINTS, tmp_path / "file" / "folder"))


def test_old_files_make_room(tmp_path: Path):
    for number in range(45):
        path = tmp_path / f"{number:02d}.blob"
        path.write_bytes(b"old")
        os.utime(path, (number, number))
    compiled(ov.Core(), a_model(), "abc", HINTS, tmp_path)
    left = sorted(path.name for path in tmp_path.glob("*.blob"))
    assert len(left) == 40
    assert "05.blob" not in left
    assert "44.blob" in left


def test_what_was_needed_last_stays(tmp_path: Path):
    core = ov.Core()
    compiled(core, a_model(), "abc", HINTS, tmp_path)
    [needed] = tmp_path.glob("*.blob")
    os.utime(needed, (1, 1))
    for number in range(2, 41):
        path = tmp_path / f"{number:02d}.blob"
        path.write_bytes(b"old")
        os.utime(path, (number, number))
    compiled(core, a_model(), "abc", HINTS, tmp_path)
    compiled(core, a_model(), "another", HINTS, tmp_path)
    assert needed.exists()
    assert not (tmp_path / "02.blob").exists()


def kinds_of_kernels(**variables: str) -> set[str]:
    """By which kinds of code a fresh process calculates the detector."""
    program = (
        "from pipeline.model_files import Network; import openvino as ov, pathlib\n"
        "network = Network(pathlib.Path('models'), 'detector.xml', 64, 1)\n"
        "compiled = network._made_ready(64, 64).request.get_compiled_model()\n"
        "print(*{str(op.get_rt_info()['primitiveType'].astype(str)) for op in compiled.get_runtime_model().get_ops()})"
    )
    environment = {name: value for name, value in os.environ.items() if name != "ONEDNN_MAX_CPU_ISA"}
    run = subprocess.run(
        [sys.executable, "-c", program], env=environment | variables, capture_output=True, text=True, check=True
    )
    return set(run.stdout.split())


@pytest.mark.skipif(" amx_int8" not in Path("/proc/cpuinfo").read_text(), reason="this processor has no matrix tiles")
def test_networks_leave_matrix_tiles_unused_unless_somebody_wants_them():
    assert not any("amx" in kind for kind in kinds_of_kernels())
    assert any("amx" in kind for kind in kinds_of_kernels(ONEDNN_MAX_CPU_ISA="ALL"))


def test_the_folder_is_the_users_cache(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """XDG Base Directory Specification 0.8: a path that is not absolute is passed over."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache_folder().parent.parent == tmp_path
    monkeypatch.setenv("XDG_CACHE_HOME", "here")
    monkeypatch.setenv("HOME", str(tmp_path / "me"))
    assert cache_folder() == tmp_path / "me" / ".cache" / "denim-triage" / "networks"


def test_a_scan_uses_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    network = Network(Path("models"), "detector.xml", 64, threads=1)
    network(np.zeros((64, 64, 3), np.uint8))
    assert len(list(cache_folder().iterdir())) == 1


def in_integers() -> tuple[ov.Model, np.ndarray]:
    """A convolution in bytes, by nncf's scheme, and pictures for it."""
    rng = np.random.default_rng(2)
    pixels = ops.parameter([1, 32, 8, 8], np.float32)
    zero, top = ops.constant(np.float32(0)), ops.constant(np.float32(255))
    in_bytes = ops.fake_quantize(pixels, zero, top, zero, top, 256)
    whole = rng.integers(-127, 128, (16, 32, 3, 3), dtype=np.int8)
    weights = ops.multiply(ops.convert(ops.constant(whole), "f32"), ops.constant(np.float32(0.01)))
    out = ops.convolution(in_bytes, weights, [1, 1], [0, 0], [0, 0], [1, 1])
    return ov.Model([ops.result(out)], [pixels]), rng.integers(0, 256, (1, 32, 8, 8)).astype(np.float32)


def test_integers_add_up_exactly_on_every_processor():
    # source: torch's convolution of the same whole numbers, which single precision holds exactly
    torch = pytest.importorskip("torch")
    model, pixels = in_integers()
    [found] = ov.Core().compile_model(model, "CPU", {**HINTS, **exact_arithmetic()})(pixels).values()
    weights = next(node.data for node in model.get_ops() if node.get_element_type() == ov.Type.i8)
    wanted = (
        torch.nn.functional.conv2d(torch.from_numpy(pixels), torch.tensor(weights.astype(np.float32))).numpy() * 0.01
    )
    assert np.abs(found - wanted).max() < 0.001 * np.abs(wanted).max()
