"""Files that are derived from evidence and may be deleted: each carries its own hash in its name.

A file is ``derived/<key>.<sha256 of its bytes>``. It is used only where the bytes still give that hash, so a damaged
one is as good as none: it is made again. So nobody waits until they are on disk. Audits never read any of them.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Final

from ingest.writing import write_whole

NAMED: Final = re.compile(r"(?P<key>[A-Za-z0-9_-]+)\.(?P<sha256>[0-9a-f]{64})")


def find_derived(folder: Path, key: str) -> bytes | None:
    """The bytes kept under ``key`` [letters, digits, ``_``, ``-``], or nothing where there are none that hold."""
    for path in sorted(folder.glob(f"{key}.*")):
        content = path.read_bytes()
        if holds(path.name, content):
            return content
    return None


def write_derived(folder: Path, key: str, content: bytes | memoryview) -> None:
    """Keep ``content`` under ``key``; what was there before is removed. Raises BookError where that cannot be done."""
    name = f"{key}.{hashlib.sha256(content).hexdigest()}"
    if NAMED.fullmatch(name) is None:
        raise ValueError(f"not a key of a derived file: {key!r}")
    write_whole(folder / name, content, flush=False)
    for path in folder.glob(f"{key}.*"):
        if path.name != name:
            path.unlink(missing_ok=True)


def holds(name: str, content: bytes) -> bool:
    """True where a derived file has the bytes that its name says."""
    parts = NAMED.fullmatch(name)
    return parts is not None and parts["sha256"] == hashlib.sha256(content).hexdigest()
