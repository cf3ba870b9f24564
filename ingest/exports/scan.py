"""One grid to its tables: headings, data rows, and what is neither."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ingest.cells.text import fold
from ingest.exports.context import Context, context_key, is_comment, is_furniture, is_statistic, read_context
from ingest.exports.cut import settle_last_row
from ingest.exports.grid import Grid
from ingest.exports.layout import Plan, find_plan, is_data_cell, sample_after
from ingest.exports.mend import mend_row
from ingest.exports.records import Records, Table
from ingest.exports.roles import ANCHORS

FIND_PLAN = Callable[
    [Sequence[Sequence[str]], int, Context, Callable[[int], Sequence[Sequence[str]]]], "tuple[Plan, int] | None"
]
ORDINARY_STARTS = frozenset("0123456789<>≥≤")


@dataclass
class Scanner:
    """Walks a grid once, from top to bottom, and adds what it finds to ``records``."""

    grid: Grid
    records: Records
    file_no: int
    context: Context
    find: FIND_PLAN = find_plan
    plan: Plan | None = None

    def __post_init__(self) -> None:
        self._rows: list[Sequence[str]] = []
        self._lines: list[int] = []
        self._broken: list[str] = []
        self._found = False
        self._first_table = len(self.records.tables)

    def scan(self) -> bool:
        """True where at least one table was found."""
        rows, position = self.grid.rows, 0
        waiting: list[Sequence[str]] = []
        while position < len(rows):
            row = rows[position]
            if self.plan is None or not self._ordinary(row, position):
                used = self._other(row, position, waiting)
                position += used
                continue
            self._keep(row, position, "")
            position += 1
        self._flush()
        self.context = read_context(waiting, self.context)
        self._tell_all()
        return self._found

    def _ordinary(self, row: Sequence[str], position: int) -> bool:
        """True for the plain case: as many cells as headings, a number where the values are, no average."""
        plan = self.plan
        assert plan is not None
        if len(row) != plan.width or position in self.grid.damaged or position == len(self.grid.rows) - 1:
            return False
        first = row[0]
        if first and not first[0].isdigit() and (is_comment(first) or is_statistic(first) or is_furniture(first)):
            return False
        if plan.value is not None:
            at = plan.at("test")
            return (
                row[plan.value][:1] in ORDINARY_STARTS
                and row[plan.value] != ""
                and not (at is not None and is_statistic(row[at]))
            )
        label = plan.at("label")
        if label is not None and is_statistic(row[label]):
            return False
        return any(row[test.index][:1] in ORDINARY_STARTS and row[test.index] for test in plan.tests)

    def _other(self, row: Sequence[str], position: int, waiting: list[Sequence[str]]) -> int:
        """Deal with a row that is not plainly data; how many rows it took."""
        filled = [cell for cell in row if cell.strip(" \t\x00")]
        if not filled:
            return 1
        if position in self.grid.damaged and self.plan is not None:
            self._keep(row, position, "quotes")
            return 1
        found = None if position in self.grid.damaged else self._headings(position, waiting)
        if found is not None:
            return found
        if self.plan is None or self._says(row, filled):
            waiting.append(row)
            if self.plan is not None:
                self._change_context(waiting)
            return 1
        if is_comment(filled[0]) or self._is_aside(row, filled):
            return 1
        self._keep_odd(row, position)
        return 1

    def _headings(self, position: int, waiting: list[Sequence[str]]) -> int | None:
        """Begin a table where headings stand; a repeated heading begins nothing."""
        rows = self.grid.rows
        context = read_context(waiting, self.context)
        found = self.find(rows, position, context, sample_after(rows, position))
        if found is None:
            return None
        plan, used = found
        if self.plan is not None and not any(role in ANCHORS for role, _ in plan.roles):
            return None
        if self.plan is not None and plan.headings == self.plan.headings and context == self.context:
            return used
        self._flush()
        self.plan, self.context, self._found = plan, context, True
        waiting.clear()
        return used

    def _says(self, row: Sequence[str], filled: Sequence[str]) -> bool:
        """True for a line between the rows that says something about the rows that follow it."""
        assert self.plan is not None
        if len(filled) > 2 or (self.plan.width < 4 and len(filled) > 1):
            return False
        if len(filled) == 2:
            return bool(context_key(filled[0].strip(" :="))) and not is_data_cell(filled[0]) and row[0] == filled[0]
        return (
            any(mark in filled[0] for mark in ":=")
            and not is_data_cell(filled[0])
            and (read_context([filled], Context()) != Context())
        )

    def _change_context(self, waiting: list[Sequence[str]]) -> None:
        changed = read_context(waiting, self.context)
        waiting.clear()
        if changed != self.context:
            self._flush()
            self.context = changed

    def _is_aside(self, row: Sequence[str], filled: Sequence[str]) -> bool:
        """True for averages and page furniture."""
        assert self.plan is not None
        first = filled[0]
        named = [row[at] for at in (self.plan.at("test"), self.plan.at("label")) if at is not None and at < len(row)]
        if is_statistic(first) or any(is_statistic(cell) for cell in named):
            return True
        return is_furniture(first) and len(filled) <= 3 or (len(filled) == 1 and is_furniture(" ".join(filled)))

    def _keep_odd(self, row: Sequence[str], position: int) -> None:
        """Keep a row that is data but not plain: too long, too short, the last one."""
        plan = self.plan
        assert plan is not None
        cells = list(row)
        while len(cells) > plan.width and not cells[-1].strip():
            cells.pop()
        broken = ""
        if position == len(self.grid.rows) - 1 and not self.grid.complete:
            cells, broken = settle_last_row(cells, plan, self._rows)
        elif len(cells) > plan.width and (mended := mend_row(cells, plan, self.grid.delimiter)) is not None:
            cells = mended
        elif len(cells) > plan.width or (len(cells) < plan.width and not self._may_be_short(cells)):
            broken = "unreadable"
        self._keep(cells, position, broken)

    def _may_be_short(self, cells: Sequence[str]) -> bool:
        """True where only cells are missing at the end that no value depends on."""
        plan = self.plan
        assert plan is not None
        needed = [at for role, at in plan.roles if role not in ("verdict", "label")]
        if plan.value is None:
            needed += [test.index for test in plan.tests]
        fits = plan.value is not None and plan.value < len(cells) and is_data_cell(cells[plan.value])
        return len(cells) > max(needed) and (plan.value is None or fits)

    def _keep(self, row: Sequence[str], position: int, broken: str) -> None:
        self._rows.append(row)
        self._lines.append(self.grid.lines[position])
        self._broken.append(broken)

    def _flush(self) -> None:
        """Hand the rows of the table so far to the records."""
        if self.plan is None or not self._rows:
            return
        number = len(self.records.tables)
        self.records.tables.append(
            Table(file_no=self.file_no, plan=self.plan, context=self.context, delimiter=self.grid.delimiter)
        )
        if self.plan.is_long:
            self.records.add_long(number, self._rows, self._lines, self._broken)
        else:
            self.records.add_wide(number, self._rows, self._lines, self._broken)
        self._rows, self._lines, self._broken = [], [], []

    def _tell_all(self) -> None:
        """A serial number or zone that only a footer says holds for the whole file."""
        for number in range(self._first_table, len(self.records.tables)):
            table = self.records.tables[number]
            told = replace(
                table.context,
                meter_serial=table.context.meter_serial or self.context.meter_serial,
                zone=table.context.zone or self.context.zone,
                order=table.context.order or self.context.order,
                dates=table.context.dates or self.context.dates,
            )
            self.records.tables[number] = replace(table, context=told)


def keep_unclaimed(lines: Sequence[str], records: Records, file_no: int, reason: str, detail: str = "") -> None:
    """Every line of a file that nothing can read, as a record that is refused."""
    plan = Plan(headings=("",), roles=(), value=0)
    number = len(records.tables)
    records.tables.append(Table(file_no=file_no, plan=plan, context=Context(), delimiter=""))
    kept = [at for at, line in enumerate(lines) if fold(line)]
    records.add_long(number, [[lines[at]] for at in kept], [at + 1 for at in kept], [reason] * len(kept))
    records.details[number] = detail
