"""Cells of a spreadsheet that hold an error (a division by zero, a lost reference): its reader leaves them out.

Where they stand is read from the parts of the workbook (ECMA-376, part 1: a cell with ``t="e"`` holds an error;
ISO/IEC 26300, part 3: rows and cells may stand for several).
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Iterator
from html import unescape
from typing import Final

from ingest.cells.words import ERRORS
from ingest.exports.old_sheets import find_old_errors

MOST_BYTES: Final = 256 << 20
"""Sheets that are larger when unpacked are not looked through."""
MOST_REPEATED: Final = 10_000
"""A row or cell that stands for more is the empty rest of a sheet."""
OLD: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_SHEET: Final = re.compile(rb"<(?:\w+:)?sheet\s[^>]*>")
_RELATION: Final = re.compile(rb"<(?:\w+:)?Relationship\s[^>]*>")
_ERROR: Final = re.compile(
    rb"<(?:\w+:)?c\s(?=[^>]*\bt=[\"']e[\"'])[^>]*\br=[\"']([A-Z]+)(\d+)[\"'][^>]*>(?:(?!</(?:\w+:)?c>).)*?"
    rb"<(?:\w+:)?v>([^<]*)<",
    re.DOTALL,
)
_NOT_WORKED_OUT: Final = re.compile(
    rb"<(?:\w+:)?c\s[^>]*\br=[\"']([A-Z]+)(\d+)[\"'][^>]*>\s*<(?:\w+:)?f(?:[^>]*/>|[^>]*>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v>()</(?:\w+:)?v>|<(?:\w+:)?v\s?/>)?\s*</(?:\w+:)?c>"
)
"""A formula whose value was never saved."""
_OPEN_TAG: Final = re.compile(
    rb"<(/?)table:(table|table-row|table-cell|covered-table-cell)(?=[\s/>])([^>]*?)(/?)>|<text:p\b[^>]*>([^<]*)"
)

Errors = Iterator[tuple[int, int, str]]


def find_errors(content: bytes) -> dict[str, list[tuple[int, int, str]]]:
    """Row, column (both from 0) and text of every error by the name of its sheet; nothing where it is no such file."""
    if content.startswith(OLD):
        return find_old_errors(content)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as book:
            if "content.xml" in book.namelist():
                return _open_errors(book)
            return {name: list(_errors(book, path)) for name, path in _paths(book)}
    except (zipfile.BadZipFile, zlib.error, KeyError, OSError, ValueError, RuntimeError, NotImplementedError):
        return {}


def _paths(book: zipfile.ZipFile) -> Iterator[tuple[str, str]]:
    """The sheets of a workbook by name, and where they lie."""
    if "xl/workbook.xml" not in book.namelist():
        return
    targets = {
        _attribute(found[0], rb"Id"): _attribute(found[0], rb"Target")
        for found in _RELATION.finditer(book.read("xl/_rels/workbook.xml.rels"))
    }
    for found in _SHEET.finditer(book.read("xl/workbook.xml")):
        target = targets.get(_attribute(found[0], rb"\w+:id"), "")
        if target:
            path = target.lstrip("/") if target.startswith("/") else posixpath.normpath(f"xl/{target}")
            yield _attribute(found[0], rb"name"), path


def _attribute(tag: bytes, name: bytes) -> str:
    found = re.search(rb"\s" + name + rb"=[\"']([^\"']*)[\"']", tag)
    return unescape(found[1].decode("utf-8")) if found else ""


def _errors(book: zipfile.ZipFile, path: str) -> Errors:
    if book.getinfo(path).file_size > MOST_BYTES:
        return
    content = book.read(path)
    for found in (*_ERROR.finditer(content), *_NOT_WORKED_OUT.finditer(content)):
        column = 0
        for letter in found[1]:
            column = column * 26 + letter - ord("A") + 1
        mark = unescape((found[3] or b"").decode("utf-8"))
        yield int(found[2]) - 1, column - 1, mark or "#N/A"


def _open_errors(book: zipfile.ZipFile) -> dict[str, list[tuple[int, int, str]]]:
    """The same for an open document: a cell that says so, or whose text is the mark of an error."""
    found: dict[str, list[tuple[int, int, str]]] = {}
    if book.getinfo("content.xml").file_size > MOST_BYTES:
        return found
    sheet, row, column, rows, cells, told = "", 0, 0, 1, 0, False
    for tag in _OPEN_TAG.finditer(book.read("content.xml")):
        closing, name, attributes, empty, text = tag.groups()
        if name is None:
            mark = unescape(text.decode("utf-8")).strip()
            if cells and sheet in found and (told or ERRORS.fullmatch(mark)):
                places = [(row + down, column - cells + right) for down in range(rows) for right in range(cells)]
                found[sheet] += [(*place, mark or "#ERROR") for place in places]
            cells = 0 if mark else cells
        elif name == b"table" and not closing:
            sheet, row, column = _attribute(b" " + attributes, rb"table:name"), 0, 0
            found[sheet] = []
        elif name == b"table-row":
            row, rows = (row + rows, 1) if closing or empty else (row, _repeated(attributes, rb"rows"))
            column, cells = 0, 0
            row += _repeated(attributes, rb"rows") - 1 if empty else 0
        elif not closing:
            cells = _repeated(attributes, rb"columns")
            column += cells
            told = b'value-type="error"' in attributes
            cells = 0 if empty or cells > MOST_REPEATED or rows > MOST_REPEATED else cells
    return found


def _repeated(attributes: bytes, what: bytes) -> int:
    """For how many rows or columns an element stands."""
    return int(_attribute(b" " + attributes, rb"table:number-" + what + rb"-repeated") or 1)
