"""A book: a folder that holds evidence, the journal of imports and decisions, and everything derived from them.

::

    book.toml       format and time zone, written when the book is created
    journal.jsonl   imports and decisions, chained (ingest.journal); journal.head beside it
    evidence/       bytes as received (ingest.evidence)
    profiles/       the user's own meter profiles
    derived/        extracts of evidence; may be deleted, is rebuilt
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from filelock import FileLock, Timeout

from ingest.evidence import EvidenceStore
from ingest.journal import Journal
from schemas.errors import BookError, InputError

FORMAT: Final = 1
DEFAULT_ZONE: Final = "Europe/London"
LOCK_TIMEOUT_S: Final = 30.0


class Book:
    """One book on disk. Creating the object writes nothing."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.evidence = EvidenceStore(root / "evidence")
        self.journal = Journal(root / "journal.jsonl")
        self.profiles = root / "profiles"
        self.derived = root / "derived"
        self._settings = root / "book.toml"

    @property
    def exists(self) -> bool:
        """True where the folder is a book."""
        return self._settings.is_file()

    @property
    def zone(self) -> ZoneInfo:
        """The zone of local times that say nothing else. Raises BookError where ``book.toml`` is no good."""
        if not self.exists:
            return ZoneInfo(DEFAULT_ZONE)
        try:
            settings = tomllib.loads(self._settings.read_text(encoding="utf-8"))
            if settings["format"] != FORMAT:
                raise BookError(
                    f"this book has format {settings['format']}, this program reads format {FORMAT}",
                    where=str(self._settings), advice="use the version of the program that wrote it, or a newer one",
                )  # fmt: skip
            return find_zone(settings["zone"])
        except (OSError, KeyError, ValueError) as error:
            raise BookError("the settings of the book cannot be read", where=str(self._settings)) from error

    def create(self, zone: str = DEFAULT_ZONE) -> None:
        """Make the folder a book; an existing book is left as it is.

        Raises BookError where the folder cannot be written or holds something else.
        """
        if self.exists:
            return
        try:
            if self.root.is_dir() and any(self.root.iterdir()):
                raise BookError(
                    "the folder holds something else than a book", where=str(self.root),
                    advice="name another folder: --book DIR",
                )  # fmt: skip
            self.root.mkdir(parents=True, exist_ok=True)
            self.profiles.mkdir(exist_ok=True)
            self._settings.write_text(f'format = {FORMAT}\nzone = "{find_zone(zone).key}"\n', encoding="utf-8")
        except OSError as error:
            raise BookError(
                "the book cannot be created", where=str(self.root), seen=str(error.strerror or error),
                advice="give the book a folder you may write to: --book DIR",
            ) from error  # fmt: skip

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the book alone; a second process waits, then is told.

        Raises BookError where another process holds the book for longer than 30 s.
        """
        try:
            with FileLock(self.root / ".lock", timeout=LOCK_TIMEOUT_S):
                yield
        except Timeout as error:
            raise BookError(
                "another provebook is working on this book", where=str(self.root), advice="wait until it is done"
            ) from error


def find_zone(name: str) -> ZoneInfo:
    """The time zone of that IANA name. Raises InputError with an example where there is none."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise InputError(f"no such time zone: {name!r}", advice="an IANA name such as Europe/London or UTC") from error
