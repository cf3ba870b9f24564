"""The chain of a journal as bytes: how entries are written, and where the first broken place is.

Pure functions: no file is opened here, so that every single-bit change of a journal can be tried in memory.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from typing import Any, Final

FIRST: Final = "0" * 64
HEAD: Final = re.compile(rb"(0|[1-9][0-9]*) ([0-9a-f]{64})\n")
HASH_FIELD: Final = b'"hash":"'
FIELDS: Final = {"entry", "previous", "at", "kind", "body", "hash"}


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One journal entry as it stands on disk."""

    entry: int
    previous: str
    at: str
    kind: str
    body: dict[str, Any]
    hash: str


@dataclass(frozen=True, kw_only=True)
class Break:
    """The first place where the chain does not hold. ``line`` counts from 1; 0 is the head file."""

    line: int
    what: str
    seen: str = ""


@dataclass(frozen=True, kw_only=True)
class Chain:
    """A journal as read: the entries that hold, the first break if any, and what a killed process left.

    ``torn`` is a last line without its end. ``behind`` counts the entries that the head does not know yet. ``after``
    are the lines behind a break that still look like entries: good for nothing but to say which files were listed.
    """

    entries: list[Entry]
    broken: Break | None = None
    torn: bytes = b""
    behind: int = 0
    after: list[Entry] = field(default_factory=list)


def canonical(value: Any) -> bytes:
    """JSON with sorted keys and no blanks, UTF-8: the same value always gives the same bytes."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def entry_hash(*, entry: int, previous: str, at: str, kind: str, body: dict[str, Any]) -> str:
    """The chained hash of one entry."""
    return hashlib.sha256(
        canonical({"entry": entry, "previous": previous, "at": at, "kind": kind, "body": body})
    ).hexdigest()


def make_entry(*, entry: int, previous: str, at: str, kind: str, body: dict[str, Any]) -> Entry:
    """The entry that follows the one with hash ``previous``."""
    digest = entry_hash(entry=entry, previous=previous, at=at, kind=kind, body=body)
    return Entry(entry=entry, previous=previous, at=at, kind=kind, body=body, hash=digest)


def entry_line(entry: Entry) -> bytes:
    """The line of an entry, with its end."""
    return canonical(vars(entry)) + b"\n"


def head_bytes(count: int, last_hash: str) -> bytes:
    """The content of the head file."""
    return f"{count} {last_hash}\n".encode("ascii")


def parse_chain(journal: bytes, head: bytes | None) -> Chain:
    """The entries of ``journal`` up to the first place that does not hold, judged against ``head`` too.

    ``head`` is None where the file is missing, which is a break: a book has a head before it has a journal.
    """
    *lines, torn = journal.split(b"\n")
    entries: list[Entry] = []
    previous = FIRST
    for number, line in enumerate(lines):
        entry = _parse_line(line)
        if entry is None or not _holds(entry, line, number=number, previous=previous):
            what = "an entry was altered, removed, added or moved" if entry else "journal entry cannot be read"
            seen = line[:80].decode("utf-8", errors="backslashreplace")
            rest = [later for later in map(_parse_line, lines[number:]) if later is not None]
            return Chain(
                entries=entries, broken=Break(line=number + 1, what=what, seen=seen), torn=torn, after=rest
            )  # fmt: skip
        entries.append(entry)
        previous = entry.hash
    return _against_head(entries, torn, head)


def _against_head(entries: list[Entry], torn: bytes, head: bytes | None) -> Chain:
    """The chain with the verdict of the head: cut short, altered, or merely behind."""
    parsed = HEAD.fullmatch(head) if head is not None else None
    if parsed is None:
        what = "journal.head is missing" if head is None else "journal.head cannot be read"
        seen = (head or b"")[:80].decode("utf-8", errors="backslashreplace")
        return Chain(entries=entries, broken=Break(line=0, what=what, seen=seen), torn=torn)
    count, last = int(parsed[1]), parsed[2].decode("ascii")
    if count > len(entries):
        what = f"the journal was cut short: journal.head counts {count} entries, {len(entries)} are there"
        return Chain(entries=entries, broken=Break(line=len(entries) + 1, what=what), torn=torn)
    if last != (entries[count - 1].hash if count else FIRST):
        what = "journal.head and the journal disagree: one of them was altered or exchanged"
        return Chain(entries=entries, broken=Break(line=0, what=what, seen=f"{count} {last}"), torn=torn)
    return Chain(entries=entries, torn=torn, behind=len(entries) - count)


def _parse_line(line: bytes) -> Entry | None:
    """The entry of a line, or nothing where the line is no entry at all."""
    try:
        fields = json.loads(line)
        if not isinstance(fields, dict) or set(fields) != FIELDS or not isinstance(fields["body"], dict):
            return None
        return Entry(**fields)
    except (ValueError, RecursionError):
        return None


def _holds(entry: Entry, line: bytes, *, number: int, previous: str) -> bool:
    """True where the line is, byte for byte, the entry that belongs here.

    The hash is taken over the line as it stands, without its own field: no two spellings of an entry can pass. In
    canonical order ``hash`` comes after ``body``, so that its last mention is the field itself.
    """
    if entry.entry != number or entry.previous != previous:
        return False
    start = line.rfind(HASH_FIELD)
    end = start + len(HASH_FIELD) + 64
    if start < 0 or line[end : end + 2] != b'",':
        return False
    digest = hashlib.sha256(line[:start] + line[end + 2 :]).hexdigest()
    return digest == entry.hash and line[end - 64 : end] == digest.encode("ascii")
