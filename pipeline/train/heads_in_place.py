"""An exported part network with other heads: everything else stays bit for bit, and in the same arithmetic.

Heads are relearned on a trunk that stays, and they calculate in single precision even where the trunk does so in 8-bit
integers (`quantise.py`). So nothing is exported or rounded anew: the tensors that were learned are found in the
exported network by their values, and the new ones take their places.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import openvino as ov
from numpy.typing import NDArray
from openvino import opset13 as ops

from pipeline.train.networks import PartNetwork

TOKENS = "tokens"
Halves = NDArray[np.float16]


def put_heads(model: ov.Model, start: PartNetwork, network: PartNetwork) -> None:
    """Put a network's queries and answer layers in the place of those it started from.

    Args:
        model: exported from `start`; changed.
        start: what the heads were before.
        network: of the same shape, with the new heads.

    Raises:
        ValueError: if the exported network was not made of `start`.
    """
    for before, after in zip(_as_exported(start), _as_exported(network), strict=True):
        node = _constant(model, before)
        fresh = ops.constant(np.ascontiguousarray(after).reshape(tuple(node.shape)))  # strides are not read
        fresh.set_friendly_name(node.get_friendly_name())
        node.output(0).replace(fresh.output(0))


def tokens_alone(model: ov.Model, network: PartNetwork) -> ov.Model:
    """The exported network up to what its heads look at: output `tokens`, (1, places, channels).

    Args:
        model: exported from `network`; left as it is.
        network: its weights.

    Raises:
        ValueError: if the exported network was not made of `network`.
    """
    whole = model.clone()
    converted = _user(_constant(whole, _half(network.key.weight)))
    out = _user(converted).input_value(0)  # the product of tokens and keys' weights
    alone = ov.Model([ops.result(out)], whole.get_parameters())
    alone.outputs[0].get_tensor().set_names({TOKENS})
    return alone


def _as_exported(network: PartNetwork) -> list[Halves]:
    """What is learned, in the layouts and the half precision in which an exported network holds it.

    Queries stand there twice: as they are added to what was found, and head by head as they are compared with keys.
    """
    queries = _half(network.queries)
    of_heads = queries.reshape(network.n_queries, network.heads, -1).transpose(1, 0, 2)
    answers = [_half(p) for layer in network.answer for p in layer.parameters()]
    return [queries, of_heads, *answers]


def _half(values: Any) -> Halves:  # noqa: ANN401 - a tensor, or a parameter
    return np.asarray(values.detach().cpu().numpy(), np.float16)


def _constant(model: ov.Model, values: Halves) -> ov.Node:
    """The one constant of these values; axes of length 1 aside, its shape is theirs."""
    shape = _squeezed(values.shape)
    found = [
        node
        for node in model.get_ops()
        if node.get_type_name() == "Constant"
        and node.get_element_type() == ov.Type.f16
        and _squeezed(node.shape) == shape
        and np.array_equal(node.data.reshape(values.shape), values)
    ]
    if len(found) != 1:
        raise ValueError("parts.xml was not made of parts.safetensors beside it; export the part network anew")
    return found[0]


def _squeezed(shape: Sequence[int]) -> tuple[int, ...]:
    return tuple(side for side in shape if side != 1)


def _user(node: ov.Node) -> ov.Node:
    [port] = node.output(0).get_target_inputs()
    return port.get_node()
