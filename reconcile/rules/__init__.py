"""The rules: one small file each, found by looking. Nothing has to be registered."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from types import MappingProxyType

from reconcile.rule import Rule


@cache
def load_rules() -> Mapping[str, Rule]:
    """Every rule of this folder by the name of its file, in alphabetical order."""
    names = sorted(module.name for module in iter_modules(__path__))
    modules = {name: import_module(f"{__name__}.{name}") for name in names}
    return MappingProxyType({name: module.RULE for name, module in modules.items() if hasattr(module, "RULE")})
