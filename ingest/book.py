"""A book: a folder that holds evidence, the journal of imports and decisions, and everything derived from them.

::

    book.toml       format and time zone, written when the book is created
    journal.jsonl   imports and decisions, chained (ingest.journal); journal.head beside it
    evidence/       bytes as received (ingest.evidence)
    profiles/       the user's own meter profiles
    derived/        extracts of evidence; may be deleted, is rebuilt
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from filelock import FileLock, Timeout

from ingest.chain import Entry
from ingest.evidence import EvidenceStore, NewEvidence
from ingest.journal import Journal, PastJournal
from ingest.moments import file_received_at
from ingest.writing import PART, clear_parts, told_as_book_error, write_whole
from schemas.errors import BookError, InputError

FORMAT: Final = 1
DEFAULT_ZONE: Final = "Europe/London"
LOCK_TIMEOUT_S: Final = 30.0
LOCK_NAME: Final = ".lock"


class Book:
    """One book on disk. Creating the object writes nothing."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.journal = Journal(root / "journal.jsonl", held=self.locked)
        self.evidence = EvidenceStore(root / "evidence", journal=self.journal)
        self.profiles = root / "profiles"
        self.derived = root / "derived"
        self.settings_path = root / "book.toml"
        # One lock object for all of a book: it counts, so that whoever holds the book may ask for it again.
        self._lock = FileLock(root / LOCK_NAME, timeout=LOCK_TIMEOUT_S)

    @property
    def exists(self) -> bool:
        """True where the folder is a book."""
        return self.settings_path.is_file()

    @property
    def zone(self) -> ZoneInfo:
        """The zone of local times that say nothing else.

        Raises BookError where ``book.toml`` is no good, or not the one that the journal knows.
        """
        if not self.exists:
            return ZoneInfo(DEFAULT_ZONE)
        try:
            content = self.settings_path.read_bytes()
            settings = tomllib.loads(content.decode("utf-8"))
            if settings["format"] != FORMAT:
                raise BookError(
                    f"this book has format {settings['format']}, this program reads format {FORMAT}",
                    where=str(self.settings_path),
                    advice="use the version of the program that wrote it, or a newer one",
                )  # fmt: skip
            zone = find_zone(settings["zone"])
        except (OSError, KeyError, ValueError, TypeError) as error:
            raise BookError("the settings of the book cannot be read", where=str(self.settings_path)) from error
        known = settings_sha256(self.journal.entries())
        if known not in (None, hashlib.sha256(content).hexdigest()):
            raise BookError(
                "the settings of the book were altered after it was created", where=str(self.settings_path),
                advice="restore this file from a backup; another zone for one import is --zone, for all a new book",
            )  # fmt: skip
        return zone

    def as_of(self, entries: int | None, *, without: Collection[str] = ()) -> Book:
        """The book as it stood when its journal had so many entries (None: now), for reading only.

        Evidence in ``without`` (SHA-256) is passed over as if it had never been taken in: what is damaged.
        """
        past = Book(self.root)
        if entries is not None:
            past.journal = PastJournal(self.journal.path, entries)
        past.evidence = EvidenceStore(self.evidence.root, journal=past.journal, without=without)
        return past

    def create(self, zone: str = DEFAULT_ZONE) -> None:
        """Make the folder a book; an existing book is left as it is. What a killed process began is finished.

        Raises BookError where the folder cannot be written or holds something else.
        """
        if self.exists and self.journal.chain().entries:
            return
        settings = f'format = {FORMAT}\nzone = "{find_zone(zone).key}"\n'.encode()
        with told_as_book_error(self.root):
            if not self.exists and self.root.is_dir() and not self._only_begun():
                raise BookError(
                    "the folder holds something else than a book", where=str(self.root),
                    advice="name another folder: --book DIR",
                )  # fmt: skip
            self.root.mkdir(parents=True, exist_ok=True)
            with self.locked():
                self.profiles.mkdir(exist_ok=True)
                self.journal.start()
                if not self.exists:
                    write_whole(self.settings_path, settings)
                if not self.journal.entries() and not self.evidence.root.exists():
                    found = hashlib.sha256(self.settings_path.read_bytes()).hexdigest()
                    self.journal.append("book", {"format": FORMAT, "settings_sha256": found})

    def keep_profiles(self) -> None:
        """Keep every file of ``profiles/`` as evidence, so that an old reading can be read again with its profile.

        Call before reading with them. A profile that is new, changed or gone since the last time is journalled.
        """
        with self.locked(), told_as_book_error(self.profiles):
            for folder in (self.root, self.derived):
                clear_parts(folder)
            found = {path.name: path for path in sorted(self.profiles.glob("*")) if path.is_file()}
            kept = self.evidence.keep_all(
                NewEvidence(
                    content=path.read_bytes(), original_name=name, kind="profile", received_at=file_received_at(path)
                )
                for name, path in found.items()
            )
            now = {name: one.sidecar.sha256 for name, one in zip(found, kept, strict=True)}
            known = listed_profiles(self.journal.entries())
            self.journal.append_all(
                [("profile", {"name": name, "sha256": sha}) for name, sha in now.items() if known.get(name) != sha]
                + [("profile removed", {"name": name}) for name in known.keys() - now.keys()]
            )

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the book alone; a second process waits, then is told. Who holds it may ask again.

        Raises BookError where another process holds the book for longer than 30 s, or it cannot be locked.
        """
        try:
            self._lock.acquire()
        except Timeout as error:
            raise BookError(
                "another provebook is working on this book", where=str(self.root), advice="wait until it is done"
            ) from error
        except OSError as error:
            raise BookError(
                "the book cannot be locked", where=str(self.root), seen=str(error.strerror or error),
                advice="give the book a folder you may write to: --book DIR",
            ) from error  # fmt: skip
        try:
            yield
        finally:
            self._lock.release()

    def _only_begun(self) -> bool:
        """True where the folder is empty, or holds only what ``create`` writes before ``book.toml``."""
        begun = {LOCK_NAME, self.profiles.name, self.journal.head_path.name}
        names = [path.name for path in self.root.iterdir() if not path.name.startswith(PART)]
        return set(names) <= begun and self.journal.chain().broken is None


def settings_sha256(entries: Sequence[Entry]) -> str | None:
    """SHA-256 of ``book.toml`` as the journal knows it, or nothing where the book has no journal yet."""
    return next((str(entry.body.get("settings_sha256")) for entry in entries if entry.kind == "book"), None)


def listed_profiles(entries: Sequence[Entry]) -> dict[str, str]:
    """Name of each file in ``profiles/`` to its SHA-256, as last taken in."""
    known: dict[str, str] = {}
    for entry in entries:
        name = str(entry.body.get("name"))
        if entry.kind == "profile":
            known[name] = str(entry.body.get("sha256"))
        elif entry.kind == "profile removed":
            known.pop(name, None)
    return known


def find_zone(name: str) -> ZoneInfo:
    """The time zone of that IANA name. Raises InputError with an example where there is none."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise InputError(f"no such time zone: {name!r}", advice="an IANA name such as Europe/London or UTC") from error
