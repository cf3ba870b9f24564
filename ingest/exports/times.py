"""The moments of all records: what the meter said, and the same in UTC where it can be known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from ingest.cells.clocks import parse_clock, parse_zone, split_moment
from ingest.cells.dates import DateCell, OrderDecision, is_serial_day, parse_date
from ingest.cells.text import fold
from ingest.cells.words import is_not_measured
from ingest.exports.clockings import Clocking, decide_clockings
from ingest.exports.distinct import Codes, Distinct, combine, distinct
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
    days, clocks = distinct(records.text("date")), distinct(records.text("time"))
    clockings, found = decide_clockings(records.tables, records.table, days, clocks, order, proofs)
    reasons = Reasons()
    local, offset, reason = read_locals(records, days, clocks, clockings, reasons)
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
    records: Records, days: Distinct, clocks: Distinct, clockings: Sequence[Clocking], reasons: Reasons
) -> tuple[npt.NDArray[np.int64], Codes, Codes]:
    """Local nanoseconds, offset [minutes] and reason of each record. Plain days and times are added as columns."""
    table = records.table
    codes, (tables, day_codes, clock_codes) = combine(table, days.codes, clocks.codes)
    local, offset = np.full(len(tables), NEVER, np.int64), np.full(len(tables), NEVER, np.int64)
    reason = np.zeros(len(tables), np.int64)
    day_ns, open_days = _plain_days(tables, day_codes, days, records.tables, clockings, reasons)
    clock_ns = _plain_clocks(clocks)
    reset = day_ns < (RESET_BEFORE - EPOCH).days * DAY_NS
    twelve = np.array([clocking.twelve_hours for clocking in clockings] or [False], bool)
    plain = (day_ns != NEVER) & (clock_ns[clock_codes] != NEVER) & ~twelve[tables]
    local[plain] = (day_ns + clock_ns[clock_codes])[plain]
    reason[plain & reset] = reasons.number(RESET) if (plain & reset).any() else 0
    unsettled = (open_days != 0) & (clock_ns[clock_codes] != NEVER)
    reason[unsettled] = open_days[unsettled]
    for at in np.flatnonzero(~plain & ~unsettled):
        number = int(tables[at])
        moment = read_moment(
            days.texts[day_codes[at]], clocks.texts[clock_codes[at]], records.tables[number], clockings[number]
        )
        reason[at] = reasons.number(moment.reason)
        local[at] = NEVER if moment.local_ns is None else moment.local_ns
        offset[at] = NEVER if moment.offset_min is None else moment.offset_min
    return local[codes], offset[codes], reason[codes]


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


def _plain_clocks(clocks: Distinct) -> npt.NDArray[np.int64]:
    """Nanoseconds since midnight of each distinct text like 12:01:33 or 12:01; NEVER for all others."""
    found = np.full(len(clocks.values), NEVER, np.int64)
    for length, pattern in ((8, r"^[0-9]{2}:[0-9]{2}:[0-9]{2}$"), (5, r"^[0-9]{2}:[0-9]{2}$")):
        shaped = pc.fill_null(pc.match_substring_regex(clocks.values, pattern), False)
        rows = np.flatnonzero(shaped.to_numpy(zero_copy_only=False))
        if not len(rows):
            continue
        texts = clocks.values.filter(shaped)
        first = np.frombuffer(texts.buffers()[1], np.int32)[texts.offset]
        marks = np.frombuffer(texts.buffers()[2], np.uint8)[first : first + len(rows) * length].reshape(-1, length)
        digits = marks.astype(np.int64) - ord("0")
        hour, minute = digits[:, 0] * 10 + digits[:, 1], digits[:, 3] * 10 + digits[:, 4]
        second = digits[:, 6] * 10 + digits[:, 7] if length == 8 else np.zeros(len(rows), np.int64)
        sound = (hour < 24) & (minute < 60) & (second < 60)
        found[rows[sound]] = (((hour * 60 + minute) * 60 + second) * 10**9)[sound]
    return found


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
    if clock_text is None and source.context.clock_text:
        clock_cell = source.context.clock_text
    both = split_moment(day_cell)
    if both is None and not day_cell:
        both = split_moment(clock_cell)
    if both and (not clock_cell or not day_cell):
        day_cell, clock_cell = both
    elif both and parse_clock(both[1]).nanoseconds == 0:
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
