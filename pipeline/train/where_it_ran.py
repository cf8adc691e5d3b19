"""The code and the machine that a training ran with, for its record."""

from __future__ import annotations

import platform
import subprocess
from importlib import metadata
from pathlib import Path

_HERE = Path(__file__).resolve().parent


def git_commit() -> str:
    """The code's commit, with a plus sign where files differ from it; "" outside a git checkout."""
    try:
        commit = _git("rev-parse", "HEAD")
        return f"{commit}+" if _git("status", "--porcelain", "--untracked-files=no") else commit
    except (OSError, subprocess.CalledProcessError):
        return ""


def _git(*words: str) -> str:
    done = subprocess.run(["git", *words], cwd=_HERE, capture_output=True, text=True, check=True)
    return done.stdout.strip()


def environment() -> str:
    """The machine, Python and every installed package, a line each."""
    packages = sorted(f"{one.metadata['Name']}=={one.version}" for one in metadata.distributions())
    return "\n".join([f"# {platform.platform()}, Python {platform.python_version()}", *packages]) + "\n"
