"""Lines above a table that say serial number, date, label or zone in a form of their own, told by a template.

``mill sheet / {meter_serial} / {date}`` fits ``mill sheet / MF-3110 / 20.03.2031``. Such a line becomes lines of key
and value, which the reader knows; where a template fits again further down, what it says there holds from there on.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from ingest.cells.text import fold
from ingest.exports.grid import Grid

KEYS: Final = {"meter_serial": "Serial number", "date": "Date", "label": "Label", "zone": "Zone"}
ANY: Final = "any"
LONGEST_LINE: Final = 300
_PLACE: Final = re.compile(r"\{(\w*)\}")


def find_template_fault(template: str) -> str:
    """What is wrong with a template; nothing where it can be used."""
    places = _PLACE.findall(template)
    unknown = [place for place in places if place not in KEYS and place != ANY]
    named = [place for place in places if place in KEYS]
    if unknown:
        return (
            f"{{{unknown[0]}}} is no place that is known; known are {', '.join(f'{{{key}}}' for key in [*KEYS, ANY])}"
        )
    if not named:
        return f"the line says nothing: put one of {', '.join(f'{{{key}}}' for key in KEYS)} where the fact stands"
    if len(set(named)) < len(named):
        return f"{{{next(one for one in named if named.count(one) > 1)}}} stands twice"
    if len(places) > 6 or re.search(r"\}\s*\{", template):
        return "between two places something fixed has to stand, and there can be six at most"
    return ""


@lru_cache(maxsize=256)
def _pattern(template: str) -> re.Pattern[str]:
    parts = _PLACE.split(fold(template))
    texts = [r"\s*".join(re.escape(word) for word in part.split()) for part in parts[::2]]
    places = [r"\s*.*?\s*" if place == ANY else rf"\s*(?P<{place}>\S.*?)\s*" for place in parts[1::2]]
    return re.compile("".join(text + place for text, place in zip(texts, [*places, ""], strict=True)), re.IGNORECASE)


def tell_plainly(templates: Sequence[str], grid: Grid) -> Grid:
    """The grid with each line that fits a template as lines of key and value, all standing where it stood."""
    rows: list[list[str]] = []
    lines: list[int] = []
    damaged: set[int] = set()
    for position, row in enumerate(grid.rows):
        told = [row] if position in grid.damaged else _told(templates, row, grid.delimiter)
        if position in grid.damaged:
            damaged.add(len(rows))
        rows += told
        lines += [grid.lines[position]] * len(told)
    return Grid(rows, lines, frozenset(damaged), grid.complete, grid.delimiter)


def _told(templates: Sequence[str], row: list[str], delimiter: str) -> list[list[str]]:
    """The row, or for each fact of a line that fits: that the last such fact ends, and the new one."""
    text = fold((delimiter or " ").join(row).strip(delimiter + " "))
    for template in templates if len(text) <= LONGEST_LINE else ():
        if found := _pattern(template).fullmatch(text):
            facts = [(KEYS[key], " ".join(value.split())) for key, value in found.groupdict().items()]
            return [[line] for key, value in facts for line in (f"{key}:", f"{key}: {value}")]
    return [row]
