"""Whether a book is what its journal says: every file hashed again, nothing changed, left out, exchanged or put in.

What this cannot see: a forger who writes the whole journal anew, from an entry on to its end, head included. A signed
dataset names the head of the journal it was made with, and so fixes everything before it.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from ingest.book import LOCK_NAME, Book, listed_profiles, settings_sha256
from ingest.chain import Chain
from ingest.derived import NAMED
from ingest.incoming import INCOMING
from ingest.journal import Journal, listed_evidence
from ingest.writing import PART
from schemas.audit import IntegrityFaults
from schemas.check import conform_table
from schemas.errors import BookError

CONVERSATIONS: Final = "conversations"
LARGE_BYTES: Final = 1 << 20
RESTORE: Final = "restore this file from a backup of the book"
NEXT_WRITE: Final = "nothing that was taken in is lost; the next import clears it"


@dataclass(frozen=True, kw_only=True)
class Integrity:
    """The answer: ``faults`` (schemas.audit.IntegrityFaults), and how much was looked at."""

    faults: pd.DataFrame
    files: int
    bytes: int
    entries: int
    head: str


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One place where the book is not what its journal says."""

    path: str
    fault: str
    message: str
    action: str = RESTORE
    place: str | None = None


def check_integrity(book: Book) -> Integrity:
    """Every file of the book held against its journal. Never raises for what it finds in the book.

    Raises BookError where the folder is no book at all, or another process keeps it locked.
    """
    if not (book.exists or book.journal.path.exists() or book.evidence.root.exists()):
        raise BookError("there is no book here", where=str(book.root), advice="name its folder: --book DIR")
    with ExitStack() as stack:
        if os.access(book.root, os.W_OK):
            stack.enter_context(book.locked())
        chain = Journal(book.journal.path).chain()
        hashes, size = _hash_files(list(_files(book.root)))
    faults = [*_journal_faults(chain), *_file_faults(book, chain, hashes)]
    table = pd.DataFrame([vars(fault) for fault in faults], columns=[*IntegrityFaults.to_schema().columns])
    return Integrity(
        faults=conform_table(IntegrityFaults, table),
        files=len(hashes),
        bytes=size,
        entries=len(chain.entries),
        head=chain.entries[-1].hash if chain.entries else "",
    )


def _journal_faults(chain: Chain) -> Iterator[Fault]:
    """What the chain itself says."""
    if chain.broken is not None:
        line = chain.broken.line
        yield Fault(
            path="journal.jsonl" if line else "journal.head",
            place=f"line {line}" if line else None,
            fault="missing" if "missing" in chain.broken.what else "changed",
            message=f"{chain.broken.what} {chain.broken.seen}".strip(),
            action="restore journal.jsonl and journal.head, both, from a backup of the book",
        )
    if chain.torn:
        seen = chain.torn[:80].decode("utf-8", errors="backslashreplace")
        place = f"line {len(chain.entries) + len(chain.after) + 1}"
        message = f"the last line has no end; it is not read: {seen}"
        yield Fault(path="journal.jsonl", place=place, fault="cut off", message=message, action=NEXT_WRITE)
    if chain.behind:
        message = f"journal.head does not count the last {chain.behind} entries yet"
        yield Fault(path="journal.head", fault="behind", message=message, action=NEXT_WRITE)


def _file_faults(book: Book, chain: Chain, hashes: dict[str, str | None]) -> Iterator[Fault]:
    """Every file against what the journal lists, in order of path; then what is listed and not there."""
    expected = _expected(book, chain)
    for path, sha256 in sorted(hashes.items()):
        if path in expected:
            if sha256 != expected[path]:
                message = "its bytes no longer give the SHA-256 that the journal knows"
                yield Fault(path=path, fault="changed", message=message)
        elif (fault := _unexpected(path, sha256)) is not None:
            yield fault
    for path in sorted(expected.keys() - hashes.keys()):
        yield Fault(path=path, fault="missing", message="the journal lists this file and it is not there")


