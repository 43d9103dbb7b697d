"""Doors of rooms that load a module only when a name from it is asked for (PEP 562)."""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib import import_module
from inspect import ismodule
from typing import Any


def door(room: str, modules: str) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return a room's ``__getattr__`` and ``__dir__``.

    Parameters
    ----------
    room : str
        The package whose door it is; its ``__all__`` says which names there are.
    modules : str
        Its modules, separated by spaces, what is quick to load first: each name comes from the
        first that has it.
    """

    def find(name: str) -> Any:
        if name in sys.modules[room].__all__:
            for module in modules.split():
                found = import_module(f"{room}.{module}")
                value = getattr(found, name, None)
                if value is not None and not ismodule(value):
                    setattr(sys.modules[room], name, value)
                    return value
        raise AttributeError(f"module {room!r} has no attribute {name!r}")

    return find, lambda: [*vars(sys.modules[room]), *sys.modules[room].__all__]
