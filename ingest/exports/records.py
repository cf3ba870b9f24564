"""The records of exports as columns of text: what every cell said, before any of it is understood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cells.value import parse_comparator
from ingest.cells.words import is_doubtful_status, is_flagged, multiplies, says_beyond, takes_away
from ingest.exports.context import Context
from ingest.exports.distinct import combine, decode, distinct
from ingest.exports.plan import Plan
from ingest.exports.roles import join_ends

Whole = npt.NDArray[np.int64]
TEXTS: Final = (
    "raw_text", "name", "unit", "pair", "comparator", "prefix", "test_voltage", "multiple", "verdict", "flag",
    "memory_no", "label", "meter_serial", "date", "time", "zone",
)  # fmt: skip
LONG_ONLY: Final = ("unit", "comparator", "prefix", "verdict", "flag")
BROKEN: Final = {
    "": "",
    "unreadable": "the row has more or fewer cells than its headings: a value could stand under the wrong heading",
    "shifted": "a word or a date stands where a measured value or a time belongs: the values of this row may all stand "
    "under the heading of their neighbour",
    "cut off": "the last line of the file was cut off here: export the file again",
    "quotes": "a quote in this row does not close: where its cells end is not certain",
    "no identity": "this row has no number, date or time of its own, as others of its table have: it may be a summary",
    "summary": "this row is named like an average or a total, and nothing in it says that it is a record",
    "no profile": "no profile and no known layout claims this file: draft one with 'provebook profile suggest FILE'",
    "ambiguous": "more than one profile claims this file: name one with --profile",
}
BROKEN_CODES: Final = {name: code for code, name in enumerate(BROKEN)}


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of one file: its plan, what the preamble said, the file it is from; ``detail`` why it is refused."""

    file_no: int
    plan: Plan
    context: Context
    delimiter: str
    detail: str = ""

    @property
    def place(self) -> tuple[int, tuple[str, ...]]:
        """The file and the headings: tables of one place are decided together."""
        return self.file_no, self.plan.headings


@dataclass(frozen=True, kw_only=True)
class Piece:
    """Records of one table and one value column. ``test`` is the position in ``plan.tests``, -1 for long tables.

    ``texts`` holds the columns that the table has, one entry a record; ``broken`` codes say which rows cannot be read.
    """

    table: int
    test: int
    columns: Whole
    lines: Whole
    broken: npt.NDArray[np.int8]
    texts: dict[str, pa.Array]


Cells = Callable[[int], pa.Array]


