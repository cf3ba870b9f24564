"""The faults of a profile as sentences: every one with its key path, what was seen, and a near match."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from ingest.foreign_text import show_foreign
from schemas.errors import ProfileError


def profile_error(error: ValidationError, model: type[BaseModel], where: str) -> ProfileError:
    """One ProfileError that tells all faults of a profile."""
    lines = [_sentence(fault, model) for fault in error.errors()]
    count = "one fault" if len(lines) == 1 else f"{len(lines)} faults"
    return ProfileError(
        f"the profile has {count}", where=where, seen="\n".join(lines),
        advice="compare with a shipped sample: provebook profile check --samples lists them",
    )  # fmt: skip


def _sentence(fault: Any, model: type[BaseModel]) -> str:
    path = _path(fault["loc"])
    if fault["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(fault["loc"][-1]), _keys(model, fault["loc"][:-1]), n=1, cutoff=0.5)
        return f"{path}: unknown key" + (f"; did you mean {near[0]}?" if near else "")
    if fault["type"] == "missing":
        return f"{path}: missing"
    said = str(fault["msg"]).removeprefix("Value error, ")
    seen = show_foreign(repr(fault["input"]), 60) if not isinstance(fault["input"], dict) else ""
    return f"{path}: {said}" + (f"; seen {seen}" if seen else "")


def _path(location: Sequence[int | str]) -> str:
    text = ""
    for part in location:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "the profile"


def _keys(model: type[BaseModel], location: Sequence[int | str]) -> list[str]:
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int) or current is None:
            continue
        info = current.model_fields.get(part)
        current = _model_of(info.annotation) if info else None
    return [*current.model_fields] if current else []


def _model_of(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _model_of(inner)
        if found:
            return found
    return None
