"""The moments of all records: what the meter said, and the same in UTC where it can be known."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from ingest.cells.clocks import format_offset, parse_clock, parse_offset, parse_zone, split_moment
from ingest.cells.dates import DateCell, OrderDecision, decide_order, parse_date
from ingest.cells.text import fold
from ingest.cells.words import is_not_measured
from ingest.exports.distinct import Codes, combine, distinct
from ingest.exports.records import Records, Table

RESET_BEFORE: Final = date(2005, 1, 1)
"""Meter time before this day comes from a clock that lost its setting: meters that export records are younger, and clock
chips start again at 1970, 1980 or 2000 (common practice)."""
QUARTER_NS: Final = 15 * 60 * 10**9
DAY_NS: Final = 24 * 60 * 60 * 10**9
NEVER: Final = np.iinfo(np.int64).min

NO_TIME: Final = "no date and time in the record"
NO_DATE: Final = "no date in the record"
NO_CLOCK: Final = "no time of day in the record"
UNDECIDED: Final = "day and month undecided: "
RESET: Final = "the clock of the meter was reset: its date is before 2005"
EVENING_NS: Final = 18 * 60 * 60 * 10**9
MORNING_NS: Final = 6 * 60 * 60 * 10**9
MIDNIGHT: Final = "times go back and forth below one date: which day this is is not certain"
GAP: Final = "clocks went forward here: this local time did not exist in "
OVERLAP: Final = "clocks went back here: this local time came twice in "


@dataclass(frozen=True)
class Moment:
    """One moment as read: local nanoseconds since 1970 or None, offset [minutes] if the cell says it, reason if not."""

    local_ns: int | None = None
    offset_min: int | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Clocking:
    """How the dates and times of one table are read: order of day and month, digits of times without separators,
    whether times are of twelve hours, the zone in force.
    """

    order: OrderDecision
    compact_digits: int
    twelve_hours: bool
    zone: str | None
    zone_unknown: str | None


@dataclass(frozen=True, kw_only=True)
class Zones:
    """Where local times may get their zone, the stronger first: file, profile, meter register, operator, book."""

    profile: str | None = None
    meters: tuple[tuple[str, str], ...] = ()
    operator: str | None = None
    book: str | None = None


@dataclass(frozen=True)
class Moments:
    """Arrays for all records: local and UTC nanoseconds (NEVER for null) and the position in ``reasons`` (-1 none)."""

    local_ns: npt.NDArray[np.int64]
    utc_ns: npt.NDArray[np.int64]
    reason: npt.NDArray[np.int64]
    reasons: Sequence[str]


def read_moments(records: Records, zones: Sequence[Zones], order: Sequence[str | None]) -> Moments:
    """The moments of all records. ``zones`` and ``order`` (the operator's or a decision's) are by file."""
    days, clocks, zone_cells = (distinct(records.texts[name]) for name in ("date", "time", "zone"))
    serials = distinct(records.texts["meter_serial"])
    table = np.array(records.table, dtype=np.int64)
    clockings = decide_clockings(records.tables, table, days.codes, days.texts, clocks.codes, clocks.texts, order)
    codes, (tables, day_codes, clock_codes, zone_codes, serial_codes) = combine(
        table, days.codes, clocks.codes, zone_cells.codes, serials.codes
    )
    local, utc = np.full(len(tables), NEVER, np.int64), np.full(len(tables), NEVER, np.int64)
    reason, reasons = np.full(len(tables), -1, np.int64), dict[str, int]()
    for at in range(len(tables)):
        number = int(tables[at])
        source = records.tables[number]
        moment = read_moment(days.texts[day_codes[at]], clocks.texts[clock_codes[at]], source, clockings[number])
        why = moment.reason
        if moment.local_ns is not None:
            local[at] = moment.local_ns
            serial = fold(serials.texts[serial_codes[at]] or "") or source.context.meter_serial
            offset = moment.offset_min
            if offset is None and zone_cells.texts[zone_codes[at]]:
                told = parse_zone(zone_cells.texts[zone_codes[at]] or "")
            else:
                told = None
            stamped, told_why = stamp(moment.local_ns, offset, told or clockings[number].zone, source, serial,
                                      zones[source.file_no], clockings[number].zone_unknown)  # fmt: skip
            why = why or told_why
            if stamped is not None and why is None:
                utc[at] = stamped
        if why is not None:
            reason[at] = reasons.setdefault(why, len(reasons))
    return settle_midnights(records, Moments(local[codes], utc[codes], reason[codes], list(reasons)))


def settle_midnights(records: Records, moments: Moments) -> Moments:
    """Where one date stands above a table of times: rows after midnight are of the next day, or of no certain day.

    From evening (after 18:00) to early morning (before 06:00) once is one midnight. Where times go back otherwise as
    well, rows after such a step have no certain day.
    """
    table = np.array(records.table, dtype=np.int64)
    line = np.array(records.record_no, dtype=np.int64)
    local, utc, reason = moments.local_ns.copy(), moments.utc_ns.copy(), moments.reason.copy()
    reasons = list(moments.reasons)
    for number, source in enumerate(records.tables):
        plan = source.plan
        if source.context.date_text is None or plan.at("date") is not None or plan.at("moment") is not None:
            continue
        rows = np.flatnonzero((table == number) & (local != NEVER))
        rows = rows[np.argsort(line[rows], kind="stable")]
        clock = local[rows] % DAY_NS
        back = np.flatnonzero(np.diff(clock) < 0)
        nights = back[(clock[back] >= EVENING_NS) & (clock[back + 1] <= MORNING_NS)]
        if not len(nights):
            continue
        after = rows[nights[0] + 1 :]
        if len(back) == 1:
            local[after] += DAY_NS
            utc[after] = np.where(utc[after] == NEVER, NEVER, utc[after] + DAY_NS)
        else:
            local[after] = utc[after] = NEVER
            reasons.append(MIDNIGHT)
            reason[after] = len(reasons) - 1
    return Moments(local, utc, reason, reasons)


def stamp(
    local_ns: int, offset_min: int | None, file_zone: str | None, source: Table, serial: str | None, zones: Zones,
    unknown: str | None,
) -> tuple[int | None, str | None]:  # fmt: skip
    """UTC nanoseconds of a local moment, or why it cannot be known."""
    if offset_min is not None:
        return local_ns - offset_min * 60 * 10**9, None
    if file_zone is None and unknown:
        return None, f"the file names a time zone that is not known: {unknown}"
    zone = file_zone or zones.profile or dict(zones.meters).get(serial or "") or zones.operator or zones.book
    if zone is None:
        return None, "no time zone is known for this meter"
    offset, why = quarter_offset(zone, local_ns // QUARTER_NS)
    return (None, why) if offset is None else (local_ns - offset * 60 * 10**9, None)


@lru_cache(maxsize=1 << 16)
def quarter_offset(zone: str, quarter: int) -> tuple[int | None, str | None]:
    """Minutes east of UTC in a quarter of an hour of local time; None with the reason in a clock change.

    Since 2005 all zones have changed their offsets on whole quarters of an hour (zone database).
    """
    fixed = parse_offset(zone)
    if fixed is not None:
        return fixed, None
    local = datetime(1970, 1, 1) + timedelta(minutes=15 * quarter)
    zone_info = ZoneInfo(zone)
    first, second = local.replace(tzinfo=zone_info, fold=0), local.replace(tzinfo=zone_info, fold=1)
    if first.utcoffset() != second.utcoffset():
        there_and_back = first.astimezone(UTC).astimezone(zone_info).replace(tzinfo=None)
        return None, (OVERLAP if there_and_back == local else GAP) + zone
    offset = first.utcoffset()
    assert offset is not None
    return int(offset.total_seconds() // 60), None


def decide_clockings(
    tables: Sequence[Table], table: Codes, day: Codes, days: Sequence[str | None], clock: Codes,
    clocks: Sequence[str | None], told: Sequence[str | None],
) -> list[Clocking]:  # fmt: skip
    """How each table's dates and times are read; a table without proof takes the proof of its file."""
    day_texts: dict[int, list[str]] = defaultdict(list)
    clock_texts: dict[int, list[str]] = defaultdict(list)
    for texts, found, codes in ((day_texts, days, day), (clock_texts, clocks, clock)):
        _, (of_table, of_text) = combine(table, codes)
        for position in range(len(of_table)):
            if text := found[of_text[position]]:
                texts[int(of_table[position])].append(text)
    by_file: dict[int, list[str]] = defaultdict(list)
    for number, source in enumerate(tables):
        by_file[source.file_no] += [_day_text(text) for text in day_texts[number]] + list(source.context.dates)
    return [
        _clocking(source, [_day_text(text) for text in day_texts[number]],
                  [*clock_texts[number], *(split[1] for text in day_texts[number] if (split := split_moment(text)))],
                  by_file[source.file_no], told[source.file_no])
        for number, source in enumerate(tables)
    ]  # fmt: skip