@dataclass
class Records:
    """Records of many tables, in pieces; once all are added, whole columns can be asked for."""

    tables: list[Table] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)
    count: int = 0

    def add_rows(
        self, table_no: int, rows: Sequence[Sequence[str]], lines: Sequence[int], broken: Sequence[str]
    ) -> None:
        """Add the rows of a table: one record a row where it is long, one a filled test cell where it is wide."""
        lengths = {len(row) for row in rows}
        width = max(self.tables[table_no].plan.width, *lengths) if rows else 0
        if lengths - {width}:
            rows = [[*row, *[""] * (width - len(row))] for row in rows]
        columns = list(zip(*rows, strict=True))

        def cells(at: int) -> pa.Array:
            return pa.array(columns[at], pa.string()) if at < len(columns) else pa.nulls(len(rows), pa.string())

        codes = np.array([BROKEN_CODES[one] for one in broken] if any(broken) else [0] * len(rows), np.int8)
        self.add_columns(table_no, cells, np.fromiter(lines, np.int64, len(rows)), codes)

    def add_columns(self, table_no: int, cells: Cells, lines: Whole, broken: npt.NDArray[np.int8]) -> None:
        """Add rows whose cells are columns already: ``cells`` gives each column by its position."""
        plan = self.tables[table_no].plan
        shared = {role: cells(at) for role, at in plan.roles if role in TEXTS and role not in LONG_ONLY}
        shared.update(_moments(plan, cells))
        first, second = plan.at("from"), plan.at("to")
        if first is not None and second is not None:
            shared["pair"] = _pairs(cells(first), cells(second))
        remarks = _either(
            _telling([cells(at) for at in plan.remarks], takes_away),
            _telling([cells(at) for at in plan.unexplained], says_beyond),
        )
        if plan.value is not None:
            shared |= {role: cells(at) for role, at in plan.roles if role in LONG_ONLY}
            if "flag" in shared and "comparator" not in shared:
                shared |= _without_signs(shared["flag"])
            if remarks is not None:
                flags = _telling([shared["flag"]], is_flagged) if "flag" in shared else None
                shared["flag"] = _either(flags, remarks)
            if (named := plan.at("test")) is not None:
                shared["name"] = cells(named)
            self._add(table_no, -1, plan.value, lines, broken, {**shared, "raw_text": cells(plan.value)})
            return
        if (prefix := plan.at("prefix")) is not None:
            remarks = _either(remarks, _telling([cells(prefix)], multiplies))
        if (status := plan.at("verdict")) is not None:
            remarks = _either(remarks, _telling([cells(status)], is_doubtful_status))
        for position, test in enumerate(plan.tests):
            raw = cells(test.index)
            kept = _filled(raw)
            beside = dict(shared)
            if test.unit_at is not None:
                beside["unit"] = cells(test.unit_at)
            if test.sign_at is not None:
                beside["comparator"] = cells(test.sign_at)
            flags = _either(_telling([cells(at) for at in test.flags], is_flagged), remarks)
            if flags is not None:
                beside["flag"] = flags
            if plan.crossed and (named := plan.at("test")) is not None:
                beside["name"] = cells(named)
            texts = {name: column.take(pa.array(kept)) for name, column in beside.items()}
            self._add(
                table_no,
                position,
                test.index,
                lines[kept],
                broken[kept],
                {**texts, "raw_text": raw.take(pa.array(kept))},
            )

    def _add(
        self, table: int, test: int, value: int, lines: Whole, broken: npt.NDArray[np.int8], texts: dict[str, pa.Array]
    ) -> None:
        columns = np.full(len(lines), value + 1, np.int64)
        self.pieces.append(Piece(table=table, test=test, columns=columns, lines=lines, broken=broken, texts=texts))
        self.count += len(lines)

    def move(self, first: int, place: Callable[[Whole, Whole], tuple[Whole, Whole]]) -> None:
        """Give the pieces from ``first`` on other lines and columns: ``place`` gets and gives lines and columns."""
        for at in range(first, len(self.pieces)):
            lines, columns = place(self.pieces[at].lines, self.pieces[at].columns)
            self.pieces[at] = replace(self.pieces[at], lines=lines, columns=columns)

    def text(self, name: str) -> pa.Array:
        """One column of text of all records; null where a table has no such column."""
        parts = [piece.texts.get(name) for piece in self.pieces]
        if all(part is None for part in parts):
            return pa.nulls(self.count, pa.string())
        filled = [
            part if part is not None else pa.nulls(len(piece.lines), pa.string())
            for part, piece in zip(parts, self.pieces, strict=True)
        ]
        return _plain(filled[0]) if len(filled) == 1 else pa.concat_arrays([_plain(part) for part in filled])

    @cached_property
    def table(self) -> Whole:
        """The table of each record."""
        return self._spread([piece.table for piece in self.pieces])

    @cached_property
    def test(self) -> Whole:
        """The position in ``plan.tests`` of each record, -1 for long tables."""
        return self._spread([piece.test for piece in self.pieces])

    @cached_property
    def record_no(self) -> Whole:
        """The physical line of each record."""
        return _joined([piece.lines for piece in self.pieces])

    @cached_property
    def column(self) -> Whole:
        """The position of the value cell of each record, counted from 1."""
        return _joined([piece.columns for piece in self.pieces])

    @cached_property
    def broken(self) -> Whole:
        """The code of what is wrong with the row of each record, 0 for nothing."""
        return _joined([piece.broken for piece in self.pieces])

    def _spread(self, numbers: Sequence[int]) -> Whole:
        return np.repeat(np.array(numbers, np.int64), [len(piece.lines) for piece in self.pieces])


