"""The evidence store: bytes exactly as received, named by their SHA-256, written once, never edited.

Layout: ``evidence/<first two hex digits>/<sha256>`` holds the bytes, ``<sha256>.json`` beside it the sidecar. Both are
written under a temporary name in ``evidence/.incoming``, flushed to disk, renamed, and made read-only; the sidecar
goes after its object, and the journal entry with the hash of the sidecar goes last. What the journal does not list
was never taken in: a killed process left it there, or a stranger put it there. The store of a book lists nothing else.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Final

import pandas as pd

from ingest.journal import Journal
from ingest.moments import file_received_at, format_moment
from ingest.writing import clear_parts, sync_folder, write_all_once, write_once
from schemas.check import conform_table
from schemas.errors import BookError
from schemas.evidence import EVIDENCE_KINDS, Evidence
from schemas.version import TOOL_VERSION

__all__ = [
    "EvidenceStore", "Kept", "NewEvidence", "Sidecar", "file_received_at", "format_moment", "sync_folder", "write_once",
]  # fmt: skip

BATCH_FILES: Final = 2048
BATCH_BYTES: Final = 64 << 20
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
    """Bytes to be kept, or the file that holds them and does not change meanwhile, with what is known of them."""

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
    """One object about to be written."""

    item: NewEvidence
    sidecar: Sidecar
    described: bytes
    kind: str


class EvidenceStore:
    """Write-once objects below one folder. With a ``journal``, every object kept is entered there."""

    def __init__(self, root: Path, *, journal: Journal | None = None, without: Collection[str] = ()) -> None:
        self.root = root
        self._journal = journal
        self._without = frozenset(without)

    def path(self, sha256: str) -> Path:
        """Where the bytes of an object are, or would be."""
        return self.root / sha256[:2] / sha256

    def sidecar_path(self, sha256: str) -> Path:
        """Where the sidecar of an object is, or would be."""
        return self.root / sha256[:2] / f"{sha256}.json"

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
            if self._journal is None:
                kept += self._keep_batch(batch)
            else:
                with self._journal.held():
                    kept += self._keep_batch(batch)
        return kept

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
        return self._journal.evidence() if self._journal is not None else {}

    def _keep_batch(self, batch: list[NewEvidence]) -> list[Kept]:
        """Objects, then sidecars, then the journal: at no moment does the journal list what is not on disk."""
        clear_parts(self.root / INCOMING)
        waiting: dict[str, _Waiting] = {}
        kept: list[Kept] = []
        for item in batch:
            sha256, size = _digest(item.content)
            if sha256 in waiting:
                kept.append(Kept(waiting[sha256].sidecar, new=False))
            elif self._stands(sha256, size):
                kept.append(Kept(self.sidecar(sha256), new=False))
            else:
                waiting[sha256] = _describe(item, sha256, size, restored=sha256 in self._listed())
                kept.append(Kept(waiting[sha256].sidecar, new=True))
        if waiting:
            files = [
                file
                for sha256, entry in waiting.items()
                for file in ((self.path(sha256), entry.item.content), (self.sidecar_path(sha256), entry.described))
            ]
            write_all_once(files, parts=self.root / INCOMING)
            if self._journal is not None:
                self._journal.append_all([entry for item in waiting.values() for entry in _journal_entries(item)])
        return kept

    def _stands(self, sha256: str, size: int) -> bool:
        """True where exactly these bytes are in the store, with the sidecar that belongs to them."""
        try:
            if _digest(self.path(sha256)) != (sha256, size):
                return False
            described = self.sidecar_path(sha256).read_bytes()
        except OSError:
            return False
        return self._journal is None or self._listed().get(sha256) == hashlib.sha256(described).hexdigest()


def _digest(content: bytes | Path) -> tuple[str, int]:
    """SHA-256 and size."""
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest(), len(content)
    with content.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest(), stream.tell()


def _describe(item: NewEvidence, sha256: str, size: int, *, restored: bool) -> _Waiting:
    if item.kind not in EVIDENCE_KINDS:
        raise BookError(f"no such kind of evidence: {item.kind}")
    sidecar = Sidecar(
        sha256=sha256,
        original_name=item.original_name,
        bytes=size,
        received_at=format_moment(item.received_at),
        kept_at=format_moment(datetime.now(UTC)),
        kind=item.kind,
        profile=item.profile,
        tool_version=TOOL_VERSION,
    )
    described = (json.dumps(asdict(sidecar), indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
    return _Waiting(item=item, sidecar=sidecar, described=described, kind="restored" if restored else "evidence")


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
    return [*(restored if waiting.kind == "restored" else []), ("evidence", listed)]


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
