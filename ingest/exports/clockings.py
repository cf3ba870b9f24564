"""How the dates and times of a table are read: dates are decided by the file as a whole, or not at all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import pyarrow.compute as pc

from ingest.cells.clocks import format_offset, parse_clock, split_moment
from ingest.cells.dates import OrderDecision, decide_order
from ingest.exports.distinct import Codes, Distinct, combine
from ingest.exports.proofs import Place, Proofs, join_proofs, telling_clocks, telling_days
from ingest.exports.records import Table

PROVES_NOTHING: Final = r"^([0-9]{2}:[0-9]{2}(:[0-9]{2})?)?$"


@dataclass(frozen=True)
class Clocking:
    """Order of day and month, digits of times without separators, whether times are of twelve hours, and the zone that
    the file names (or names without our knowing it).
    """

    order: OrderDecision
    compact_digits: int
    twelve_hours: bool
    zone: str | None
    zone_unknown: str | None


def decide_clockings(
    tables: Sequence[Table], table: Codes, days: Distinct, clocks: Distinct, told: Sequence[str | None], proofs: Proofs
) -> tuple[list[Clocking], Proofs]:
    """How each table's dates and times are read; what proves an order of day and month proves it for the whole file.

    ``told`` is the order of day and month that operator, decision or profile gives each file; ``proofs`` what other
    parts of a file that is read in parts have proved. Gives what these tables prove as well.
    """
    day_texts, clock_texts = _by_table(table, days), _by_table(table, clocks)
    days_of: dict[Place, list[str]] = defaultdict(list)
    clocks_of: dict[Place, list[str]] = defaultdict(list)
    hints: dict[int, list[str]] = defaultdict(list)
    cells: dict[int, list[str]] = defaultdict(list)
    for number, source in enumerate(tables):
        splits = [(text, split_moment(text)) for text in day_texts[number]]
        days_of[source.place] += [split[0] if split else text for text, split in splits]
        clocks_of[source.place] += [*clock_texts[number], *(split[1] for _, split in splits if split)]
        hints[source.file_no] += source.context.dates
    found = Proofs(
        days={place: telling_days(texts) for place, texts in days_of.items()},
        clocks={place: telling_clocks(texts) for place, texts in clocks_of.items()},
    )
    both = join_proofs([found, proofs])
    for place, texts in both.days.items():
        cells[place[0]] += texts
    clockings = [
        _clocking(
            source, both.clocks.get(source.place, ()),
            decide_order(cells[source.file_no], source.plan.told or source.context.order or told[source.file_no],
                         hints[source.file_no]),
        )
        for source in tables
    ]  # fmt: skip
    return clockings, found


def _by_table(table: Codes, column: Distinct) -> dict[int, list[str]]:
    """The distinct texts of a column in each table. Times like 12:01:33 are left out: they prove nothing."""
    texts: dict[int, list[str]] = defaultdict(list)
    empty = pc.fill_null(pc.match_substring_regex(column.values, PROVES_NOTHING), True).to_numpy(zero_copy_only=False)
    if empty.all():
        return texts
    told = ~empty[column.codes]
    _, (of_table, of_text) = combine(table[told], column.codes[told])
    for position in range(len(of_table)):
        if text := column.texts[of_text[position]]:
            texts[int(of_table[position])].append(text)
    return texts


def _clocking(source: Table, clocks: Iterable[str], order: OrderDecision) -> Clocking:
    compact = [len(text.strip()) for text in clocks if text.strip().isdigit()]
    zone = source.context.zone
    if source.plan.offset_min is not None:
        zone = format_offset(source.plan.offset_min)
    return Clocking(
        order=order, compact_digits=(6 if max(compact) > 4 else 4) if compact else 0,
        twelve_hours=any(text[-1:] in "mM." and parse_clock(text).half for text in clocks), zone=zone,
        zone_unknown=source.context.zone_unknown,
    )  # fmt: skip
