"""Text for a terminal: nothing from a file or a meter reaches it with control characters, and lines keep a width."""

from __future__ import annotations

import textwrap
import unicodedata
from typing import Final

WIDTH: Final = 80
HIDDEN_CATEGORIES: Final = ("Cc", "Cf", "Co", "Cs", "Zl", "Zp")


def printable(text: str) -> str:
    """The text in one line, with control and formatting characters shown as escapes."""
    return "".join(
        character if unicodedata.category(character) not in HIDDEN_CATEGORIES else ascii(character)[1:-1]
        for character in text
    )


def printable_lines(text: str) -> str:
    """The same for a text of several lines: the line ends stay."""
    return "\n".join(printable(line) for line in text.split("\n"))


def wrapped(text: str, *, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most 80 columns, the first beginning with ``first``, the others with ``rest``."""
    return textwrap.wrap(
        printable(text), WIDTH, initial_indent=first, subsequent_indent=" " * len(first) if rest is None else rest
    ) or [first]


def cut(text: str, width: int) -> str:
    """The text in one line of at most ``width`` columns, cut with an ellipsis."""
    shown = printable(text)
    return shown if len(shown) <= width else shown[: width - 1] + "…"
