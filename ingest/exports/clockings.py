"""How the dates and times of a table are read: decided by a column, then by its file, or not at all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.cells.clocks import format_offset, parse_clock, split_moment
from ingest.cells.dates import OrderDecision, decide_order
from ingest.exports.distinct import Codes, Distinct, combine
from ingest.exports.records import Table


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
    tables: Sequence[Table], table: Codes, days: Distinct, clocks: Distinct, told: Sequence[str | None]
) -> list[Clocking]:
    """How each table's dates and times are read; a table without proof takes the proof of its file.

    ``told`` is the order of day and month that operator, decision or profile gives each file.
    """
    day_texts, clock_texts = _by_table(table, days), _by_table(table, clocks)
    by_file: dict[int, list[str]] = defaultdict(list)
    for number, source in enumerate(tables):
        by_file[source.file_no] += [day_part(text) for text in day_texts[number]] + list(source.context.dates)
    return [
        _clocking(source, day_texts[number], clock_texts[number], by_file[source.file_no], told[source.file_no])
        for number, source in enumerate(tables)
    ]


def _by_table(table: Codes, column: Distinct) -> dict[int, list[str]]:
    """The distinct texts of a column in each table."""
    texts: dict[int, list[str]] = defaultdict(list)
    _, (of_table, of_text) = combine(table, column.codes)
    for position in range(len(of_table)):
        if text := column.texts[of_text[position]]:
            texts[int(of_table[position])].append(text)
    return texts


def day_part(text: str) -> str:
    """The date of a cell that may hold a time as well."""
    return (split_moment(text) or (text, ""))[0]


def _clocking(source: Table, days: list[str], clocks: list[str], others: list[str], told: str | None) -> Clocking:
    order = decide_order([day_part(text) for text in days], source.plan.told or source.context.order or told, others)
    times = [*clocks, *(split[1] for text in days if (split := split_moment(text)))]
    compact = [len(text.strip()) for text in times if text.strip().isdigit()]
    zone = source.context.zone
    if source.plan.offset_min is not None:
        zone = format_offset(source.plan.offset_min)
    return Clocking(
        order=order, compact_digits=(6 if max(compact) > 4 else 4) if compact else 0,
        twelve_hours=any(text[-1:] in "mM." and parse_clock(text).half for text in times), zone=zone,
        zone_unknown=source.context.zone_unknown,
    )  # fmt: skip
