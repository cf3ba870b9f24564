"""Text broken into lines of a given width, by the widths of its characters."""

from __future__ import annotations

from collections.abc import Mapping


def split_lines(text: str, room: float, widths: Mapping[str, float]) -> list[str]:
    """The lines of ``text``, none wider than ``room``; ``widths`` and ``room`` in the same unit.

    Breaks at blanks, and inside a word only where the word alone is wider than a line. Nothing is left out but the
    blanks at a break. There is always at least one line, and at least one character in a line.
    """
    return [line for part in text.split("\n") for line in split_paragraph(part, room, widths)]


def split_paragraph(text: str, room: float, widths: Mapping[str, float]) -> list[str]:
    """The lines of a text without line breaks."""
    blank = widths[" "]
    lines, line, used = [], "", 0.0
    for word in text.split(" "):
        width = sum(map(widths.__getitem__, word))
        if line and used + blank + width > room:
            lines.append(line)
            line, used = "", 0.0
        if width > room:
            *full, word = split_word(f"{line} {word}" if line else word, room, widths)
            lines += full
            line, used = word, sum(map(widths.__getitem__, word))
        elif line:
            line, used = f"{line} {word}", used + blank + width
        else:
            line, used = word, width
    return [*lines, line]


def split_word(word: str, room: float, widths: Mapping[str, float]) -> list[str]:
    """The pieces of a word that is wider than a line."""
    pieces, piece, used = [], "", 0.0
    for sign in word:
        width = widths[sign]
        if piece and used + width > room:
            pieces.append(piece)
            piece, used = "", 0.0
        piece += sign
        used += width
    return [*pieces, piece]
