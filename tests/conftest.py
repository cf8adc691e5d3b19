"""What all tests share: those marked `gpu` are skipped where there is none."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what needs a GPU, and look for one only if a test asks."""
    asking = [item for item in items if item.get_closest_marker("gpu")]
    if asking and not _has_gpu():
        for item in asking:
            item.add_marker(pytest.mark.skip(reason="there is no CUDA device here"))


def _has_gpu() -> bool:
    import torch

    return torch.cuda.is_available()