def _joined(parts: Sequence[npt.NDArray[np.generic]]) -> Whole:
    return np.concatenate(parts).astype(np.int64, copy=False) if parts else np.empty(0, np.int64)


def _plain(column: pa.Array) -> pa.Array:
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column


def _filled(raw: pa.Array) -> Whole:
    """Positions of the cells that hold more than blanks."""
    texts = pc.utf8_trim_whitespace(raw)
    found: Whole = np.flatnonzero(pc.fill_null(pc.not_equal(texts, ""), False).to_numpy(zero_copy_only=False))
    return found


def _telling(columns: Sequence[pa.Array], tells: Callable[[str], bool]) -> pa.Array | None:
    """Several columns as one: the first telling cell of each row, else nothing; None where no cell tells anything."""
    found = [distinct(column) for column in columns]
    texts = [[text if tells(text or "") else None for text in one.texts] for one in found]
    if not any(text is not None for column in texts for text in column):
        return None
    return pc.coalesce(*(decode(told, one.codes) for told, one in zip(texts, found, strict=True)))


def _pairs(first: pa.Array, second: pa.Array) -> pa.Array:
    """The pair of each row whose two conductors stand in columns of their own."""
    ends = [distinct(_plain(column)) for column in (first, second)]
    codes, (ones, others) = combine(*(end.codes for end in ends))
    texts = [
        join_ends(ends[0].texts[one] or "", ends[1].texts[two] or "") for one, two in zip(ones, others, strict=True)
    ]
    return decode(texts, codes)


def _without_signs(flags: pa.Array) -> dict[str, pa.Array]:
    """A column of flags in which comparators stand, as one of flags and one of comparators."""
    found = distinct(_plain(flags))
    signs = [text if parse_comparator(text or "") in ("gt", "lt") else None for text in found.texts]
    if not any(signs):
        return {}
    others = [text if sign is None else None for text, sign in zip(found.texts, signs, strict=True)]
    return {"flag": decode(others, found.codes), "comparator": decode(signs, found.codes)}


def _either(first: pa.Array | None, second: pa.Array | None) -> pa.Array | None:
    """The cells of the first column, where it has none those of the second."""
    if first is None or second is None:
        return second if first is None else first
    return pc.coalesce(first, second)


def _moments(plan: Plan, cells: Cells) -> dict[str, pa.Array]:
    """Date and time cells. A column of both goes to dates; where it has one fixed shape it is cut in two. AM and PM in
    a column of their own are put behind the times.
    """
    moment, half = plan.at("moment"), plan.at("half")
    if moment is None:
        epoch, time = plan.at("epoch"), plan.at("time")
        if half is not None and time is not None:
            return {"time": _joined_texts(cells(time), cells(half))}
        return {} if epoch is None else {"time": cells(epoch)}
    column = cells(moment)
    if half is not None:
        return {"date": _joined_texts(column, cells(half))}
    parts = None if plan.at("time") is not None or plan.at("date") is not None else cut_moments(column)
    return {"date": column} if parts is None else {"date": parts[0], "time": parts[1]}


def _joined_texts(first: pa.Array, second: pa.Array) -> pa.Array:
    return pc.binary_join_element_wise(_plain(first), _plain(second), " ")


def cut_moments(column: pa.Array) -> tuple[pa.Array, pa.Array] | None:
    """``2031-04-02 12:01:33`` as date and time, where every cell of a long column has ten digits and marks of a date,
    a blank or T, and a time of day; else None.
    """
    if len(column) < 1000:
        return None
    shaped = pc.match_substring_regex(column, r"^\d{2,4}[-/.]\d\d[-/.]\d{2,4}[ T]\d\d:\d\d(:\d\d)?$")
    if not pc.all(pc.and_kleene(shaped, pc.is_in(pc.binary_length(column), pa.array([16, 19], pa.int32())))).as_py():
        return None
    return pc.utf8_slice_codeunits(column, 0, 10), pc.utf8_slice_codeunits(column, 11)
