"""The evidence store: bytes exactly as received, named by their SHA-256, written once, never edited.

Layout: ``evidence/<first two hex digits>/<sha256>`` holds the bytes, ``<sha256>.json`` beside it the sidecar. Both are
written under a temporary name in ``evidence/.incoming``, flushed to disk, renamed, and made read-only; the sidecar
goes after its object, and the journal entry with the hash of the sidecar goes last. What the journal does not list
was never taken in: a killed process left it there, or a stranger put it there. The store of a book lists nothing else.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Final

import pandas as pd

from ingest.incoming import Incoming, Kept, NewEvidence, Places, Sidecar
from ingest.journal import Journal
from ingest.moments import file_received_at, format_moment
from ingest.writing import sync_folder, write_once
from schemas.check import conform_table
from schemas.errors import BookError
from schemas.evidence import Evidence

__all__ = [
    "EvidenceStore", "Kept", "NewEvidence", "Sidecar", "file_received_at", "format_moment", "sync_folder", "write_once",
]  # fmt: skip

BATCH_FILES: Final = 2048
BATCH_BYTES: Final = 64 << 20
RENAMED_WHILE_OPEN: Final = os.name == "posix"
"""Whether the system (not Windows) lets a file be renamed that somebody reads."""


class EvidenceStore:
    """Write-once objects below one folder. With a ``journal``, every object kept is entered there."""

    def __init__(self, root: Path, *, journal: Journal | None = None, without: Collection[str] = ()) -> None:
        self.root = root
        self._journal = journal
        self._without = frozenset(without)
        self._places = Places(root, journal)

    def path(self, sha256: str) -> Path:
        """Where the bytes of an object are, or would be."""
        return self._places.path(sha256)

    def sidecar_path(self, sha256: str) -> Path:
        """Where the sidecar of an object is, or would be."""
        return self._places.sidecar_path(sha256)

    def keep(
        self, content: bytes | Path, *, original_name: str, kind: str, received_at: datetime, profile: str | None = None
    ) -> Kept:
        """Keep ``content``; the same bytes again change nothing and answer with the first sidecar.

        Raises BookError where the store cannot be written.
        """
        return self.keep_all([
            NewEvidence(
                content=content, original_name=original_name, kind=kind, received_at=received_at, profile=profile
            )
        ])[0]  # fmt: skip

    def keep_all(self, items: Iterable[NewEvidence]) -> list[Kept]:
        """Keep many objects, in batches; one answer an item, in order. Items are taken one by one from an iterator.

        An object that was damaged on disk is replaced by the same bytes handed in again. Raises BookError where the
        store cannot be written; what came before is kept then.
        """
        kept: list[Kept] = []
        for batch in _batches(items):
            with self._incoming() as incoming:
                received = [incoming.receive(item) for item in batch]
                seen: set[str] = set()
                for sha256, sidecar in received:
                    new = sidecar is not None and sha256 not in seen
                    kept.append(Kept(sidecar or self.sidecar(sha256), new=new))
                    seen.add(sha256)
                incoming.store()
        return kept

    @contextmanager
    def receiving(self, item: NewEvidence) -> Iterator[Receiving]:
        """One long file on its way into the store: its copy can be read while it is not yet flushed.

        The book is held inside. Raises InputError where the file cannot be read, BookError where the store cannot be
        written.
        """
        with self._incoming() as incoming:
            sha256, sidecar = incoming.receive(item)
            if not RENAMED_WHILE_OPEN:
                incoming.store()
            with incoming.readable(sha256).open("rb") as stream:
                yield Receiving(sha256, sidecar is not None, stream, incoming)

    @contextmanager
    def _incoming(self) -> Iterator[Incoming]:
        with ExitStack() as stack:
            if self._journal is not None:
                stack.enter_context(self._journal.held())
            incoming = Incoming(self._places)
            stack.callback(incoming.discard)
            yield incoming

    def read(self, sha256: str) -> bytes:
        """The bytes of an object, hashed again on the way.

        Raises BookError where the object is missing or its bytes have changed.
        """
        try:
            content = self.path(sha256).read_bytes()
        except OSError as error:
            raise _unreadable(self.path(sha256), error) from error
        if hashlib.sha256(content).hexdigest() != sha256:
            raise _changed(self.path(sha256))
        return content

    def open(self, sha256: str) -> BinaryIO:
        """An object as a stream at its beginning, hashed on the way; for what is too long to be held at once.

        Raises BookError where the object is missing or its bytes have changed.
        """
        try:
            stream = self.path(sha256).open("rb")
        except OSError as error:
            raise _unreadable(self.path(sha256), error) from error
        if hashlib.file_digest(stream, "sha256").hexdigest() != sha256:
            stream.close()
            raise _changed(self.path(sha256))
        stream.seek(0)
        return stream

    def sidecar(self, sha256: str) -> Sidecar:
        """The sidecar of an object. Raises BookError where it is missing, unreadable, or not the one journalled."""
        path = self.sidecar_path(sha256)
        try:
            described = path.read_bytes()
            sidecar = Sidecar(**json.loads(described))
        except (OSError, ValueError, TypeError) as error:
            raise BookError("sidecar of evidence cannot be read", where=str(path), seen=str(error)) from error
        if self._journal is not None and self._listed().get(sha256) != hashlib.sha256(described).hexdigest():
            raise BookError(
                "the journal does not know this sidecar: it was altered, or never taken in", where=str(path),
                advice="restore this file from a backup of the book, or import the original file again",
            )  # fmt: skip
        return sidecar

    def hashes(self) -> Iterator[str]:
        """The SHA-256 names of all objects that were taken in, in ascending order."""
        if self._journal is not None:
            yield from sorted(self._listed().keys() - self._without)
        elif self.root.is_dir():
            for folder in sorted(self.root.iterdir()):
                yield from sorted(entry.stem for entry in folder.glob("*.json"))

    def table(self) -> pd.DataFrame:
        """The evidence table (schemas.evidence.Evidence), one row an object, by hash."""
        rows = [asdict(self.sidecar(sha256)) for sha256 in self.hashes()]
        frame = pd.DataFrame(rows, columns=[*Evidence.to_schema().columns])
        frame["received_at"] = pd.to_datetime(frame["received_at"], utc=True, format="%Y-%m-%dT%H:%M:%S.%fZ")
        return conform_table(Evidence, frame)

    def _listed(self) -> Mapping[str, str]:
        return self._places.listed()


@dataclass(frozen=True)
class Receiving:
    """A long file that is being kept: its hash, whether the book did not have it, its bytes as a stream."""

    sha256: str
    new: bool
    stream: BinaryIO
    incoming: Incoming

    def store(self) -> None:
        """Keep it for good; again does nothing. What was read of it may be stored from now on. Raises BookError."""
        self.incoming.store()


def _unreadable(path: Path, error: OSError) -> BookError:
    return BookError(
        "evidence cannot be read", where=str(path), seen=str(error.strerror),
        advice="restore this file from a backup of the book",
    )  # fmt: skip


def _changed(path: Path) -> BookError:
    return BookError(
        "evidence has been changed: its bytes no longer give the hash it is named by", where=str(path),
        advice="restore this file from a backup of the book; run 'provebook audit' to see what depends on it",
    )  # fmt: skip


def _batches(items: Iterable[NewEvidence]) -> Iterator[list[NewEvidence]]:
    """``items`` in runs of bounded count and bytes."""
    batch: list[NewEvidence] = []
    size = 0
    for item in items:
        batch.append(item)
        size += len(item.content) if isinstance(item.content, bytes) else 0
        if len(batch) >= BATCH_FILES or size >= BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch
