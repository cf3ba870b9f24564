"""Local moments to UTC: which zone counts, and what a change of clocks makes uncertain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from ingest.cells.clocks import parse_offset
from ingest.cells.text import fold
from ingest.exports.clockings import Clocking
from ingest.exports.distinct import Codes, combine, distinct
from ingest.exports.records import Records

MINUTE_NS: Final = 60 * 10**9
QUARTER_NS: Final = 15 * MINUTE_NS
QUARTERS: Final = 96
"""Quarters of an hour in a day."""
DAY_NS: Final = QUARTERS * QUARTER_NS
NEVER: Final = int(np.iinfo(np.int64).min)
GAP: Final = "clocks went forward here: this local time did not exist in "
OVERLAP: Final = "clocks went back here: this local time came twice in "
NO_ZONE: Final = "no time zone is known for this meter"


@dataclass(frozen=True, kw_only=True)
class Zones:
    """Where local times may get their zone, the stronger first: file, profile, meter register, operator, book."""

    profile: str | None = None
    meters: tuple[tuple[str, str], ...] = ()
    operator: str | None = None
    book: str | None = None

    def zone(self, file_zone: str | None, serial: str | None) -> str | None:
        """The zone in force for a meter."""
        return file_zone or self.profile or dict(self.meters).get(serial or "") or self.operator or self.book


def stamp_all(
    records: Records, local: npt.NDArray[np.int64], offset: Codes, file_zones: tuple[Codes, list[str | None]],
    clockings: Sequence[Clocking], zones: Sequence[Zones], reason_number: Callable[[str | None], int],
) -> tuple[npt.NDArray[np.int64], Codes]:  # fmt: skip
    """UTC nanoseconds of all local moments (NEVER where not known), and the number of the reason why not (0 none)."""
    zone_codes, names = _zones_in_force(records, file_zones, clockings, zones)
    utc, reason = np.full(len(local), NEVER, np.int64), np.zeros(len(local), np.int64)
    known = local != NEVER
    own = known & (offset != NEVER)
    utc[own] = local[own] - offset[own] * MINUTE_NS
    rows = np.flatnonzero(known & ~own)
    zone, left = zone_codes[rows], local[rows]
    for unit_ns, offset_of in ((DAY_NS, day_offset), (QUARTER_NS, quarter_offset)):
        codes, (of_zone, units) = _pairs(zone, left // unit_ns)
        shifts, whys = np.full(len(of_zone), NEVER, np.int64), np.zeros(len(of_zone), np.int64)
        for at in range(len(of_zone)):
            name, unknown = names[of_zone[at]]
            if name is None:
                told = f"the file names a time zone that is not known: {unknown}" if unknown else NO_ZONE
                whys[at] = reason_number(told)
                continue
            minutes, why = offset_of(name, int(units[at]))
            whys[at] = reason_number(why)
            shifts[at] = NEVER if minutes is None else minutes * MINUTE_NS
        shift = shifts[codes]
        utc[rows] = np.where(shift == NEVER, NEVER, left - shift)
        reason[rows] = whys[codes]
        open_ones = (shift == NEVER) & (whys[codes] == 0)
        rows, zone, left = rows[open_ones], zone[open_ones], left[open_ones]
    return utc, reason


def _pairs(zones: Codes, units: Codes) -> tuple[Codes, list[Codes]]:
    """Distinct pairs of zone and day, or zone and quarter of an hour."""
    if not len(units):
        return units, [zones, units]
    least = int(units.min())
    codes, (of_zone, shifted) = combine(zones, units - least)
    return codes, [of_zone, shifted + least]


def _zones_in_force(
    records: Records, file_zones: tuple[Codes, list[str | None]], clockings: Sequence[Clocking], zones: Sequence[Zones]
) -> tuple[Codes, list[tuple[str | None, str | None]]]:
    """For each record the position of its zone (and of an unknown name of one) in a list."""
    serials = distinct(records.text("meter_serial"))
    codes, (tables, of_file_zone, of_serial) = combine(records.table, file_zones[0], serials.codes)
    names: list[tuple[str | None, str | None]] = []
    for at in range(len(tables)):
        source, unknown = records.tables[tables[at]], clockings[tables[at]].zone_unknown
        told = file_zones[1][of_file_zone[at]]
        serial = fold(serials.texts[of_serial[at]] or "") or source.context.meter_serial
        zone = None if told is None and unknown else zones[source.file_no].zone(told, serial)
        names.append((zone, unknown))
    return codes, names


@lru_cache(maxsize=1 << 16)
def day_offset(zone: str, day: int) -> tuple[int | None, str | None]:
    """Minutes east of UTC on a whole local day; None without a reason where its quarters have to be asked."""
    first, last = quarter_offset(zone, day * QUARTERS - 1), quarter_offset(zone, (day + 1) * QUARTERS)
    return (first[0], None) if first[1] is None and first == last else (None, None)


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