def _expected(book: Book, chain: Chain) -> dict[str, str]:
    """Path below the book to SHA-256 of every listed file; behind a break of the chain, as far as lines can be read."""
    entries = [*chain.entries, *chain.after]
    expected: dict[str, str] = {}
    if (settings := settings_sha256(entries)) is not None:
        expected[book.settings_path.name] = settings
    for sha256, sidecar_sha256 in listed_evidence(entries).items():
        expected[f"evidence/{sha256[:2]}/{sha256}"] = sha256
        expected[f"evidence/{sha256[:2]}/{sha256}.json"] = sidecar_sha256
    for name, sha256 in listed_profiles(entries).items():
        expected[f"{book.profiles.name}/{name}"] = sha256
    return expected


def _unexpected(path: str, sha256: str | None) -> Fault | None:
    """What a file is that the journal does not list; nothing where it needs no entry."""
    folder, _, name = path.rpartition("/")
    if sha256 is None:
        return Fault(path=path, fault="stray", message="not a regular file", action="move it out of the book")
    if path in ("journal.jsonl", "journal.head"):
        return None
    if path == LOCK_NAME and sha256 == hashlib.sha256(b"").hexdigest():
        return None
    if name.startswith(PART) and folder in ("", f"evidence/{INCOMING}", "derived"):
        return Fault(path=path, fault="left over", message="a process was killed while it wrote", action=NEXT_WRITE)
    if folder == CONVERSATIONS:
        message = "a conversation with a meter that was cut off, or still goes on"
        return Fault(path=path, fault="left over", message=message, action="the next sync takes it in")
    if folder == "derived" and (parts := NAMED.fullmatch(name)) is not None:
        if parts["sha256"] == sha256:
            return None
        return Fault(
            path=path, fault="changed", message="not the bytes its name says", action="delete it: it is made again"
        )
    if folder == "profiles":
        message = "this profile was added or never used: no import has taken it in"
        return Fault(
            path=path, fault="not listed", message=message, action="import with it, or move it out of the book"
        )
    if path == "book.toml" or folder.startswith("evidence/"):
        message = "the journal does not list this file: a process was killed before it did, or it was put here"
        return Fault(
            path=path, fault="not listed", message=message, action="import the original file again, or move this out"
        )
    return Fault(path=path, fault="stray", message="not a file of a book", action="move it out of the book")


def _files(folder: Path) -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Everything below ``folder`` that is not a plain folder, with its path; links are not followed."""
    waiting = [("", str(folder))]
    while waiting:
        below, place = waiting.pop()
        with os.scandir(place) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append((f"{below}{entry.name}/", entry.path))
                else:
                    yield f"{below}{entry.name}", entry


def _hash_files(files: Sequence[tuple[str, os.DirEntry[str]]]) -> tuple[dict[str, str | None], int]:
    """SHA-256 of each file, None for what is no regular file or cannot be read; and how many bytes that was.

    Large files go to threads, which hash side by side; for small ones a thread costs more than it gives.
    """
    hashes: dict[str, str | None] = {}
    large: list[tuple[str, str]] = []
    total = 0
    for path, entry in files:
        if not entry.is_file(follow_symlinks=False):
            hashes[path] = None
            continue
        size = entry.stat(follow_symlinks=False).st_size
        total += size
        if size > LARGE_BYTES:
            large.append((path, entry.path))
        else:
            hashes[path] = _hash_small(entry.path)
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        hashes |= dict(
            zip([path for path, _place in large], pool.map(_hash_large, [place for _path, place in large]), strict=True)
        )
    return hashes, total


def _hash_small(place: str) -> str | None:
    try:
        with open(place, "rb", buffering=0) as stream:
            return hashlib.sha256(stream.read()).hexdigest()
    except OSError:
        return None


def _hash_large(place: str) -> str | None:
    try:
        with open(place, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None
