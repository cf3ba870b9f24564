"""Every mutant of a file of judging code, by the operators of mutmut, and how one is put in place in this process."""

from __future__ import annotations

import ast
import hashlib
import importlib
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import unified_diff
from functools import cached_property
from pathlib import Path
from types import FunctionType
from typing import Any

import libcst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.file_mutation import MutationVisitor, OuterFunctionProvider, deep_replace
from mutmut.mutation.mutators import mutation_operators
from mutmut.mutation.pragma_handling import IgnoredCode

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change in one function: its ``path`` below ``reconcile``, the function, the source of it as changed.

    ``places`` name the lines of the statement that is changed (of the whole function for what stands in its head).
    ``number`` tells apart changes with the same text in one function.
    """

    path: str
    function: str
    before: str
    after: str
    places: tuple[str, ...]
    number: int = 1

    @cached_property
    def change(self) -> tuple[str, str]:
        """The changed line as it was and as it is in the mutant, without indentation."""
        diff = [*unified_diff(self.before.splitlines(), self.after.splitlines(), lineterm="", n=0)][2:]
        old, new = ([line[1:].strip() for line in diff if line[0] == sign] for sign in "-+")
        return "\n".join(old), "\n".join(new)

    @property
    def place(self) -> tuple[str, str, str, str]:
        """What names the mutant wherever it is listed: file, function, the line before and after."""
        return (self.path, self.function, *self.change)

    @property
    def key(self) -> str:
        """The name under which a result is kept: it holds as long as the function stays as it is."""
        text = "\n".join((self.path, self.function, self.before, self.after, str(self.number)))
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def put_in_place(self) -> None:
        """Make the function of the running program the mutant, whoever holds it; there is no way back."""
        name = f"reconcile/{self.path}".removesuffix(".py").removesuffix("/__init__")
        module = importlib.import_module(name.replace("/", "."))
        space = dict(vars(module))
        exec(compile(f"from __future__ import annotations\n{self.after}", self.path, "exec"), space)
        mutated, original = space[self.function.rpartition(".")[2]], find_function(module, self.function)
        original.__code__ = mutated.__code__
        original.__defaults__, original.__kwdefaults__ = mutated.__defaults__, mutated.__kwdefaults__


def find_function(module: Any, qualified_name: str) -> FunctionType:
    """The function itself behind what decorators made of it."""
    found: Any = module
    for name in qualified_name.split("."):
        found = vars(found)[name]
    while not isinstance(found, FunctionType):
        found = next(inner for name in ("__wrapped__", "fget", "__func__") if (inner := getattr(found, name, None)))
    return found


class EveryFunction(MutationVisitor):
    """The visitor of mutmut that also goes into decorated functions: here no function is copied."""

    METADATA_DEPENDENCIES = (PositionProvider, OuterFunctionProvider)

    def _skip_node_and_children(self, node: libcst.CSTNode) -> bool:
        if isinstance(node, libcst.FunctionDef):
            return False
        return isinstance(node, libcst.Decorator) or super()._skip_node_and_children(node)


def find_mutants(path: str) -> Iterator[Mutant]:
    """The mutants of a file below ``reconcile``, in the order of its functions."""
    source = (ROOT / "reconcile" / path).read_text(encoding="utf-8")
    wrapper = MetadataWrapper(libcst.parse_module(source))
    visitor = EveryFunction(mutation_operators, IgnoredCode(set(), set(), set()))
    module = wrapper.visit(visitor)
    positions = wrapper.resolve(PositionProvider)
    names = dict(name_functions(module.body))
    statements, written = statement_lines(source), source.splitlines()
    seen: dict[tuple[str, str, str], int] = {}
    for mutation in visitor.mutations:
        function = mutation.contained_by_top_level_function
        if not isinstance(function, libcst.FunctionDef):
            continue
        plain = function.with_changes(decorators=[], leading_lines=[])
        before, after = (
            module.code_for_node(libcst.ensure_type(changed, libcst.FunctionDef))
            for changed in (plain, deep_replace(plain, mutation.original_node, mutation.mutated_node))
        )
        name = (names[function], before, after)
        seen[name] = seen.get(name, 0) + 1
        line, whole = positions[mutation.original_node].start.line, positions[function]
        lines = next((lines for lines in statements if line in lines), range(whole.start.line, whole.end.line + 1))
        places = tuple(f"{path}:{names[function]}:{written[line - 1].strip()}" for line in lines)
        yield Mutant(path=path, function=name[0], before=before, after=after, places=places, number=seen[name])


def line_places(path: str) -> Iterator[tuple[str, int]]:
    """Every line inside functions of a file below ``reconcile``: file, function and text of the line; its number."""
    source = (ROOT / "reconcile" / path).read_text(encoding="utf-8")
    written = source.splitlines()
    for node, name in name_functions(ast.parse(source).body):
        for line in range(node.lineno, (node.end_lineno or node.lineno) + 1):
            yield f"{path}:{name}:{written[line - 1].strip()}", line


def name_functions(body: Any, prefix: str = "") -> Iterator[tuple[Any, str]]:
    """Functions and methods with their qualified names, of a tree of ast or of libcst."""
    for node in body:
        if isinstance(node, (ast.FunctionDef, libcst.FunctionDef)):
            yield node, f"{prefix}{getattr(node.name, 'value', node.name)}"
        elif isinstance(node, (ast.ClassDef, libcst.ClassDef)):
            inner: Any = node.body
            name = getattr(node.name, "value", node.name)
            yield from name_functions(getattr(inner, "body", inner), f"{prefix}{name}.")


def statement_lines(source: str) -> list[range]:
    """The lines of every statement inside functions, of one with a body those of its head; the shortest first."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.stmt) and not isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            body = getattr(node, "body", None)
            end = body[0].lineno - 1 if body else node.end_lineno or node.lineno
            found.append(range(node.lineno, max(end, node.lineno) + 1))
    return sorted(found, key=len)
