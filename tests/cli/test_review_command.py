"""`denim-triage review`, before it serves anything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import store
from pipeline.cli import NOTHING_DONE, main

ROOT = Path(__file__).resolve().parents[2]


def test_a_folder_without_a_run_is_one_line_and_status_2(tmp_path, capsys):
    assert main(["review", str(tmp_path)]) == NOTHING_DONE
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert "there is no run here" in line


def test_a_run_that_does_not_name_its_listings_asks_for_them(tmp_path, capsys):
    store.write_run(tmp_path, [], [], [])
    assert main(["review", str(tmp_path)]) == NOTHING_DONE
    assert "--listings" in capsys.readouterr().err


def test_a_database_of_another_kind_is_refused_in_one_line(tmp_path, capsys):
    store.write_run(tmp_path, [], [], [])
    assert main(["review", str(tmp_path), "--store", "mysql://x/y"]) == NOTHING_DONE
    assert "mysql" in capsys.readouterr().err


@pytest.mark.parametrize("missing", ["fastapi", "sqlalchemy", "argon2"])
def test_without_its_libraries_it_says_what_to_install(missing):
    code = (
        f"import sys; sys.modules[{missing!r}] = None; from pipeline.cli import main; sys.exit(main(['review', '.']))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == NOTHING_DONE
    (line,) = done.stderr.strip().splitlines()
    assert "pip install -r requirements/review.txt" in line
