"""The records of exports as columns of text: what every cell said, before any of it is understood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.exports.context import Context
from ingest.exports.layout import Plan, TestColumn

TEXTS: Final = (
    "column_name", "raw_text", "name", "unit", "pair", "comparator", "prefix", "test_voltage", "multiple", "verdict", "memory_no",
    "label", "meter_serial", "date", "time", "zone",
)  # fmt: skip
BROKEN: Final = {
    "": "",
    "unreadable": "the row has more or fewer cells than its headings: a value could stand under the wrong heading",
    "cut off": "the last line of the file was cut off here: export the file again",
    "quotes": "a quote in this row does not close: where its cells end is not certain",
    "no profile": "no profile and no known layout claims this file: draft one with 'provebook profile suggest FILE'",
    "ambiguous": "more than one profile claims this file: name one with --profile",
}


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of one file: its plan, what the preamble said, the file it is from."""

    file_no: int
    plan: Plan
    context: Context
    delimiter: str


@dataclass
class Records:
    """Records of many tables, one entry each in every list. ``test`` is the position in ``plan.tests``, -1 for long."""

    tables: list[Table] = field(default_factory=list)
    table: list[int] = field(default_factory=list)
    record_no: list[int] = field(default_factory=list)
    column: list[int] = field(default_factory=list)
    test: list[int] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    details: dict[int, str] = field(default_factory=dict)
    texts: dict[str, list[str | None]] = field(default_factory=lambda: {name: [] for name in TEXTS})

    def __len__(self) -> int:
        return len(self.record_no)

    def shift_columns(self, first: int, by: int) -> None:
        """Count the columns of the records from ``first`` on further by ``by``: they are of another member or sheet."""
        if by:
            self.column[first:] = [column + by for column in self.column[first:]]

    def turn(self, first: int, places: Sequence[int]) -> None:
        """Put the records from ``first`` on back where they stand in a table that was turned on its side."""
        for at in range(first, len(self)):
            line = places[self.column[at] - 1]
            self.record_no[at], self.column[at] = line, self.record_no[at]

    def add_long(
        self, table_no: int, rows: Sequence[Sequence[str]], lines: Sequence[int], broken: Sequence[str]
    ) -> None:
        """Add the rows of a long table, one record a row."""
        plan = self.tables[table_no].plan
        value = plan.value
        assert value is not None
        self._add(table_no, rows, lines, broken, -1, value, None)
        self.texts["name"] += self._column(rows, plan.at("test"))

    def add_wide(
        self, table_no: int, rows: Sequence[Sequence[str]], lines: Sequence[int], broken: Sequence[str]
    ) -> None:
        """Add the filled test cells of a wide table, one record a cell, column by column."""
        for position, test in enumerate(self.tables[table_no].plan.tests):
            at = test.index
            kept = [number for number, row in enumerate(rows) if at < len(row) and row[at].strip()]
            chosen = [rows[number] for number in kept]
            self._add(table_no, chosen, [lines[number] for number in kept], [broken[number] for number in kept],
                      position, at, test)  # fmt: skip
            self.texts["name"] += [None] * len(kept)

    def _add(
        self, table_no: int, rows: Sequence[Sequence[str]], lines: Sequence[int], broken: Sequence[str], test_no: int,
        value: int, test: TestColumn | None,
    ) -> None:  # fmt: skip
        count, plan = len(rows), self.tables[table_no].plan
        self.table += [table_no] * count
        self.record_no += lines
        self.column += [value + 1] * count
        self.test += [test_no] * count
        self.broken += broken
        several = test is not None and len(plan.tests) > 1
        self.texts["column_name"] += [test.heading if test and several else None] * count
        self.texts["raw_text"] += [row[value] if value < len(row) else "" for row in rows]
        for role in ("unit", "pair", "comparator", "prefix", "test_voltage", "multiple", "verdict", "memory_no", "label",
                     "meter_serial", "time", "zone"):  # fmt: skip
            at = plan.at("epoch") if role == "time" and plan.at("epoch") is not None else plan.at(role)
            if test is not None and role in ("unit", "comparator", "verdict", "prefix", "pair"):
                at = None
            self.texts[role] += self._column(rows, at)
        moment = plan.at("moment")
        self.texts["date"] += self._column(rows, plan.at("date") if moment is None else moment)

    @staticmethod
    def _column(rows: Sequence[Sequence[str]], at: int | None) -> list[str | None]:
        if at is None:
            return [None] * len(rows)
        return [row[at] if at < len(row) else None for row in rows]