def _day_text(text: str) -> str:
    return (split_moment(text) or (text, ""))[0]


def _clocking(source: Table, days: list[str], clocks: list[str], others: list[str], told: str | None) -> Clocking:
    order = decide_order(days, source.plan.told or source.context.order or told, others)
    compact = [len(text.strip()) for text in clocks if text.strip().isdigit()]
    digits = (6 if max(compact) > 4 else 4) if compact else 0
    twelve = any(parse_clock(text).half for text in clocks)
    zone = source.context.zone
    if source.plan.offset_min is not None:
        zone = format_offset(source.plan.offset_min)
    return Clocking(order, digits, twelve, zone, source.context.zone_unknown)


def read_moment(day_text: str | None, clock_text: str | None, source: Table, clocking: Clocking) -> Moment:
    """The moment that a date cell and a time cell say, or why there is none."""
    if source.plan.at("epoch") is not None:
        return _epoch(clock_text or "")
    day_cell = fold(day_text or "")
    clock_cell = fold(clock_text or "")
    if not day_cell and not clock_cell:
        return Moment(reason=NO_TIME)
    if day_text is None and source.context.date_text:
        day_cell = source.context.date_text
    both = split_moment(day_cell)
    if both is None and not day_cell:
        both = split_moment(clock_cell)
    if both and (not clock_cell or not day_cell):
        day_cell, clock_cell = both
    elif both and parse_clock(both[1]).nanoseconds == 0:
        day_cell = both[0]
    if not day_cell or is_not_measured(day_cell):
        return Moment(reason=NO_DATE)
    day, why = _settle(parse_date(day_cell), clocking.order)
    if day is None:
        return Moment(reason=why)
    clock = parse_clock(clock_cell, clocking.compact_digits)
    if clock.nanoseconds is None:
        return Moment(
            reason=NO_CLOCK
            if not clock_cell or is_not_measured(clock_cell)
            else f"not a time of day: {clock_cell[:20]}"
        )
    if clocking.twelve_hours and not clock.half and 1 <= clock.hour <= 12:
        return Moment(reason="morning or afternoon undecided: other times of this column say AM or PM")
    local = (day - date(1970, 1, 1)).days * DAY_NS + clock.nanoseconds
    return Moment(local, clock.offset_min, RESET if day < RESET_BEFORE else None)


def _settle(cell: DateCell, decision: OrderDecision) -> tuple[date | None, str | None]:
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
    day = date(1970, 1, 1) + timedelta(days=nanoseconds // DAY_NS)
    return Moment(nanoseconds, 0, RESET if day < RESET_BEFORE else None)
