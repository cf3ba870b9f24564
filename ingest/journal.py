"""The journal of a book: every import and decision, append-only, each entry chained to the one before.

One JSON object a line: ``entry`` (counts from 0), ``previous`` (hash of the entry before, 64 zeros for the first),
``at`` (UTC), ``kind``, ``body``, and ``hash``: SHA-256 of the canonical JSON of the other five. A plain chain rather
than a Merkle tree: a book has thousands of entries, not millions, and is always checked whole, so a proof of a single
entry has no reader. ``journal.head`` repeats the count and the last hash: a journal cut short at its end is seen.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from ingest.evidence import format_moment
from schemas.errors import BookError

FIRST: Final = "0" * 64


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One journal entry as it stands on disk."""

    entry: int
    previous: str
    at: str
    kind: str
    body: dict[str, Any]
    hash: str


def canonical(value: Any) -> bytes:
    """JSON with sorted keys and no blanks, UTF-8: the same value always gives the same bytes."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def entry_hash(*, entry: int, previous: str, at: str, kind: str, body: dict[str, Any]) -> str:
    """The chained hash of one entry."""
    return hashlib.sha256(
        canonical({"entry": entry, "previous": previous, "at": at, "kind": kind, "body": body})
    ).hexdigest()


class Journal:
    """The journal file of one book. Callers hold the book's lock while they append."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.head_path = path.with_suffix(".head")

    def entries(self) -> list[Entry]:
        """All entries, the chain checked. A last line cut off by a killed process is left out.

        Raises BookError at the first entry that was altered, removed or moved.
        """
        found: list[Entry] = []
        previous = FIRST
        for number, line in enumerate(self._complete_lines()):
            where = f"{self.path} line {number + 1}"
            try:
                entry = Entry(**json.loads(line))
                expected = entry_hash(
                    entry=entry.entry, previous=entry.previous, at=entry.at, kind=entry.kind, body=entry.body
                )
            except (ValueError, TypeError) as error:
                raise BookError("journal entry cannot be read", where=where, seen=line[:80]) from error
            if entry.entry != number or entry.previous != previous or entry.hash != expected:
                raise BookError(
                    "the journal is broken here: an entry was altered, removed or moved", where=where,
                    advice="restore the journal from a backup of the book",
                )  # fmt: skip
            previous = entry.hash
            found.append(entry)
        return found

    def dropped(self) -> str:
        """The cut-off last line that ``entries`` leaves out, or nothing."""
        text = self._text()
        return text[text.rfind("\n") + 1 :]

    def append(self, kind: str, body: dict[str, Any]) -> Entry:
        """Append one entry and flush it to disk."""
        return self.append_all([(kind, body)])[0]

    def append_all(self, items: list[tuple[str, dict[str, Any]]]) -> list[Entry]:
        """Append entries and flush them to disk once. Raises BookError where the chain or the disk refuses."""
        known = self.entries()
        previous, number = (known[-1].hash, len(known)) if known else (FIRST, 0)
        added: list[Entry] = []
        for kind, body in items:
            at = format_moment(datetime.now(UTC))
            digest = entry_hash(entry=number, previous=previous, at=at, kind=kind, body=body)
            added.append(Entry(entry=number, previous=previous, at=at, kind=kind, body=body, hash=digest))
            previous, number = digest, number + 1
        lines = b"".join(canonical(vars(entry)) + b"\n" for entry in added)
        try:
            self._cut_torn_line()
            with self.path.open("ab") as stream:
                stream.write(lines)
                stream.flush()
                os.fsync(stream.fileno())
            temporary = self.head_path.with_suffix(".head-part")
            temporary.write_text(f"{number} {previous}\n", encoding="ascii")
            os.replace(temporary, self.head_path)
        except OSError as error:
            raise BookError("cannot write the journal", where=str(self.path), seen=str(error.strerror)) from error
        return added

    def _text(self) -> str:
        try:
            return self.path.read_bytes().decode("utf-8", errors="replace")
        except FileNotFoundError:
            return ""
        except OSError as error:
            raise BookError("cannot read the journal", where=str(self.path), seen=str(error.strerror)) from error

    def _complete_lines(self) -> list[str]:
        return self._text().split("\n")[:-1]

    def _cut_torn_line(self) -> None:
        torn = self.dropped()
        if torn:
            size = self.path.stat().st_size
            raw = self.path.read_bytes()
            with self.path.open("r+b") as stream:
                stream.truncate(raw.rfind(b"\n") + 1 if size else 0)
