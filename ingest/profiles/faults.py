"""What is wrong with a profile: where in it, what, and an example of what would be right."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

_HEADER: Final = re.compile(r"\s*(\[\[?)(.+?)\]\]?\s*(?:#.*)?")
_KEY: Final = re.compile(r"""\s*([\w-]+|"[^"]*"|'[^']*')\s*=.*""")
_INDEX: Final = re.compile(r"\[\d+\]$")
_BARE: Final = re.compile(r"[\w-]+")


@dataclass(frozen=True, kw_only=True)
class ProfileFault:
    """One fault: the key path (``column[2].quantity``, counted from 1), a sentence, an example, the line if known."""

    key: str
    message: str
    example: str = ""
    line: int | None = None

    def sentence(self) -> str:
        """``line 7, key: message (for example: example)``."""
        where = ", ".join(part for part in (f"line {self.line}" if self.line else "", self.key) if part)
        return f"{where}: {self.message}".removeprefix(": ") + (
            f" (for example: {self.example})" if self.example else ""
        )


def key_path(parts: Sequence[str | int]) -> str:
    """``column[2].quantity`` for ``("column", 1, "quantity")``; names that need it are quoted."""
    path = ""
    for part in parts:
        if isinstance(part, int):
            path += f"[{part + 1}]"
        else:
            path += f"{'.' if path else ''}{part if _BARE.fullmatch(part) else repr(part)}"
    return path


def near(seen: str, known: Iterable[object]) -> str:
    """``; did you mean 'x'?`` where something known is spelled alike."""
    found = difflib.get_close_matches(seen, [str(one) for one in known], n=1, cutoff=0.5)
    return f"; did you mean {found[0]!r}?" if found else ""


def near_or_all(seen: str, known: Iterable[object]) -> str:
    """What is spelled alike; else all that is known."""
    names = [str(one) for one in known]
    return near(seen, names) or f"; known are: {', '.join(names)}"


def key_lines(text: str) -> dict[str, int]:
    """The line at which each table and each key of a TOML text stands, by key path (first line is 1)."""
    lines: dict[str, int] = {}
    counts: Counter[str] = Counter()
    table = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if found := _HEADER.fullmatch(line):
            table = key_path(_names(found[2]))
            if found[1] == "[[":
                counts[table] += 1
                table = f"{table}[{counts[table]}]"
            lines.setdefault(table, number)
        elif found := _KEY.fullmatch(line):
            name = key_path(_names(found[1]))
            lines.setdefault(f"{table}.{name}" if table else name, number)
    return lines


def _names(header: str) -> list[str]:
    """The parts of a dotted key as TOML reads them; the text itself where it is none."""
    try:
        inner: object = tomllib.loads(f"{header} = 0")
    except tomllib.TOMLDecodeError:
        return [header]
    names: list[str] = []
    while isinstance(inner, dict):
        name, inner = next(iter(inner.items()))
        names.append(name)
    return names


def find_line(lines: dict[str, int], key: str) -> int | None:
    """The line of a key path, or of the table around it where the key itself is missing."""
    while key:
        if key in lines:
            return lines[key]
        shorter = _INDEX.sub("", key)
        key = shorter if shorter != key else key.rpartition(".")[0]
    return None
