"""The journal of a book: every import and decision, append-only, each entry chained to the one before.

One JSON object a line: ``entry`` (counts from 0), ``previous`` (hash of the entry before, 64 zeros for the first),
``at`` (UTC), ``kind``, ``body``, and ``hash``: SHA-256 of the canonical JSON of the other five. A plain chain rather
than a Merkle tree: a book has thousands of entries, not millions, and is always checked whole, so a proof of a single
entry has no reader. ``journal.head`` repeats the count and the last hash: a journal cut short at its end is seen.
The head is written before the first entry and replaced after each append, so it may be behind (a killed process),
never ahead.

Kinds: ``book`` (the settings at creation), ``evidence`` (an object with the hash of its sidecar), ``restored`` (damaged
evidence replaced by the same bytes handed in again), ``profile`` and ``profile removed``, ``dropped`` (a torn line that
was cut away); and those of the rooms that import and decide.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ingest.chain import FIRST, Chain, Entry, canonical, entry_hash, entry_line, head_bytes, make_entry, parse_chain
from ingest.moments import format_moment
from ingest.writing import clear_parts, write_whole
from schemas.errors import BookError

__all__ = ["Entry", "Journal", "canonical", "entry_hash"]


class Journal:
    """The journal file of one book. ``held`` takes the book's lock; who appends takes it by that."""

    def __init__(self, path: Path, *, held: Callable[[], AbstractContextManager[None]] = nullcontext) -> None:
        self.path = path
        self.head_path = path.with_suffix(".head")
        self.held = held
        self._known: tuple[object, Chain, dict[str, str]] | None = None

    def start(self) -> None:
        """Write the head of an empty journal, before anything else of a book; an existing one is left as it is."""
        if not self.head_path.exists() and not self.path.exists():
            write_whole(self.head_path, head_bytes(0, FIRST))

    def chain(self) -> Chain:
        """The journal as it stands, broken or not. Read again only where a file has changed since."""
        seen = self._signature()
        if self._known is None or self._known[0] != seen:
            # The head first: whoever appends in between makes the journal longer than it, never shorter.
            head = self._read(self.head_path)
            journal = self._read(self.path)
            fresh = journal is None and head is None
            chain = Chain(entries=[]) if fresh else parse_chain(journal or b"", head)
            self._known = (seen, chain, listed_evidence(chain.entries))
        return self._known[1]

    def entries(self) -> list[Entry]:
        """All entries, the chain checked. A last line cut off by a killed process is left out.

        Raises BookError at the first entry that was altered, removed or moved.
        """
        return list(self._sound_chain().entries)

    def _sound_chain(self) -> Chain:
        chain = self.chain()
        if chain.broken is not None:
            line = chain.broken.line
            raise BookError(
                f"the journal is broken here: {chain.broken.what}",
                where=f"{self.path} line {line}" if line else str(self.head_path), seen=chain.broken.seen,
                advice="restore journal.jsonl and journal.head, both, from a backup of the book",
            )  # fmt: skip
        return chain

    def evidence(self) -> Mapping[str, str]:
        """SHA-256 of every evidence object that the book took in, to the SHA-256 of its sidecar.

        Raises BookError where the chain is broken.
        """
        self._sound_chain()
        return self._known[2] if self._known else {}

    def dropped(self) -> str:
        """The cut-off last line that ``entries`` leaves out, or nothing."""
        return self.chain().torn.decode("utf-8", errors="backslashreplace")

    def append(self, kind: str, body: dict[str, Any]) -> Entry:
        """Append one entry and flush it to disk."""
        return self.append_all([(kind, body)])[0]

    def append_all(self, items: Sequence[tuple[str, dict[str, Any]]]) -> list[Entry]:
        """Append entries and flush them to disk once. Raises BookError where the chain or the disk refuses.

        Even without entries, what a killed process left unfinished is put right.
        """
        with self.held():
            clear_parts(self.path.parent)
            chain = self._sound_chain()
            known, torn = chain.entries, chain.torn
            if torn:
                seen = torn[:200].decode("utf-8", errors="backslashreplace")
                items = [("dropped", {"bytes": len(torn), "seen": seen}), *items]
            if not items:
                if chain.behind:
                    write_whole(self.head_path, head_bytes(len(known), known[-1].hash))
                return []
            added: list[Entry] = []
            previous = known[-1].hash if known else FIRST
            at = format_moment(datetime.now(UTC))
            for number, (kind, body) in enumerate(items, start=len(known)):
                added.append(make_entry(entry=number, previous=previous, at=at, kind=kind, body=body))
                previous = added[-1].hash
            self._write(b"".join(map(entry_line, added)), torn=len(torn))
            write_whole(self.head_path, head_bytes(len(known) + len(added), previous))
            listed = self._known[2] if self._known else {}
            self._known = (
                self._signature(),
                Chain(entries=[*known, *added]),
                listed | listed_evidence(added),
            )
            return added[1:] if torn else added

    def _write(self, lines: bytes, *, torn: int) -> None:
        try:
            with self.path.open("ab") as stream:
                if torn:
                    stream.truncate(stream.tell() - torn)
                stream.write(lines)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise BookError("cannot write the journal", where=str(self.path), seen=str(error.strerror)) from error

    def _signature(self) -> object:
        return [_stamp(self.head_path), _stamp(self.path)]

    def _read(self, path: Path) -> bytes | None:
        try:
            return path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise BookError("cannot read the journal", where=str(path), seen=str(error.strerror)) from error


class PastJournal(Journal):
    """A journal as it stood when it had ``count`` entries; nothing can be appended to it."""

    def __init__(self, path: Path, count: int) -> None:
        super().__init__(path)
        self._count = count

    def chain(self) -> Chain:
        """The first entries; the whole chain is checked all the same."""
        seen = self._signature()
        if self._known is None or self._known[0] != seen:
            whole = super().chain()
            then = Chain(entries=whole.entries[: self._count], broken=whole.broken)
            self._known = (seen, then, listed_evidence(then.entries))
        return self._known[1]

    def append_all(self, items: Sequence[tuple[str, dict[str, Any]]]) -> list[Entry]:
        """Raises BookError: the past cannot be written."""
        raise BookError("this is the book as it was; it cannot be written", where=str(self.path))


def listed_evidence(entries: Sequence[Entry]) -> dict[str, str]:
    """SHA-256 of each evidence object in ``entries`` to the SHA-256 of its sidecar; the last entry counts."""
    return {
        str(entry.body["sha256"]): str(entry.body["sidecar_sha256"])
        for entry in entries
        if entry.kind == "evidence" and {"sha256", "sidecar_sha256"} <= entry.body.keys()
    }


def _stamp(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino
