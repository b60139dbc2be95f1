"""Stacks of layers as JSON text, so that a result file alone says what walls are made of.

Every layer is an object with its record's name as ``kind`` and the record's fields as
they are, in metres, Pa s and kg.
"""

import json
from dataclasses import asdict
from typing import Any

from raysim.absorbers.layers import (
    AirGap,
    Holes,
    Layer,
    Membrane,
    Pores,
    Porous,
    Sheet,
    Slots,
    Stack,
)

_KINDS: dict[str, type[Any]] = {
    kind.__name__: kind for kind in (Porous, AirGap, Sheet, Membrane, Holes, Slots)
}


def stack_text(stack: Stack) -> str:
    """Give the text of a stack.

    Examples
    --------
    >>> stack_text(Stack((AirGap(0.05),), local=True))
    '{"local": true, "layers": [{"kind": "AirGap", "thickness_m": 0.05}]}'
    """
    layers = [{"kind": type(layer).__name__} | asdict(layer) for layer in stack.layers]
    return json.dumps({"local": stack.local, "layers": layers})


def stack_of(text: str) -> Stack:
    """Give the stack of a text that `stack_text` made."""
    held = json.loads(text)
    return Stack(tuple(_layer(values) for values in held["layers"]), held["local"])


def _layer(values: dict[str, Any]) -> Layer:
    fields = {key: value for key, value in values.items() if key != "kind"}
    if fields.get("pores") is not None:
        fields["pores"] = Pores(**fields["pores"])
    layer: Layer = _KINDS[values["kind"]](**fields)
    return layer
