"""Evidence on its way into the store: written under temporary names and hashed, then flushed, renamed, journalled.

What was received can be read before it is flushed, so that reading a long export need not wait for the disk. Nothing
made from it may be stored before ``Incoming.store`` has returned.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from ingest.journal import Journal
from ingest.moments import format_moment
from ingest.writing import clear_parts, copy_part, told_as_book_error, write_all_once
from schemas.errors import BookError
from schemas.evidence import EVIDENCE_KINDS
from schemas.version import TOOL_VERSION

INCOMING: Final = ".incoming"


@dataclass(frozen=True, kw_only=True)
class Sidecar:
    """What is known of one evidence object. ``received_at`` is the moment its bytes reached this computer (UTC,
    ISO 8601): a file's own modification time, or the start of a conversation with a meter. ``kept_at`` is when the
    book took it in.
    """

    sha256: str
    original_name: str
    bytes: int
    received_at: str
    kept_at: str
    kind: str
    profile: str | None
    tool_version: str


@dataclass(frozen=True, kw_only=True)
class NewEvidence:
    """Bytes to be kept, or the file that holds them, with what is known of them."""

    content: bytes | Path
    original_name: str
    kind: str
    received_at: datetime
    profile: str | None = None


@dataclass(frozen=True)
class Kept:
    """The answer of ``keep``: the sidecar in force, and whether the bytes were new to the book."""

    sidecar: Sidecar
    new: bool


@dataclass(frozen=True, kw_only=True)
class _Waiting:
    """One object about to be stored: its bytes, or the file below the incoming folder that has them already."""

    content: bytes | Path
    sidecar: Sidecar
    described: bytes
    restored: bool


@dataclass(frozen=True)
class Places:
    """Where the objects of a store are; ``sidecars`` is the SHA-256 of the sidecar of each that the journal lists."""

    root: Path
    journal: Journal | None

    def path(self, sha256: str) -> Path:
        """Where the bytes of an object are, or would be."""
        return self.root / sha256[:2] / sha256

    def sidecar_path(self, sha256: str) -> Path:
        """Where the sidecar of an object is, or would be."""
        return self.root / sha256[:2] / f"{sha256}.json"

    def listed(self) -> Mapping[str, str]:
        """Hashes that the journal lists, with the hash of the sidecar of each."""
        return self.journal.evidence() if self.journal is not None else {}

    def stands(self, sha256: str, size: int) -> bool:
        """True where exactly these bytes are in the store, with the sidecar that belongs to them."""
        try:
            with self.path(sha256).open("rb") as stream:
                if (hashlib.file_digest(stream, "sha256").hexdigest(), stream.tell()) != (sha256, size):
                    return False
            described = self.sidecar_path(sha256).read_bytes()
        except OSError:
            return False
        return self.journal is None or self.listed().get(sha256) == hashlib.sha256(described).hexdigest()


class Incoming:
    """Objects on their way into a store, whose book is held meanwhile by whoever receives them."""

    def __init__(self, places: Places) -> None:
        self._places, self._parts = places, places.root / INCOMING
        self._waiting: dict[str, _Waiting] = {}
        self._cleared = False

    def receive(self, item: NewEvidence) -> tuple[str, Sidecar | None]:
        """SHA-256 of one object and its new sidecar; None where the bytes are in the store already.

        A file is copied, and hashed as it is copied. Raises InputError where it cannot be read, BookError where the
        store cannot be written.
        """
        if not self._cleared:
            clear_parts(self._parts)
            self._cleared = True
        if item.kind not in EVIDENCE_KINDS:
            raise BookError(f"no such kind of evidence: {item.kind}")
        content = item.content
        if isinstance(content, Path):
            with told_as_book_error(self._places.root):
                self._parts.mkdir(parents=True, exist_ok=True)
                content, sha256, size = copy_part(self._parts, content)
        else:
            sha256, size = hashlib.sha256(content).hexdigest(), len(content)
        if sha256 in self._waiting or self._places.stands(sha256, size):
            if isinstance(content, Path):
                content.unlink(missing_ok=True)
            waiting = self._waiting.get(sha256)
            return sha256, waiting.sidecar if waiting else None
        sidecar = make_sidecar(item, sha256, size)
        described = (json.dumps(asdict(sidecar), indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
        self._waiting[sha256] = _Waiting(
            content=content, sidecar=sidecar, described=described, restored=sha256 in self._places.listed()
        )
        return sha256, sidecar

    def readable(self, sha256: str) -> Path:
        """The file that has the bytes of an object received as a file: on its way, or in the store."""
        waiting = self._waiting.get(sha256)
        return waiting.content if waiting and isinstance(waiting.content, Path) else self._places.path(sha256)

    def store(self) -> None:
        """Objects, then sidecars, then the journal: at no moment does the journal list what is not on disk.

        Again it does nothing. Raises BookError where the store cannot be written.
        """
        waiting, self._waiting = self._waiting, {}
        if not waiting:
            return
        files = [
            file
            for sha256, entry in waiting.items()
            for file in (
                (self._places.path(sha256), entry.content),
                (self._places.sidecar_path(sha256), entry.described),
            )
        ]
        write_all_once(files, parts=self._parts)
        if self._places.journal is not None:
            self._places.journal.append_all([entry for one in waiting.values() for entry in _journal_entries(one)])

    def discard(self) -> None:
        """Take away what was received and not stored."""
        for entry in self._waiting.values():
            if isinstance(entry.content, Path):
                entry.content.unlink(missing_ok=True)
        self._waiting = {}


def make_sidecar(item: NewEvidence, sha256: str, size: int) -> Sidecar:
    """The sidecar of a new object."""
    return Sidecar(
        sha256=sha256,
        original_name=item.original_name,
        bytes=size,
        received_at=format_moment(item.received_at),
        kept_at=format_moment(datetime.now(UTC)),
        kind=item.kind,
        profile=item.profile,
        tool_version=TOOL_VERSION,
    )


def _journal_entries(waiting: _Waiting) -> list[tuple[str, dict[str, object]]]:
    """The entry of a new object; before it, one that says so where a damaged object was replaced."""
    sidecar = waiting.sidecar
    listed: dict[str, object] = {
        "sha256": sidecar.sha256,
        "sidecar_sha256": hashlib.sha256(waiting.described).hexdigest(),
        "original_name": sidecar.original_name,
        "bytes": sidecar.bytes,
    }
    restored: list[tuple[str, dict[str, object]]] = [("restored", {"sha256": sidecar.sha256})]
    return [*(restored if waiting.restored else []), ("evidence", listed)]
