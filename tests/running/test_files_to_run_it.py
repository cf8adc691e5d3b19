"""The timer, the cron example and the container file speak of commands and files that exist."""

from __future__ import annotations

import configparser
import os
import re
import subprocess
from pathlib import Path

import pytest

from pipeline import cli

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "configs/running"


def unit(name: str) -> configparser.ConfigParser:
    read = configparser.ConfigParser(interpolation=None, strict=False)
    read.optionxform = str
    read.read(FOLDER / name)
    return read


@pytest.mark.parametrize("metrics", [True, False])
def test_the_nightly_script_gives_a_command_that_the_program_understands(tmp_path, metrics):
    noting = tmp_path / "denim-triage"
    noting.write_text('#!/bin/sh\nfor word; do echo "$word"; done\n')
    noting.chmod(0o755)
    names = {"DENIM_LISTINGS": "/a b/l.jsonl", "DENIM_RUNS": "/runs", "DENIM_STORE": "postgresql://u@h/n"}
    more = {"DENIM_METRICS": "/m/x.prom"} if metrics else {}
    env = {"PATH": f"{tmp_path}:{os.environ['PATH']}", **names, **more}
    done = subprocess.run([FOLDER / "nightly.sh"], env=env, capture_output=True, text=True, check=True)
    options = cli._parser().parse_args(done.stdout.splitlines())
    assert (str(options.listings), options.store, options.log) == ("/a b/l.jsonl", "postgresql://u@h/n", "json")
    assert re.fullmatch(r"/runs/\d{4}-\d\d-\d\d", str(options.out))
    assert options.metrics == (Path("/m/x.prom") if metrics else None)


def test_the_nightly_script_names_what_it_was_not_told(tmp_path):
    done = subprocess.run([FOLDER / "nightly.sh"], env={"PATH": os.environ["PATH"]}, capture_output=True, text=True)
    assert done.returncode != 0
    assert "name the export" in done.stderr


def test_the_service_runs_the_script_and_takes_listed_problems_for_success():
    service = unit("denim-triage.service")["Service"]
    assert (ROOT / service["ExecStart"].removeprefix("/opt/denim-triage/")).is_file()
    assert service["SuccessExitStatus"] == str(cli.DONE_WITH_PROBLEMS)
    assert unit("denim-triage.timer")["Timer"]["OnCalendar"]


def test_the_cron_example_purges_with_words_that_the_program_understands():
    line = next(line for line in (FOLDER / "crontab.example").read_text().splitlines() if " purge " in line)
    words = [word.strip('"') for word in line.split()[6:]]
    options = cli._parser().parse_args(words)
    assert (options.older_than, options.store) == (90, "$DENIM_STORE")


def test_the_container_file_copies_what_is_there():
    text = (FOLDER / "Containerfile").read_text()
    copied = [word for line in re.findall(r"^COPY (.*)$", text, re.M) for word in line.split()[:-1]]
    assert copied
    assert all((ROOT / name).exists() for name in copied)
    let_in = {line[1:] for line in (ROOT / ".dockerignore").read_text().splitlines() if line.startswith("!")}
    assert let_in == set(copied)  # nothing else reaches the builder, such as a virtual environment of some GB
