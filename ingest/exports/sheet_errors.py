"""Cells of a spreadsheet that hold an error (a division by zero, a lost reference): its reader leaves them out.

Where they stand is read from the parts of the workbook (ECMA-376, part 1: a cell with ``t="e"`` holds an error).
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

MOST_BYTES: Final = 256 << 20
"""Sheets that are larger when unpacked are not looked through."""
_SHEET: Final = re.compile(rb"<(?:\w+:)?sheet\s[^>]*>")
_RELATION: Final = re.compile(rb"<(?:\w+:)?Relationship\s[^>]*>")
_ERROR: Final = re.compile(
    rb"<(?:\w+:)?c\s(?=[^>]*\bt=[\"']e[\"'])[^>]*\br=[\"']([A-Z]+)(\d+)[\"'][^>]*>(?:(?!</(?:\w+:)?c>).)*?"
    rb"<(?:\w+:)?v>([^<]*)<",
    re.DOTALL,
)


def find_errors(content: bytes) -> dict[str, list[tuple[int, int, str]]]:
    """Row, column (both from 0) and text of every error by the name of its sheet; nothing where it is no such file."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as book:
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


def _errors(book: zipfile.ZipFile, path: str) -> Iterator[tuple[int, int, str]]:
    if book.getinfo(path).file_size > MOST_BYTES:
        return
    for found in _ERROR.finditer(book.read(path)):
        column = 0
        for letter in found[1]:
            column = column * 26 + letter - ord("A") + 1
        yield int(found[2]) - 1, column - 1, unescape(found[3].decode("utf-8")) or "#ERROR"
