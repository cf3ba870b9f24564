"""The moments of all records: what the meter said, and the same in UTC where it can be known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from ingest.cells.clocks import parse_clock, parse_zone, split_moment
from ingest.cells.dates import DateCell, OrderDecision, is_serial_day, parse_date
from ingest.cells.text import fold
from ingest.cells.words import is_not_measured
from ingest.exports.bytes_of import Bytes, parts_of
from ingest.exports.clockings import Clocking, decide_clockings
from ingest.exports.distinct import Codes, Distinct, combine, distinct, take
from ingest.exports.proofs import Place, Proofs
from ingest.exports.records import Records, Table
from ingest.exports.zones import NEVER, Zones, stamp_all

RESET_BEFORE: Final = date(2005, 1, 1)
"""Meter time before this day comes from a clock that lost its setting: meters that export records are younger, and
clock chips start again at 1970, 1980 or 2000 (common practice).
"""
EPOCH: Final = date(1970, 1, 1)
DAY_NS: Final = 24 * 60 * 60 * 10**9
EVENING_NS: Final = 18 * 60 * 60 * 10**9
MORNING_NS: Final = 6 * 60 * 60 * 10**9

NO_TIME: Final = "no date and time in the record"
NO_DATE: Final = "no date in the record"
NO_CLOCK: Final = "no time of day in the record"
UNDECIDED: Final = "day and month undecided: "
SERIAL: Final = "a spreadsheet's count of days: from which calendar is not certain"
HALF: Final = "morning or afternoon undecided: other times of this column say AM or PM"
RESET: Final = "the clock of the meter was reset: its date is before 2005"
MIDNIGHT: Final = "times go back and forth below one date: which day this is is not certain"


@dataclass(frozen=True)
class Moment:
    """One moment as read: local nanoseconds since 1970 or None, offset [minutes] if the cell says it, reason if not."""

    local_ns: int | None = None
    offset_min: int | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Moments:
    """Arrays for all records: local and UTC nanoseconds (NEVER for null) and the position in ``reasons`` (0 none)."""

    local_ns: npt.NDArray[np.int64]
    utc_ns: npt.NDArray[np.int64]
    reason: npt.NDArray[np.int64]
    reasons: Sequence[str | None]


class Reasons:
    """Each reason once, by number; 0 is none."""

    def __init__(self) -> None:
        self.texts: list[str | None] = [None]
        self._numbers: dict[str, int] = {}

    def number(self, text: str | None) -> int:
        """The number of ``text``."""
        if text is None:
            return 0
        if text not in self._numbers:
            self._numbers[text] = len(self.texts)
            self.texts.append(text)
        return self._numbers[text]


def read_moments(
    records: Records, zones: Sequence[Zones], order: Sequence[str | None], proofs: Proofs
) -> tuple[Moments, dict[Place, Clocking], Proofs]:
    """The moments of all records; how the times of each place were read; and what the cells prove.

    ``zones`` and ``order`` (the operator's or a decision's) are by file; ``proofs``: what other parts of a file that is
    read in parts have proved.
    """
    days, clock_ns = distinct(records.text("date")), plain_clocks(records.text("time"))
    clockings, found = decide_clockings(
        records.tables, records.table, days, _other_clocks(records.text("time"), clock_ns), order, proofs
    )
    reasons = Reasons()
    local, offset, reason = read_locals(records, days, clock_ns, clockings, reasons)
    settle_midnights(records, local, reason, reasons)
    file_zones = _zone_cells(records, [clocking.zone for clocking in clockings])
    utc, why = stamp_all(records, local, offset, file_zones, clockings, zones, reasons.number)
    utc[reason != 0] = NEVER
    decided = {source.place: clocking for source, clocking in zip(records.tables, clockings, strict=True)}
    return Moments(local, utc, np.where(reason != 0, reason, why), reasons.texts), decided, found


def prove_dates(records: Records) -> Proofs:
    """What the dates and times of some records prove about the order of day and month."""
    days, clocks = distinct(records.text("date")), distinct(records.text("time"))
    return decide_clockings(records.tables, records.table, days, clocks, [None], Proofs())[1]


def read_locals(
    records: Records, days: Distinct, clock_ns: npt.NDArray[np.int64], clockings: Sequence[Clocking], reasons: Reasons
) -> tuple[npt.NDArray[np.int64], Codes, Codes]:
    """Local nanoseconds, offset [minutes] and reason of each record. Plain days and times are added as columns."""
    codes, (tables, day_codes) = combine(records.table, days.codes)
    day_ns, why = _plain_days(tables, day_codes, days, records.tables, clockings, reasons)
    if (reset := (day_ns != NEVER) & (day_ns < (RESET_BEFORE - EPOCH).days * DAY_NS)).any():
        why[reset] = reasons.number(RESET)
    twelve = np.array([clocking.twelve_hours for clocking in clockings] or [False], bool)[tables]
    settled = (day_ns != NEVER) & ~twelve
    plain = (clock_ns != NEVER) & (settled | ((day_ns == NEVER) & (why != 0)))[codes]
    offset = np.full(len(codes), NEVER, np.int64)
    known = plain & settled[codes]
    local = np.where(known, day_ns[codes] + np.where(known, clock_ns, 0), NEVER)
    reason = np.where(plain, why[codes], 0)
    if not plain.all():
        _read_others(records, days, clockings, reasons, np.flatnonzero(~plain), (local, offset, reason))
    return local, offset, reason


def _read_others(
    records: Records, days: Distinct, clockings: Sequence[Clocking], reasons: Reasons, rows: Codes,
    found: tuple[npt.NDArray[np.int64], Codes, Codes],
) -> None:  # fmt: skip
    """Read the moments of some rows, each distinct pair of date cell and time cell by itself."""
    clocks = distinct(records.text("time").take(pa.array(rows)))
    codes, (tables, day_codes, clock_codes) = combine(records.table[rows], days.codes[rows], clocks.codes)
    moments = [
        read_moment(days.texts[day], clocks.texts[clock], records.tables[table], clockings[table])
        for table, day, clock in zip(tables, day_codes, clock_codes, strict=True)
    ]
    local, offset, reason = found
    local[rows] = take(moments, codes, lambda one: NEVER if one.local_ns is None else one.local_ns, np.int64)
    offset[rows] = take(moments, codes, lambda one: NEVER if one.offset_min is None else one.offset_min, np.int64)
    reason[rows] = take(moments, codes, lambda one: reasons.number(one.reason), np.int64)


def _plain_days(
    tables: Codes, day_codes: Codes, days: Distinct, sources: Sequence[Table], clockings: Sequence[Clocking],
    reasons: Reasons,
) -> tuple[npt.NDArray[np.int64], Codes]:  # fmt: skip
    """Nanoseconds of each case whose date cell is a date alone and settled, NEVER for all others; and for each whose
    date cell is a date alone and cannot be settled, the number of the reason, 0 for all others.
    """
    codes, (of_table, of_day) = combine(tables, day_codes)
    found, why = np.full(len(of_table), NEVER, np.int64), np.zeros(len(of_table), np.int64)
    for at in range(len(of_table)):
        text = days.texts[of_day[at]]
        cell = parse_date(text) if text and sources[of_table[at]].plan.at("epoch") is None else DateCell()
        if cell.seen:
            day, reason = settle_day(cell, clockings[of_table[at]].order)
            found[at] = NEVER if day is None else (day - EPOCH).days * DAY_NS
            why[at] = reasons.number(reason)
    return (found[codes], why[codes]) if len(codes) else (np.empty(0, np.int64), np.empty(0, np.int64))


def plain_clocks(column: pa.Array) -> npt.NDArray[np.int64]:
    """Nanoseconds since midnight of each text like 12:01:33 or 12:01; NEVER for all others."""
    found = np.full(len(column), NEVER, np.int64)
    if column.null_count == len(column):
        return found
    places, marks = parts_of(column)
    lengths = np.diff(places)
    for length in (8, 5):
        rows = np.flatnonzero(lengths == length)
        if len(rows):
            every = len(rows) == len(column)
            texts = marks[places[0] : places[-1]].reshape(-1, length) if every else marks[
                places[rows][:, np.newaxis] + np.arange(length)]  # fmt: skip
            found[rows] = _clocks_of(texts)
    if column.null_count:
        found[column.is_null().to_numpy(zero_copy_only=False)] = NEVER
    return found


def _clocks_of(texts: Bytes) -> npt.NDArray[np.int64]:
    """``plain_clocks`` of texts of one length, one a row."""
    at = np.ascontiguousarray(texts.T) - np.uint8(ord("0"))
    hour, minute = at[0] * 10 + at[1], at[3] * 10 + at[4]
    sound = (at[0] <= 2) & (at[1] <= 9) & (hour <= 23) & (at[2] == COLON) & (at[3] <= 5) & (at[4] <= 9)
    seconds = hour * np.int64(3600) + minute * np.int64(60)
    if len(at) == 8:
        sound &= (at[5] == COLON) & (at[6] <= 5) & (at[7] <= 9)
        seconds += at[6] * 10 + at[7]
    return np.where(sound, seconds * 10**9, NEVER)


def _other_clocks(column: pa.Array, clock_ns: npt.NDArray[np.int64]) -> Distinct:
    """The distinct times that are not plain, null for all that are: plain ones prove nothing."""
    rows = np.flatnonzero(clock_ns == NEVER)
    if not len(rows):
        return Distinct(np.zeros(len(column), np.int64), pa.array([None], pa.string()))
    others = distinct(column.take(pa.array(rows)))
    codes = np.zeros(len(column), np.int64)
    codes[rows] = others.codes + 1
    return Distinct(codes, pa.concat_arrays([pa.array([None], pa.string()), others.values]))


COLON: Final = ord(":") - ord("0")


def _zone_cells(records: Records, told: Sequence[str | None]) -> tuple[Codes, list[str | None]]:
    """The zone that the file names for each record: its own cell, or what heading and preamble say."""
    cells = distinct(records.text("zone"))
    codes, (tables, zone_codes) = combine(records.table, cells.codes)
    names = []
    for at in range(len(tables)):
        text = cells.texts[zone_codes[at]]
        names.append((parse_zone(text) if text else None) or told[int(tables[at])])
    return codes, names


def settle_midnights(records: Records, local: npt.NDArray[np.int64], reason: Codes, reasons: Reasons) -> None:
    """Where one date stands above a table of times: rows after midnight are of the next day, or of no certain day.

    From evening (after 18:00) to early morning (before 06:00) once is one midnight. Where times go back otherwise as
    well, rows after such a step have no certain day. Changes ``local`` and ``reason``.
    """
    for number, source in enumerate(records.tables):
        plan = source.plan
        if source.context.date_text is None or plan.at("date") is not None or plan.at("moment") is not None:
            continue
        rows = np.flatnonzero((records.table == number) & (local != NEVER))
        rows = rows[np.argsort(records.record_no[rows], kind="stable")]
        clock = local[rows] % DAY_NS
        back = np.flatnonzero(np.diff(clock) < 0)
        nights = back[(clock[back] >= EVENING_NS) & (clock[back + 1] <= MORNING_NS)]
        if not len(nights):
            continue
        after = rows[nights[0] + 1 :]
        if len(back) == 1:
            local[after] += DAY_NS
        else:
            local[after] = NEVER
            reason[after] = reasons.number(MIDNIGHT)


def read_moment(day_text: str | None, clock_text: str | None, source: Table, clocking: Clocking) -> Moment:
    """The moment that a date cell and a time cell say, or why there is none."""
    if source.plan.at("epoch") is not None:
        return _epoch(clock_text or "")
    day_cell, clock_cell = fold(day_text or ""), fold(clock_text or "")
    if day_text is None and source.context.date_text and source.plan.at("date") is None:
        day_cell = source.context.date_text
    if not day_cell and not clock_cell:
        return Moment(reason=NO_TIME)
    both = split_moment(day_cell)
    if clock_text is None and source.context.clock_text and both is None:
        clock_cell = source.context.clock_text
    if both is None and not day_cell:
        both = split_moment(clock_cell)
    if both and (not clock_cell or not day_cell):
        day_cell, clock_cell = both
    elif both and parse_clock(both[1]).nanoseconds in (0, parse_clock(clock_cell).nanoseconds):
        day_cell = both[0]
    if not day_cell or is_not_measured(day_cell):
        return Moment(reason=NO_DATE)
    day, why = settle_day(parse_date(day_cell), clocking.order)
    if day is None:
        return Moment(reason=SERIAL if is_serial_day(day_cell) else why)
    return _with_clock(day, clock_cell, clocking)


def _with_clock(day: date, cell: str, clocking: Clocking) -> Moment:
    clock = parse_clock(cell, clocking.compact_digits)
    if clock.nanoseconds is None:
        missing = not cell or is_not_measured(cell)
        return Moment(reason=NO_CLOCK if missing else f"not a time of day: {cell[:20]}")
    if clocking.twelve_hours and not clock.half and 1 <= clock.hour <= 12:
        return Moment(reason=HALF)
    local = (day - EPOCH).days * DAY_NS + clock.nanoseconds
    return Moment(local, clock.offset_min, RESET if day < RESET_BEFORE else None)


def settle_day(cell: DateCell, decision: OrderDecision) -> tuple[date | None, str | None]:
    """The day that a date cell means under the decision for its column, or why it means none."""
    if not cell.seen:
        return None, "not a date"
    if cell.settled:
        return cell.settled, None
    if decision.order:
        day = cell.under(decision.order)
        return day, None if day else "impossible date"
    if cell.provable:
        return cell.provable, None
    return None, UNDECIDED + decision.why if cell.by_order else "impossible date"


def _epoch(text: str) -> Moment:
    cell = fold(text).split(".")[0]
    if not cell.isdigit() or len(cell) not in (9, 10, 13):
        return Moment(reason="not a count of seconds since 1970" if cell else NO_TIME)
    nanoseconds = int(cell) * (10**6 if len(cell) == 13 else 10**9)
    day = EPOCH + timedelta(days=nanoseconds // DAY_NS)
    return Moment(nanoseconds, 0, RESET if day < RESET_BEFORE else None)
