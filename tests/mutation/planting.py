"""A mutant put into a module that is loaded, so that everyone who imported from it meets the mutant."""

from __future__ import annotations

import sys
from types import FunctionType, ModuleType
from typing import Any

_Wrapper = property | staticmethod | classmethod
_PARTS = ("fget", "fset", "__func__", "__wrapped__")


def plant(module: ModuleType, source: str) -> None:
    """Return the functions of a module, and its values, what a mutated source has in their places.

    Functions keep their identity and get other code: it is they that other modules hold. Raises what the
    source raises when it is run.
    """
    mutated: dict[str, Any] = {"__name__": module.__name__, "__file__": module.__file__}
    exec(compile(source, str(module.__file__), "exec"), mutated)
    for name, new in mutated.items():
        old = getattr(module, name, None)
        if isinstance(new, type | FunctionType) or hasattr(new, "__wrapped__"):
            if getattr(old, "__module__", None) == module.__name__:
                _replace(old, new)
        elif not isinstance(new, ModuleType) and not name.startswith("__"):
            for holder in _holders(module, name, old):
                setattr(holder, name, new)


def _holders(module: ModuleType, name: str, value: Any) -> list[ModuleType]:
    """Return the modules that have a value under its name: its own, and those that imported it."""
    public = () if name.startswith("_") else tuple(sys.modules.values())
    return [module, *(each for each in public if vars(each).get(name) is value)]


def _replace(old: Any, new: Any) -> None:
    if isinstance(old, FunctionType) and isinstance(new, FunctionType):
        _replace_code(old, new)
    elif isinstance(old, type):
        for name, value in vars(new).items():
            if name in vars(old) and not isinstance(value, type):
                _replace(vars(old)[name], value)
    for part in _PARTS:
        inner = getattr(new, part, None)
        if isinstance(inner, FunctionType) and not isinstance(old, type):
            _replace(getattr(old, part), inner)


def _replace_code(old: FunctionType, new: FunctionType) -> None:
    old.__code__ = new.__code__
    old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
    for kept, other in zip(old.__closure__ or (), new.__closure__ or (), strict=True):
        if isinstance(other.cell_contents, FunctionType) and isinstance(kept.cell_contents, FunctionType):
            _replace(kept.cell_contents, other.cell_contents)
        elif not isinstance(other.cell_contents, type | FunctionType):
            kept.cell_contents = other.cell_contents
