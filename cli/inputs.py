"""What a folder holds for us: exports, office files, profiles; what is left alone is told."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from ingest.jobs import find_list_kind
from ingest.register import is_register
from schemas.errors import InputError, ProvebookError

EXPORT_SUFFIXES: Final = (".csv", ".tsv", ".txt", ".gz", ".zip", ".xlsx", ".ods")
LIST_SUFFIXES: Final = (".csv", ".tsv", ".txt")
HEAD_BYTES: Final = 65537
NAMED: Final = {
    "jobs.csv": "job list",
    "appliances.csv": "appliance list",
    "attestations.csv": "attestations",
    "meters.toml": "meter register",
}
"""Office files known by their name even where their headings are wrong: then the fault is told."""


@dataclass(kw_only=True)
class Inputs:
    """Files by what they are: each with the name it is known by; office files with their kind."""

    exports: list[tuple[Path, str]] = field(default_factory=list)
    office: list[tuple[Path, str, str]] = field(default_factory=list)
    profiles: list[Path] = field(default_factory=list)
    left_alone: list[str] = field(default_factory=list)
    errors: list[ProvebookError] = field(default_factory=list)


def find_inputs(paths: Sequence[Path], *, skip: Sequence[Path] = ()) -> Inputs:
    """Everything below ``paths`` that can be taken in, in the order of names.

    Books, datasets of ours, hidden files and the folders in ``skip`` are passed over.
    Raises InputError where a path is not there.
    """
    found = Inputs()
    for path in paths:
        if not path.exists():
            raise InputError("there is no such file or folder", where=str(path), advice="check the path")
        if path.is_dir():
            _walk(path, found, {place.resolve() for place in skip})
        else:
            _sort_in(path, path.name, found)
    return found


def _walk(folder: Path, found: Inputs, skip: set[Path]) -> None:
    def tell(error: OSError) -> None:
        found.errors.append(
            InputError("the folder cannot be read", where=str(error.filename), seen=str(error.strerror))
        )

    for here, folders, names in os.walk(folder, onerror=tell):
        place = Path(here)
        if place.resolve() in skip or "book.toml" in names or (place != folder and "datapackage.json" in names):
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if not name.startswith("."):
                _sort_in(place / name, (place / name).relative_to(folder).as_posix(), found)


def _sort_in(path: Path, name: str, found: Inputs) -> None:
    suffix = path.suffix.lower()
    try:
        with path.open("rb") as stream:
            head = stream.read() if suffix == ".toml" else stream.read(HEAD_BYTES)
    except OSError as error:
        found.errors.append(
            InputError("the file cannot be read", where=str(path), seen=str(error.strerror),
                       advice="check that you may read it; everything else was taken in")
        )  # fmt: skip
        return
    kind = NAMED.get(path.name.lower())
    if kind is None and suffix in LIST_SUFFIXES:
        kind = find_list_kind(head)
    if kind is None and suffix == ".toml" and is_register(head):
        kind = "meter register"
    if kind:
        found.office.append((path, name, kind))
    elif suffix == ".toml" and b"kind" in head:
        found.profiles.append(path)
    elif suffix in EXPORT_SUFFIXES:
        found.exports.append((path, name))
    else:
        found.left_alone.append(name)
