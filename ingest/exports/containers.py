"""What an export file holds: one text, members of an archive, or sheets of a spreadsheet. Bombs are not unpacked.

A gzip file is one text. Members of a zip archive and sheets of a spreadsheet are read one by one; an archive inside an
archive is not opened.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from ingest.exports.decode import decode
from ingest.exports.grid import Grid, split_lines
from ingest.exports.sheet_errors import find_errors
from ingest.exports.source import Source

GZIP: Final = b"\x1f\x8b"
ZIP: Final = b"PK\x03\x04"
OLD_SPREADSHEET: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
MOST_BYTES: Final = 256 << 20
"""No more than this is ever unpacked from one file, or read as a whole: it takes 25 times as much memory [bytes]."""
TOO_LONG: Final = (
    "the file is too long to be read as a whole, as it has to be where it is not one plain table in UTF-8: split it"
)
MOST_TIMES: Final = 300
"""Text of exports packs 5 to 40 fold; more than this is a bomb, once it is larger than ``SMALL_BYTES``."""
SMALL_BYTES: Final = 16 << 20
MOST_MEMBERS: Final = 1000
MOST_CELLS: Final = 20_000_000
HEAD_BYTES: Final = 128 << 10
FIRST_LINES: Final = 100
FIRST_BYTES: Final = len(OLD_SPREADSHEET)
"""By so many bytes an archive or spreadsheet is told."""
READABLE: Final = (".csv", ".tsv", ".txt", ".tab", ".dat", ".asc", ".log", "")


@dataclass(frozen=True, kw_only=True)
class Member:
    """One text with its ``lines``, or one sheet with its ``grid``; ``complete``: the last line has an end; ``cut``: it
    was packed, and its end is missing or damaged.
    """

    name: str
    lines: list[str]
    complete: bool
    grid: Grid | None = None
    cut: bool = False


class NotOpened(Exception):
    """The file cannot be opened; the message says why and what to try."""


def as_far_as_read(source: Source) -> bytes:
    """All bytes of a file; of one that is too long so many that ``open_export`` will say so."""
    return source.read(0, MOST_BYTES + 1)


def is_packed(content: bytes) -> bool:
    """True where the first bytes are those of an archive or a spreadsheet."""
    return content.startswith((GZIP, ZIP, OLD_SPREADSHEET))


def open_export(content: bytes) -> list[Member]:
    """The members of a file, at least one. Raises NotOpened where it cannot be unpacked."""
    if content.startswith(GZIP):
        text, whole = unpack_gzip(content)
        return [_text("", text, whole)]
    if content.startswith(ZIP):
        return _open_zip(content)
    if content.startswith(OLD_SPREADSHEET):
        return read_sheets(content)
    if content.startswith((b"%PDF", b"\x89PNG\r\n", b"\xff\xd8\xff")):
        raise NotOpened("this is a picture or a page, not an export: ask for the same as CSV")
    if len(content) > MOST_BYTES:
        raise NotOpened(TOO_LONG)
    return [_text("", content, True)]


def first_lines(content: bytes) -> list[str]:
    """The first lines of each member, enough to know the layout. Raises NotOpened."""
    if len(content) > 2 * HEAD_BYTES and not content.startswith((GZIP, ZIP, OLD_SPREADSHEET)):
        content = content[:HEAD_BYTES]
    return [line for member in open_export(content) for line in member.lines[:FIRST_LINES]]


def _text(name: str, content: bytes, whole: bool) -> Member:
    lines, complete = split_lines(decode(content).text)
    return Member(name=name, lines=lines, complete=complete and whole, cut=not whole)


def unpack_gzip(content: bytes) -> tuple[bytes, bool]:
    """The bytes of a gzip file and whether it was whole. Raises NotOpened for a bomb or damage at its beginning."""
    parts: list[bytes] = []
    size, rest = 0, content
    while rest.startswith(GZIP):
        unpacker = zlib.decompressobj(wbits=31)
        waiting = rest
        while waiting and not unpacker.eof:
            try:
                part = unpacker.decompress(waiting, 1 << 20)
            except zlib.error as error:
                if not parts:
                    raise NotOpened("the gzip file is damaged: export or send it again") from error
                return b"".join(parts), False
            parts.append(part)
            size += len(part)
            _check_size(size, len(content))
            waiting = unpacker.unconsumed_tail
            if not part and not waiting:
                break
        if not unpacker.eof:
            return b"".join(parts), False
        rest = unpacker.unused_data.lstrip(b"\x00")
    return b"".join(parts), True


def _check_size(size: int, packed: int) -> None:
    if size > MOST_BYTES or (size > SMALL_BYTES and size > MOST_TIMES * packed):
        raise NotOpened("the file unpacks to far more than an export holds, and was not unpacked further")


def _open_zip(content: bytes) -> list[Member]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = [entry for entry in archive.infolist() if not entry.is_dir()]
            if len(entries) > MOST_MEMBERS:
                raise NotOpened(
                    f"the archive has more than {MOST_MEMBERS} members: unpack it and import what is wanted"
                )
            _check_size(sum(entry.file_size for entry in entries), len(content))
            names = {entry.filename for entry in entries}
            if "xl/workbook.xml" in names or ("mimetype" in names and "content.xml" in names):
                return read_sheets(content)
            wanted = [entry for entry in entries if _is_readable(entry.filename)]
            if not wanted:
                raise NotOpened("the archive holds no text file: unpack it and import its exports one by one")
            return [_text(entry.filename, _unpack(archive, entry), True) for entry in wanted]
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        raise NotOpened(f"the archive cannot be unpacked ({error}): unpack it by hand or send it again") from error


def _is_readable(name: str) -> bool:
    last = name.rsplit("/", 1)[-1].lower()
    suffix = f".{last.rsplit('.', 1)[1]}" if "." in last else ""
    return suffix in READABLE and not last.startswith(".") and not name.startswith("__MACOSX/")


def _unpack(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """The bytes of a member, never more than its directory entry says."""
    with archive.open(entry) as stream:
        found = stream.read(entry.file_size + 1)
    if len(found) > entry.file_size:
        raise NotOpened("the archive says less than it holds, and was not unpacked further")
    return found


def read_sheets(content: bytes) -> list[Member]:
    """The sheets of a spreadsheet, cells as text. Raises NotOpened."""
    import python_calamine

    try:
        book = python_calamine.load_workbook(io.BytesIO(content))
        errors = find_errors(content)
        members = [_sheet(name, book.get_sheet_by_name(name), errors.get(name, ())) for name in book.sheet_names]
    except (python_calamine.CalamineError, OSError, ValueError, KeyError) as error:
        raise NotOpened(f"the spreadsheet cannot be read ({error}): save it again, or export it as CSV") from error
    return [member for member in members if member.grid and member.grid.rows] or [
        Member(name="", lines=[], complete=True)
    ]


def _sheet(name: str, sheet: Any, errors: Iterable[tuple[int, int, str]]) -> Member:
    height, width = sheet.height, sheet.width
    if height * width > MOST_CELLS:
        raise NotOpened(f"the sheet {name} has more than {MOST_CELLS} cells: export it as CSV")
    rows = [[cell_text(cell) for cell in row] for row in sheet.to_python(skip_empty_area=False)]
    for at, column, text in errors:
        if at < len(rows) and column < len(rows[at]):
            rows[at][column] = text
    grid = Grid(rows, range(1, len(rows) + 1), frozenset(), True, "")
    return Member(name=name, lines=["\t".join(row) for row in rows], complete=True, grid=grid)


def cell_text(cell: object) -> str:
    """A spreadsheet cell as text: numbers in their shortest exact form, moments in ISO 8601."""
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, (date, time)):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        return str(cell)
    return str(cell)
