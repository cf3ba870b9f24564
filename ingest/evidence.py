"""The evidence store: bytes exactly as received, named by their SHA-256, written once, never edited.

Layout: ``evidence/<first two hex digits>/<sha256>`` holds the bytes, ``<sha256>.json`` beside it the sidecar. Both are
written under a temporary name, flushed to disk, renamed, and made read-only; the sidecar goes last, so that an
object without one is a write that was cut off.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pandas as pd

from schemas.check import conform_table
from schemas.errors import BookError
from schemas.evidence import EVIDENCE_KINDS, Evidence
from schemas.version import TOOL_VERSION

CHUNK_BYTES: Final = 1 << 20
READ_ONLY: Final = 0o444


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


@dataclass(frozen=True)
class Kept:
    """The answer of ``keep``: the sidecar in force, and whether the bytes were new to the book."""

    sidecar: Sidecar
    new: bool


def format_moment(moment: datetime) -> str:
    """ISO 8601 in UTC with microseconds and ``Z``."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def file_received_at(path: Path) -> datetime:
    """When the bytes of a file reached this computer, as far as its file system knows: its modification time."""
    return datetime.fromtimestamp(path.stat().st_mtime_ns // 1000 / 1e6, tz=UTC)


class EvidenceStore:
    """Write-once objects below one folder."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def path(self, sha256: str) -> Path:
        """Where the bytes of an object are, or would be."""
        return self.root / sha256[:2] / sha256

    def sidecar_path(self, sha256: str) -> Path:
        """Where the sidecar of an object is, or would be."""
        return self.root / sha256[:2] / f"{sha256}.json"

    def keep(
        self, content: bytes, *, original_name: str, kind: str, received_at: datetime, profile: str | None = None
    ) -> Kept:
        """Keep ``content``; the same bytes again change nothing and answer with the first sidecar.

        Raises BookError where the store cannot be written.
        """
        if kind not in EVIDENCE_KINDS:
            raise BookError(f"no such kind of evidence: {kind}")
        sha256 = hashlib.sha256(content).hexdigest()
        if self.sidecar_path(sha256).exists() and self.path(sha256).exists():
            return Kept(self.sidecar(sha256), new=False)
        sidecar = Sidecar(
            sha256=sha256,
            original_name=original_name,
            bytes=len(content),
            received_at=format_moment(received_at),
            kept_at=format_moment(datetime.now(UTC)),
            kind=kind,
            profile=profile,
            tool_version=TOOL_VERSION,
        )
        described = (json.dumps(asdict(sidecar), indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
        write_once(self.path(sha256), content)
        write_once(self.sidecar_path(sha256), described)
        return Kept(sidecar, new=True)

    def read(self, sha256: str) -> bytes:
        """The bytes of an object, hashed again on the way.

        Raises BookError where the object is missing or its bytes have changed.
        """
        try:
            content = self.path(sha256).read_bytes()
        except OSError as error:
            raise BookError(
                "evidence cannot be read", where=str(self.path(sha256)), seen=str(error.strerror),
                advice="restore this file from a backup of the book",
            ) from error  # fmt: skip
        if hashlib.sha256(content).hexdigest() != sha256:
            raise BookError(
                "evidence has been changed: its bytes no longer give the hash it is named by",
                where=str(self.path(sha256)),
                advice="restore this file from a backup of the book; run 'provebook audit' to see what depends on it",
            )
        return content

    def sidecar(self, sha256: str) -> Sidecar:
        """The sidecar of an object. Raises BookError where it is missing or unreadable."""
        path = self.sidecar_path(sha256)
        try:
            return Sidecar(**json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError) as error:
            raise BookError("sidecar of evidence cannot be read", where=str(path), seen=str(error)) from error

    def hashes(self) -> Iterator[str]:
        """The SHA-256 names of all complete objects, in ascending order."""
        if not self.root.is_dir():
            return
        for folder in sorted(self.root.iterdir()):
            if folder.is_dir():
                yield from sorted(entry.stem for entry in folder.glob("*.json"))

    def table(self) -> pd.DataFrame:
        """The evidence table (schemas.evidence.Evidence), one row an object, by hash."""
        rows = [asdict(self.sidecar(sha256)) for sha256 in self.hashes()]
        frame = pd.DataFrame(rows, columns=[*Evidence.to_schema().columns])
        frame["received_at"] = pd.to_datetime(frame["received_at"], utc=True, format="%Y-%m-%dT%H:%M:%S.%fZ")
        return conform_table(Evidence, frame)


def write_once(path: Path, content: bytes) -> None:
    """Write a read-only file under its final name, or not at all.

    Raises BookError where the folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=".part-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(temporary, READ_ONLY)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        sync_folder(path.parent)
    except OSError as error:
        raise BookError(
            "cannot write into the book", where=str(path.parent), seen=str(error.strerror or error),
            advice="give the book a folder you may write to: --book DIR",
        ) from error  # fmt: skip


def sync_folder(folder: Path) -> None:
    """Make a rename durable; where the system has no such thing (Windows), do nothing."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
