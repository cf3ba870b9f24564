"""Which files judge, and one digest of them all: who judges again with other rules or limits can be told.

A rule pack fixes numbers and choices. The code that uses them is fixed by the version of the program; the digest tells
two states of it apart also where the version is the same.
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

MODULES: Final = (
    "calibration", "case", "cases", "certificate", "decisions", "judging", "meter_remarks", "pack", "plan",
    "plausibility", "polarity_remarks", "rule", "spread", "uncertainty", "wording",
)  # fmt: skip
FOLDERS: Final = ("limits", "rules", "verdicts")
"""The judging code: these modules of ``reconcile``, and everything in these folders of it."""


def judging_files() -> dict[str, Traversable]:
    """Every file of judging code and limits by its path below ``reconcile``, in alphabetical order."""
    root = files("reconcile")
    found = {f"{name}.py": root.joinpath(f"{name}.py") for name in MODULES}
    for folder in FOLDERS:
        inside = [entry for entry in root.joinpath(folder).iterdir() if entry.name.endswith((".py", ".toml"))]
        found |= {f"{folder}/{entry.name}": entry for entry in inside}
    return dict(sorted(found.items()))


@cache
def judging_sha256() -> str:
    """SHA-256 over path and text of every file of judging code and limits; line ends make no difference."""
    digest = hashlib.sha256()
    for path, entry in judging_files().items():
        text = entry.read_text(encoding="utf-8").encode()
        digest.update(f"{path}\n{len(text)}\n".encode() + text)
    return digest.hexdigest()
