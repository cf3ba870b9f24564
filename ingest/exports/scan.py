"""One grid to its tables: headings, data rows, and what is neither.

Nothing that looks like data is passed over: rows under headings that do not say what was measured, and rows of numbers
above the first table, become records that are refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from ingest.cells.clocks import parse_clock, split_moment
from ingest.cells.text import shown
from ingest.exports.alignment import Alignment, align, has_identity, is_shifted, may_differ
from ingest.exports.context import (
    Context,
    heads_no_results,
    is_comment,
    is_furniture,
    is_statistic,
    is_summary,
    only_tells,
    read_context,
    rejoin,
)
from ingest.exports.cut import settle_last_row
from ingest.exports.grid import Grid
from ingest.exports.layout import find_in, is_data_cell, looks_like_headings, sample_in, with_units
from ingest.exports.mend import mend_row
from ingest.exports.outside import UNREAD, is_forgotten, keep_unclaimed
from ingest.exports.plan import Plan, is_aside, repeated
from ingest.exports.records import Records, Table
from ingest.exports.roles import ANCHORS, parse_memory_no

Row = Sequence[str]
FindPlan = Callable[[Sequence[Row], int, Context, Callable[[int], Sequence[Row]]], "tuple[Plan, int] | None"]
ORDINARY_STARTS: Final = frozenset("0123456789<>≥≤")
NOT_EXPLAINED: Final = "the headings above do not say what was measured here; a profile can say it"
NO_HEADINGS: Final = "no headings stand above this row that say what its numbers are"

_LIKE_A_DATE: Final = re.compile(r"(?<![\d.])\d{1,2}[./-]\d{1,2}(?!\d|\s?[a-zA-ZΩ])")
NO_TABLE: Final = Alignment(0)


def is_clocked(cell: str) -> bool:
    """True for a time of day, alone or behind a date, and for a count of seconds."""
    moment = split_moment(cell)
    return parse_clock(moment[1] if moment else cell, 6).nanoseconds is not None or cell.strip().isdigit()


@dataclass
class Scanner:
    """Walks a grid once, from top to bottom, and adds what it finds to ``records``."""

    grid: Grid
    records: Records
    file_no: int
    context: Context
    find: FindPlan | None = None
    plan: Plan | None = None
    aligned: Alignment = NO_TABLE
    _rows: list[Row] = field(default_factory=list)
    _lines: list[int] = field(default_factory=list)
    _broken: list[str] = field(default_factory=list)
    _waiting: list[tuple[int, Row]] = field(default_factory=list)
    _plain: set[str] = field(default_factory=set)
    _looked_at: Plan | None = None
    _found: bool = False
    _first_table: int = 0

    def scan(self) -> bool:
        """True where at least one table was found; where none was, nothing was added."""
        self._first_table = len(self.records.tables)
        self._step_through()
        if not self._found:
            return False
        self._flush()
        self._use_waiting()
        self._tell_all()
        return True

    def start(self) -> int | None:
        """How many rows come before the first data row of the first table; None where there is no such table."""
        position = 0
        while self.plan is None and position < len(self.grid.rows):
            position += self._other(self.grid.rows[position], position)
        return None if self.plan is None or self.plan is UNREAD or self.records.tables else position

    def resume(self, grid: Grid, records: Records) -> Scanner:
        """Another scanner that goes on in the same table, with the rows of ``grid``."""
        return Scanner(grid, records, self.file_no, self.context, find=self.find, plan=self.plan, aligned=self.aligned)

    def walk(self) -> None:
        """Go through the rows of a table that began elsewhere."""
        self._step_through()
        self._flush()
        self._use_waiting()

    def add_table(self, records: Records) -> int:
        """Begin a table of ``records`` with the plan in force; its number."""
        assert self.plan is not None
        table = Table(file_no=self.file_no, plan=self.plan, context=self.context, delimiter=self.grid.delimiter)
        records.tables.append(table)
        return len(records.tables) - 1

    def _step_through(self) -> None:
        rows, position = self.grid.rows, 0
        while position < len(rows):
            end = self._ordinary_until(position)
            if end > position:
                self._keep_ordinary(position, end)
                position = end
            else:
                position += self._other(rows[position], position)

    def _ordinary_until(self, position: int) -> int:
        """Where the rows from ``position`` on are no longer plain. Plain are: as many cells as headings, numbers where
        values or dates are, no average.
        """
        plan, rows, damaged = self.plan, self.grid.rows, self.grid.damaged
        if plan is None or plan.width != self.aligned.cells:
            return position
        if plan is not self._looked_at:
            self._looked_at, self._plain = plan, set()
        known, width = self._plain, plan.width
        for end in range(position, len(rows) - 1):
            row = rows[end]
            if len(row) != width or (damaged and end in damaged):
                return end
            for at in plan.watched:
                text = row[at]
                if text not in known:
                    if is_aside(plan, text, first=at == 0):
                        return end
                    known.add(text)
            for at in plan.numbered:
                if row[at][:1] in ORDINARY_STARTS:
                    break
            else:
                return end
        return max(position, len(rows) - 1)

    def _keep_ordinary(self, position: int, end: int) -> None:
        """Keep a run of plain rows."""
        plan, rows = self.plan, self.grid.rows[position:end]
        assert plan is not None
        if plan is UNREAD:
            for at, row in enumerate(rows, start=position):
                self._keep(row, at, "")
            return
        shown = plan.behind or plan.wordless
        self.context = self.context.after_rows()
        self._rows += rows
        self._lines += self.grid.lines[position:end]
        self._broken += ["shifted" if shown and is_shifted(row, plan) else "" for row in rows]

    def _other(self, row: Row, position: int) -> int:
        """Deal with a row that is not plainly data; how many rows it took."""
        filled = [cell for cell in row if cell.strip(" \t\x00")]
        if not filled:
            return 1
        if position in self.grid.damaged:
            self._keep_damaged(row, position)
            return 1
        if (used := self._headings(position)) is not None:
            return used
        if self.plan is not None and self.plan is not UNREAD and (plan := with_units(self.plan, row)) is not None:
            if plan != self.plan:
                self._flush()
                self.plan = plan
            return 1
        if self.plan is None or self._is_title(filled, position):
            self._waiting.append((position, row))
        elif len(row) == self.aligned.cells and self._is_record(row):
            self._keep_odd(row, position)
        elif self._renames(filled):
            return 1
        elif only_tells(rejoin(filled, self.grid.delimiter)):
            self._change_context(row)
        elif not (is_comment(filled[0]) or self._is_aside(row, filled)):
            if len(filled) == 1:
                self._doubt_date(filled)
            self._keep_odd(row, position)
        return 1

    def _is_record(self, row: Row) -> bool:
        """True for a row with a number, date or time of its own that was not struck out by a mark of comments."""
        plan = self.plan
        assert plan is not None
        struck = is_comment(row[0]) and row[0].strip("# ") != "" and 0 in (at for _, at in plan.own)
        return has_identity(row, plan) and (not struck or parse_memory_no(row[0]) is not None)

    def _keep_damaged(self, row: Row, position: int) -> None:
        if self.plan is None:
            self._waiting.append((position, row))
        else:
            self._keep(row, position, "quotes")

    def _headings(self, position: int) -> int | None:
        """Begin a table where headings stand, and how many rows they took; a repeated heading begins nothing."""
        rows = self.grid.rows
        context = self._read_above()
        body = sample_in(self.grid, position)
        found = self.find(rows, position, context, body) if self.find else find_in(self.grid, position, context)
        if found is None or (self.plan is not None and not any(role in ANCHORS for role, _ in found[0].roles)):
            if not looks_like_headings(rows[position]):
                return None
            found = UNREAD, 1
        plan, used = found
        aligned = Alignment(plan.width)
        if plan is not UNREAD:
            aligned = align(plan, body(used))
            plan = replace(plan, doubt=plan.doubt or aligned.doubt or self._title_doubt())
        if self.plan is not None and (same := repeated(self.plan, plan, used)) and context.units == self.context.units:
            if context == self.context:
                return used
            plan, aligned = same, self.aligned
        self._flush()
        self._use_waiting()
        self.plan, self.context, self.aligned = plan, context, aligned
        self._found = self._found or plan is not UNREAD
        return used

    def _title_doubt(self) -> str:
        """Why the rows below a title are no results; nothing where no title since the last table says so."""
        for _, row in self._waiting:
            filled = [cell for cell in row if cell.strip()]
            if len(filled) == 1 and heads_no_results(filled[0]):
                return f"the title above the table, {shown(filled[0])}, says that it holds no results"
        return ""

    def _is_title(self, filled: Row, position: int) -> bool:
        """True for a line of its own above other headings, or in a table whose test is named by such lines."""
        if len(filled) != 1 or is_data_cell(filled[0]) or is_furniture(filled[0]) or is_comment(filled[0]):
            return False
        rows = self.grid.rows
        following = next((row for row in rows[position + 1 : position + 4] if any(cell.strip() for cell in row)), None)
        return following is not None and looks_like_headings(following)

    def _renames(self, filled: Row) -> bool:
        """Deal with a title inside a table whose test is named by such titles: rows below it are of another test."""
        plan = self.plan
        assert plan is not None
        named = plan.is_long and plan.at("test") is None and plan is not UNREAD
        if not named or len(filled) != 1 or is_data_cell(filled[0]):
            return False
        if is_furniture(filled[0]) or is_comment(filled[0]):
            return False
        self._change_context(filled)
        self._flush()
        self.plan = replace(plan, meaning=self.context.test)
        return True

    def _read_above(self) -> Context:
        """The context with what the lines outside tables say."""
        rows = [rejoin(row, self.grid.delimiter) for _, row in self._waiting]
        context = read_context(rows, self.context)
        damaged = any(_LIKE_A_DATE.search(" ".join(row)) for row in rows) and len(context.dates) == len(
            self.context.dates
        )
        if self.plan is not None and self.context.date_text and context.date_text == self.context.date_text and damaged:
            # A line above further headings may be the damaged date of their rows: the date before holds no longer.
            return replace(context, date_text=None, unsure=context.unsure | {"date"})
        return context

    def _change_context(self, row: Row) -> None:
        changed = read_context([rejoin(row, self.grid.delimiter)], self.context)
        if changed != self.context:
            self._flush()
            self.context = changed

    def _doubt_date(self, filled: Row) -> None:
        """After a line of its own that may be the damaged date of the rows below, the date before holds no longer."""
        if self.context.date_text is not None and read_context([filled], self.context).date_text is None:
            self._change_context(filled)

    def _is_aside(self, row: Row, filled: Row) -> bool:
        """True for averages and page furniture: they have no number, date or time of their own."""
        plan = self.plan
        assert plan is not None
        if is_furniture(filled[0]) and len(filled) <= 3:
            return True
        if plan.own:
            return not has_identity(row, plan) and any(is_summary(cell) for cell in filled)
        return is_statistic(filled[0]) and len(filled) <= 2

    def _keep_odd(self, row: Row, position: int) -> None:
        """Keep a row that is data but not plain: too long, too short, the last one."""
        plan = self.plan
        assert plan is not None
        cells, broken = list(row), ""
        if plan is UNREAD:
            broken = "no profile"
        elif self.aligned.identified and not has_identity(row, plan):
            broken = "no identity"
        elif self._is_named_like_summary(row):
            broken = "summary"
        elif position == len(self.grid.rows) - 1 and not self.grid.complete:
            cells = self._without_end(cells)
            cells, broken, cut = settle_last_row(cells, plan, self._rows)
            if cut:
                self._keep(cut, position, "cut off")
        elif len(cells) == self.aligned.cells or may_differ(cells, plan, self.aligned.cells):
            cells = cells[: plan.width]
        elif (mended := mend_row(cells, plan, self.grid.delimiter)) is not None:
            cells = mended
        else:
            broken = "unreadable"
        self._keep(cells, position, broken)

    def _is_named_like_summary(self, row: Row) -> bool:
        """True where a watched column names an average and the row has neither a number nor a time of day of its own: a
        date is no proof, averages of a day have it too.
        """
        plan = self.plan
        assert plan is not None
        number, clocks = plan.at("memory_no"), [plan.at(role) for role in ("moment", "time", "epoch")]
        if number is not None and number < len(row) and parse_memory_no(row[number]) is not None:
            return False
        if any(at is not None and at < len(row) and is_clocked(row[at]) for at in clocks):
            return False
        return any(is_aside(plan, row[at], first=False) for at in plan.watched if at < len(row))

    def _without_end(self, cells: list[str]) -> list[str]:
        """The cells without the empty one at the end of every row, where headings have none."""
        assert self.plan is not None
        return cells[:-1] if len(cells) == self.aligned.cells > self.plan.width and not cells[-1].strip() else cells

    def _keep(self, row: Row, position: int, broken: str) -> None:
        if self.plan is UNREAD:
            row, broken = [self.grid.delimiter.join(row)], "no profile"
        elif broken and (self._says_nothing(row) or self._is_part(row, broken)):
            text = self.grid.delimiter.join(row)
            keep_unclaimed([text], self.records, self.file_no, broken, numbers=[self.grid.lines[position]])
            return
        if not broken and self.plan is not None and is_shifted(row, self.plan):
            broken = "shifted"
        self.context = self.context.after_rows()
        self._rows.append(row)
        self._lines.append(self.grid.lines[position])
        self._broken.append(broken)

    def _is_part(self, row: Row, broken: str) -> bool:
        """True for a row of a wide table that lacks cells: under which heading each stands is not known at all."""
        assert self.plan is not None
        return broken == "unreadable" and self.plan.value is None and len(row) < self.aligned.cells

    def _says_nothing(self, row: Row) -> bool:
        """True where no value of a wide table stands in a row: it is kept as one text, or it would be forgotten."""
        plan = self.plan
        assert plan is not None
        filled = {at for at, cell in enumerate(row) if cell.strip()}
        return plan.value is None and filled.isdisjoint(test.index for test in plan.tests)

    def _flush(self) -> None:
        """Hand the rows of the table so far to the records."""
        if self.plan is None or not self._rows:
            return
        number = len(self.records.tables)
        table = Table(file_no=self.file_no, plan=self.plan, context=self.context, delimiter=self.grid.delimiter)
        self.records.tables.append(table if self.plan is not UNREAD else replace(table, detail=NOT_EXPLAINED))
        self.records.add_rows(number, self._rows, self._lines, self._broken)
        self._rows, self._lines, self._broken = [], [], []

    def _use_waiting(self) -> None:
        """Lines outside tables have said what they can; those that look like data are refused, not forgotten."""
        left = [(position, row) for position, row in self._waiting if is_forgotten(row)]
        self.context = self._read_above()
        self._waiting.clear()
        if left:
            lines = [self.grid.delimiter.join(row) for _, row in left]
            keep_unclaimed(lines, self.records, self.file_no, "no profile", NO_HEADINGS,
                           numbers=[self.grid.lines[position] for position, _ in left])  # fmt: skip

    def _tell_all(self) -> None:
        """A serial number or zone that only a footer says holds for the whole file; one that stands between two tables
        holds from there on.
        """
        tables = [one for one in self.records.tables[self._first_table :] if one.plan is not UNREAD]
        last = tables[-1].context if tables else Context()
        below = replace(
            self.context,
            meter_serial=self.context.meter_serial if self.context.meter_serial != last.meter_serial else None,
            zone=self.context.zone if self.context.zone != last.zone else None,
        )
        for number in range(self._first_table, len(self.records.tables)):
            table = self.records.tables[number]
            unsure = table.context.unsure
            told = replace(
                table.context,
                meter_serial=None if "serial" in unsure else table.context.meter_serial or below.meter_serial,
                zone=None if "zone" in unsure else table.context.zone or below.zone,
                order=table.context.order or self.context.order,
                dates=table.context.dates or self.context.dates,
            )
            self.records.tables[number] = replace(table, context=told)
