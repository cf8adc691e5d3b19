"""Trained weights as safetensors in half precision: loading them runs no code."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from safetensors import safe_open
from safetensors.torch import load_file, save_file
from torch import nn

from pipeline.train.backbone import LiteTrunk, TrunkSize

Network = TypeVar("Network", bound=nn.Module)
_TRUNK = "trunk"


def save_weights(model: nn.Module, path: Path) -> None:
    """Write all weights and buffers, floats as float16, and the trunk's size beside them."""
    state = {
        k: (v.half() if v.dtype.is_floating_point else v).contiguous().cpu() for k, v in model.state_dict().items()
    }
    trunk = getattr(model, "trunk", None)
    save_file(state, str(path), {_TRUNK: trunk.size} if isinstance(trunk, LiteTrunk) else None)


def load_weights(model: nn.Module, path: Path) -> nn.Module:
    """Read weights into a model of the same shape."""
    state = load_file(str(path))
    own = model.state_dict()
    model.load_state_dict({k: v.to(own[k].dtype) for k, v in state.items()})
    return model


def average_with(model: nn.Module, path: Path) -> None:
    """Put the mean of a model's weights and those of a file, of the same shape, into the model."""
    other = load_file(str(path))
    means = {
        name: (value + other[name].to(value)) / 2 if value.dtype.is_floating_point else value
        for name, value in model.state_dict().items()
    }
    model.load_state_dict(means)


def trunk_size_of(path: Path) -> TrunkSize:
    """The trunk's size that weights were trained with; Lite0 where the file does not say."""
    with safe_open(str(path), framework="pt") as file:
        noted: str = (file.metadata() or {}).get(_TRUNK, TrunkSize.LITE0)
    return TrunkSize(noted)


def load_network(kind: Callable[[LiteTrunk], Network], path: Path) -> Network:
    """The whole network from its weights, on a trunk of the size they were trained with."""
    network = kind(LiteTrunk(trunk_size_of(path)))
    load_weights(network, path)
    return network
