"""What cells prove about a file as a whole, so that a file read in parts is decided as if it were read at once.

A proof is kept as an example: a number whose separators are certain, a date that allows one order, a time of twelve
hours.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.cells.clocks import parse_clock
from ingest.cells.dates import parse_date
from ingest.exports.distinct import Codes, Distinct, first_rows

Place = tuple[int, tuple[str, ...]]
"""A file of a batch and headings of its tables: all tables of a file with the same headings are decided together."""


@dataclass(frozen=True)
class Proofs:
    """Examples by place: of value cells (and their column), of dates, of times of day."""

    cells: Mapping[tuple[Place, int], frozenset[str]] = field(default_factory=dict)
    days: Mapping[Place, frozenset[str]] = field(default_factory=dict)
    clocks: Mapping[Place, frozenset[str]] = field(default_factory=dict)


TOGETHER: Final = 6


def join_proofs(parts: Iterable[Proofs]) -> Proofs:
    """All examples of several parts of a file."""
    cells: dict[tuple[Place, int], frozenset[str]] = defaultdict(frozenset)
    days: dict[Place, frozenset[str]] = defaultdict(frozenset)
    clocks: dict[Place, frozenset[str]] = defaultdict(frozenset)
    for part in parts:
        for column, texts in part.cells.items():
            cells[column] |= texts
        for place, texts in part.days.items():
            days[place] |= texts
        for place, texts in part.clocks.items():
            clocks[place] |= texts
    return Proofs(cells, days, clocks)


def telling_days(texts: Sequence[str]) -> frozenset[str]:
    """One example of each order of day and month that the dates prove, and a few that only prove something together."""
    found: dict[str, str] = {}
    together: dict[tuple[int, int], str] = {}
    for text in texts:
        cell = parse_date(text)
        if cell.proves:
            found.setdefault(cell.proves, text)
        elif {"dmy", "ymd"} <= (days := dict(cell.by_order)).keys() and len(together) < TOGETHER:
            together.setdefault((days["dmy"].year, days["ymd"].year), text)
    return frozenset((*found.values(), *together.values()))


def telling_clocks(texts: Sequence[str]) -> frozenset[str]:
    """One time of twelve hours, and the longest time without separators."""
    half = next((text for text in texts if text[-1:] in "mM." and parse_clock(text).half), None)
    compact = max((text for text in texts if text.strip().isdigit()), key=lambda text: len(text.strip()), default=None)
    return frozenset(text for text in (half, compact) if text is not None)


def telling_cells(place: Codes, proof: Codes, raw: Distinct) -> dict[int, frozenset[str]]:
    """For each column (a code in ``place``) one example of each proof (not 0) that its cells give."""
    proofs = proof[raw.codes]
    found: dict[int, set[str]] = defaultdict(set)
    for row in first_rows(place * 4 + proofs):
        if proofs[row]:
            found[int(place[row])].add(raw.texts[raw.codes[row]] or "")
    return {column: frozenset(examples) for column, examples in found.items()}
