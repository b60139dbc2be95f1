"""Room acoustics of small rooms: what is wrong with a room, heard in advance.

The names below are loaded when first used, so that ``import raysim`` and the
command line's help stay quick.
"""

import importlib
from typing import Any

__version__ = "0.1.0"

#: Public name -> module that defines it.
_HOME = {
    "RaysimError": "raysim.errors",
    "read_scene": "raysim.study",
    "simulate": "raysim.study",
    "suggest": "raysim.planning.suggest",
    "open_results": "raysim.store.file",
    "tables": "raysim.compare.tidy",
}

__all__ = [
    "RaysimError",
    "__version__",
    "compare",
    "open_results",
    "read_scene",
    "simulate",
    "suggest",
    "tables",
]


def __getattr__(name: str) -> Any:  # noqa: ANN401  module attributes have any type
    """Load a public name from its module on first use."""
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    if name == "compare":  # a package that can be called
        return importlib.import_module("raysim.compare")
    raise AttributeError(f"module 'raysim' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
