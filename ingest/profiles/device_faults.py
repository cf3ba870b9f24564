"""The faults of a profile as sentences: each with its key path, what was seen, a near match, and an example."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

from ingest.foreign_text import show_foreign
from schemas.errors import ProfileError

SEEN_CHARACTERS: Final = 60


def profile_error(error: ValidationError, model: type[BaseModel], where: str, kind: str) -> ProfileError:
    """One ProfileError that tells all faults of a profile of that kind."""
    lines = [_sentence(fault, model, kind) for fault in error.errors()]
    count = "one fault" if len(lines) == 1 else f"{len(lines)} faults"
    return ProfileError(
        f"the profile has {count}", where=where, seen="\n".join(lines),
        advice=f"correct these, then 'provebook profile check FILE'; the shipped profile demo-{kind} shows every table",
    )  # fmt: skip


def _sentence(fault: Any, model: type[BaseModel], kind: str) -> str:
    path, location = _path(fault["loc"]), fault["loc"]
    if fault["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(location[-1]), _keys(model, location[:-1]), n=1, cutoff=0.5)
        return f"{path}: unknown key" + (f"; did you mean {near[0]}?" if near else "")
    said = "missing" if fault["type"] == "missing" else str(fault["msg"]).removeprefix("Value error, ")
    plain = not isinstance(fault["input"], dict | list) and fault["type"] != "missing"
    seen = f"; seen {show_foreign(repr(fault['input']), SEEN_CHARACTERS)}" if plain else ""
    example = find_example(kind, location)
    return f"{path}: {said}{seen}" + (f"; for example {example}" if example else "")


def find_example(kind: str, location: Sequence[int | str]) -> str:
    """How the shipped sample of that kind says the key at ``location``; empty where it says nothing plain there."""
    place: Any = _sample(kind)
    for part in location:
        if isinstance(part, int) and isinstance(place, list):
            wanted = location[-1]
            place = next((entry for entry in place if isinstance(entry, dict) and wanted in entry), None)
        elif isinstance(part, str) and isinstance(place, dict):
            place = place.get(part)
        else:
            return ""
    if place is None or isinstance(place, dict | list) or not isinstance(location[-1], str):
        return ""
    return f"{location[-1]} = {json.dumps(place, ensure_ascii=False)}"


@cache
def _sample(kind: str) -> dict[str, Any]:
    entry = files("ingest.profiles").joinpath("samples", f"demo-{kind}.toml")
    return tomllib.loads(entry.read_text(encoding="utf-8"))


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
