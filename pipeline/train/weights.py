"""Trained weights as safetensors in half precision: loading them runs no code."""

from __future__ import annotations

from pathlib import Path

from safetensors.torch import load_file, save_file
from torch import nn


def save_weights(model: nn.Module, path: Path) -> None:
    """Write all weights and buffers, floats as float16."""
    state = {
        k: (v.half() if v.dtype.is_floating_point else v).contiguous().cpu() for k, v in model.state_dict().items()
    }
    save_file(state, str(path))


def load_weights(model: nn.Module, path: Path) -> nn.Module:
    """Read weights into a model of the same shape."""
    state = load_file(str(path))
    own = model.state_dict()
    model.load_state_dict({k: v.to(own[k].dtype) for k, v in state.items()})
    return model
