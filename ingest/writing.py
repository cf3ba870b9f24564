"""Files written whole or not at all: temporary name, flushed to disk, renamed, the folder flushed too."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from schemas.errors import BookError, InputError

READ_ONLY: Final = 0o444
WRITABLE: Final = 0o644
PART: Final = ".part-"
"""How the name of an unfinished file begins. One that is left over was being written when its process ended."""

COPIED_AT_ONCE: Final = 1 << 20
FEW: Final = 8
"""Up to so many files are flushed one by one."""
FLUSHED_TOGETHER: Final = 8


@contextmanager
def told_as_book_error(folder: Path) -> Iterator[None]:
    """Raise what the operating system refuses as a BookError that names the folder."""
    try:
        yield
    except OSError as error:
        raise BookError(
            "cannot write into the book", where=str(folder), seen=str(error.strerror or error),
            advice="give the book a folder you may write to: --book DIR",
        ) from error  # fmt: skip


def write_once(path: Path, content: bytes) -> None:
    """Write a read-only file under its final name, or not at all.

    Raises BookError where the folder cannot be written.
    """
    write_whole(path, content, mode=READ_ONLY)


def write_whole(path: Path, content: bytes | memoryview, *, mode: int = WRITABLE, flush: bool = True) -> None:
    """Write or replace a file so that any moment shows the old bytes or the new ones, never a part.

    Without ``flush`` that holds only while the computer runs: for files that carry their own hash and can be made
    again. Raises BookError where the folder cannot be written.
    """
    with told_as_book_error(path.parent):
        path.parent.mkdir(parents=True, exist_ok=True)
        part = write_part(path.parent, content)
        try:
            if flush:
                flush_file(part)
            os.chmod(part, mode)
            os.replace(part, path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        if flush:
            sync_folder(path.parent)


def write_all_once(files: Sequence[tuple[Path, bytes | Path]], *, parts: Path) -> None:
    """Write many read-only files in the order given, each whole or not at all, fewer waits than one by one.

    Content is bytes, or the file below ``parts`` that has them already (``copy_part``) and becomes the file.

    All bytes are written below ``parts`` first, then flushed, then renamed in order, then each folder is flushed
    once: a file that stands under its final name is complete on disk. A killed process leaves a first part of the
    list and leftovers in ``parts``. Raises BookError where a folder cannot be written.
    """
    with told_as_book_error(parts.parent):
        parts.mkdir(parents=True, exist_ok=True)
        written: list[tuple[Path, Path]] = []
        try:
            for path, content in files:
                written.append((content if isinstance(content, Path) else write_part(parts, content), path))
            flush_all([part for part, _path in written])
            folders = {path.parent for path, _content in files}
            for folder in folders:
                folder.mkdir(exist_ok=True)
            for part, path in written:
                os.replace(part, path)
        except BaseException:
            for part, _path in written:
                part.unlink(missing_ok=True)
            raise
        for folder in sorted(folders) + sorted({folder.parent for folder in folders}):
            sync_folder(folder)


def write_part(folder: Path, content: bytes | memoryview) -> Path:
    """A new file in ``folder`` with a name that says it is unfinished; not flushed."""
    handle, name = tempfile.mkstemp(prefix=PART, dir=folder)
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
    return Path(name)


def copy_part(folder: Path, source: Path) -> tuple[Path, str, int]:
    """A new unfinished file with the bytes of ``source``, their SHA-256 and how many they are; not flushed.

    Raises InputError where the source cannot be read.
    """
    handle, name = tempfile.mkstemp(prefix=PART, dir=folder)
    digest, size = hashlib.sha256(), 0
    try:
        with os.fdopen(handle, "wb") as stream:
            for block in _blocks(source):
                digest.update(block)
                stream.write(block)
                size += len(block)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name), digest.hexdigest(), size


def _blocks(source: Path) -> Iterator[bytes]:
    """The bytes of a file, piece by piece."""
    try:
        with source.open("rb", buffering=0) as stream:
            while block := stream.read(COPIED_AT_ONCE):
                yield block
    except OSError as error:
        raise InputError(
            "the file cannot be read", where=str(source), seen=str(error.strerror or error),
            advice="check that you may read it; everything else was taken in",
        ) from error  # fmt: skip


def flush_all(parts: Sequence[Path]) -> None:
    """Make files read-only and wait until all are on disk; for many at once, which a disk does in little more time."""
    if len(parts) <= FEW:
        for part in parts:
            flush_read_only(part)
        return
    sync_system()
    with ThreadPoolExecutor(FLUSHED_TOGETHER, thread_name_prefix="flush") as pool:
        list(pool.map(flush_read_only, parts))


def flush_read_only(part: Path) -> None:
    """Wait until the bytes of a file are on disk; then nobody writes to it any more."""
    flush_file(part)
    os.chmod(part, READ_ONLY)


def flush_file(path: Path) -> None:
    """Wait until the bytes of a file are on disk."""
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_system() -> None:
    """Start writing out everything at once, so that the flush of each file after it is short.

    It reports no error and promises nothing on some systems: the flush of each file does.
    """
    if hasattr(os, "sync"):
        os.sync()


def sync_folder(folder: Path) -> None:
    """Make a rename durable; where the system has no such thing (Windows), do nothing."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def clear_parts(folder: Path) -> int:
    """Remove what killed processes left unfinished in ``folder``; how many files that were. Call under the lock."""
    if not folder.is_dir():
        return 0
    leftovers = [path for path in folder.iterdir() if path.name.startswith(PART)]
    for path in leftovers:
        path.unlink(missing_ok=True)
    return len(leftovers)
