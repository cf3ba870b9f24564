"""A record of a meter into rows: readings where everything is known, refusals with the reason where it is not."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Final
from zoneinfo import ZoneInfo

from ingest.extract import ReadingRow, RefusalRow
from ingest.foreign_text import show_foreign
from ingest.meter_time import ARRIVAL, NO_CLOCK, parse_local, to_utc
from ingest.profiles.device import UNIT_FACTORS, DeviceProfile, TestEntry
from ingest.protocols.frames import Cell, Record
from schemas.quantities import QUANTITIES

NUMBER: Final = re.compile(r"([<>]?)\s*([+-]?[0-9]{1,15}(?:\.[0-9]{1,12})?(?:[eE][+-]?[0-9]{1,3})?)")
LONGEST_LABEL: Final = 80
LONGEST_SERIAL: Final = 64


@dataclass(frozen=True, kw_only=True)
class Number:
    """A value in the unit of its quantity, exactly, with its comparator and the step of its last digit."""

    value: Decimal
    comparator: str
    resolution: Decimal | None


class Refused(Exception):
    """A cell that cannot be read with certainty."""

    def __init__(self, reason: str, message: str) -> None:
        self.reason = reason
        self.message = message
        super().__init__(message)


@dataclass(frozen=True, kw_only=True)
class RowMaker:
    """Turns records of one evidence object into rows."""

    profile: DeviceProfile
    sha256: str
    zone: ZoneInfo
    serial: str | None

    def rows(self, record: Record, first_column: int, received_at: datetime) -> list[ReadingRow | RefusalRow]:
        """One row for each test that the record holds, at least one in all."""
        try:
            entries = self._entries(record)
        except Refused as refused:
            return [self._refusal(record, None, record.raw, refused)]
        rows: list[ReadingRow | RefusalRow] = []
        for place, entry in enumerate(entries):
            cell = record.cells.get(entry.field, Cell("", ""))
            try:
                rows.append(self._reading(record, entry, cell, first_column + place, received_at))
            except Refused as refused:
                rows.append(self._refusal(record, entry.field, cell.raw, refused))
        return rows

    def _entries(self, record: Record) -> list[TestEntry]:
        cell = record.cells.get("test")
        code = cell.text if cell else None
        named = [entry for entry in self.profile.tests if code is not None and entry.code == code]
        entries = named or [entry for entry in self.profile.tests if entry.code is None and entry.field in record.cells]
        if not entries:
            raise Refused("unknown quantity", f"the profile has no test with code {show_foreign(code or '', 40)!r}")
        return entries

    def _reading(self, record: Record, entry: TestEntry, cell: Cell, column: int, received_at: datetime) -> ReadingRow:
        meter_time, stamped_at, time_reason = self._time(record, received_at)
        row = ReadingRow(
            evidence_sha256=self.sha256, record_no=record.frame, column_no=column, column_name=entry.field,
            raw_text=show_foreign(cell.raw), quantity=entry.quantity, meter_serial=self._serial(record),
            memory_no=memory_number(record), meter_time=meter_time, stamped_at=stamped_at, time_reason=time_reason,
            conductors=self._conductors(record, entry), label=_label(record),
            test_voltage_v=_float(entry.test_voltage_v), rcd_multiple=_float(entry.rcd_multiple),
        )  # fmt: skip
        if QUANTITIES[entry.quantity].is_indication:
            word = entry.indications.get(cell.text)
            if word is None:
                raise Refused("unknown word", "the profile does not say what this indication means")
            return replace(row, indication=word)
        factor = self._factor(record, entry)
        number = read_number(cell, entry, factor, self.profile.meter.decimal_mark)
        if isinstance(number, str):
            return replace(row, reason=number)
        return replace(
            row, value=float(number.value), unit=QUANTITIES[entry.quantity].unit, comparator=number.comparator,
            resolution=_float(number.resolution),
        )  # fmt: skip

    def _factor(self, record: Record, entry: TestEntry) -> Decimal:
        sent = record.cells.get("unit")
        word = sent.text if sent else ""
        code = self.profile.units.get(word, word if word in UNIT_FACTORS else None) if word else None
        if word and code is None:
            raise Refused("no unit", f"the profile does not say what unit {show_foreign(word, 20)!r} is")
        name = code or entry.unit
        if name is None:
            raise Refused("no unit", "neither the record nor the profile says the unit")
        unit, factor = UNIT_FACTORS[name]
        if unit != QUANTITIES[entry.quantity].unit or (code and entry.unit and code != entry.unit):
            raise Refused("unit conflict", f"the record says {name}, which does not fit the test in the profile")
        return factor

    def _conductors(self, record: Record, entry: TestEntry) -> str | None:
        known = QUANTITIES[entry.quantity].conductors
        sent = record.cells.get("pair")
        pair = self.profile.pairs.get(sent.text, sent.text) if sent and sent.text else entry.conductors
        if sent and sent.text and entry.conductors and pair != entry.conductors:
            raise Refused("no conductors", f"the record says {show_foreign(sent.text, 20)!r}, the profile another pair")
        if known and pair is None:
            raise Refused("no conductors", "neither the record nor the profile says between which conductors")
        if known and pair not in known:
            raise Refused("no conductors", f"{show_foreign(pair or '', 20)!r} is no pair of {entry.quantity}")
        return pair if known else None

    def _time(self, record: Record, received_at: datetime) -> tuple[datetime | None, datetime | None, str | None]:
        """Meter time, UTC, reason. A live reading without a time of its own has the time of its arrival."""
        text = " ".join(record.cells[name].text for name in ("datetime", "date", "time") if name in record.cells)
        if not text:
            return (None, None, NO_CLOCK) if record.stored else (None, received_at, ARRIVAL)
        local = parse_local(text, self.profile.time_format) if self.profile.time_format else None
        if local is None:
            return None, None, f"{show_foreign(text, 40)!r} is no time of the form {self.profile.time_format!r}"
        stamped_at, reason = to_utc(local, self.zone)
        return local, stamped_at, reason

    def _serial(self, record: Record) -> str | None:
        cell = record.cells.get("serial")
        return clean_serial(cell.text) if cell and cell.text else self.serial

    def _refusal(self, record: Record, column: str | None, raw: str, refused: Refused) -> RefusalRow:
        number = memory_number(record)
        which = f"record {number}: " if number is not None else ""
        return RefusalRow(
            evidence_sha256=self.sha256, record_no=record.frame, column_name=column, raw_text=show_foreign(raw),
            reason=refused.reason, message=which + refused.message,
        )  # fmt: skip


def read_number(cell: Cell, entry: TestEntry, factor: Decimal, decimal_mark: str) -> Number | str:
    """The number of a cell, or the reason why the meter has none. Raises Refused for everything in doubt."""
    if cell.special == "none" or cell.text in entry.not_measured:
        raise Refused("not measured", "the meter says that it has no value")
    bound = entry.over_range.get(cell.text)
    if bound is None and cell.special in ("over", "under"):
        bound = entry.over_range.get(cell.special, "")
    if bound is not None:
        if not bound:
            return "under range" if cell.special == "under" else "over-range"
        return _in_range(
            Number(value=Decimal(bound[1:]) * factor, comparator=_comparator(bound[0]), resolution=None), entry
        )
    text = cell.text
    if decimal_mark == ",":
        if "." in text:
            raise Refused("not a number", "a point stands where the profile expects a decimal comma")
        text = text.replace(",", ".", 1)
    found = NUMBER.fullmatch(text)
    if not found:
        raise Refused(
            "not a number", "this is not a number; if the meter prints it for over-range, say so in over_range"
        )
    exact = Decimal(found[2])
    step = Decimal(1).scaleb(int(exact.as_tuple().exponent)) * entry.scale * factor
    return _in_range(
        Number(value=exact * entry.scale * factor, comparator=_comparator(found[1]), resolution=step), entry
    )  # fmt: skip


def _in_range(number: Number, entry: TestEntry) -> Number:
    known = QUANTITIES[entry.quantity]
    if known.low is not None and known.high is not None and not known.low <= number.value <= known.high:
        raise Refused(
            "out of range",
            f"{number.value.normalize():f} {known.unit} is outside {known.low:g} to {known.high:g}",
        )
    return number


def _comparator(mark: str) -> str:
    return {">": "gt", "<": "lt"}.get(mark, "eq")


def memory_number(record: Record) -> int | None:
    """The number that the record bears, else its position in the memory; none for a live reading."""
    own = record.cells.get("record")
    if own and re.fullmatch(r"[0-9]{1,15}", own.text):
        return int(own.text)
    return record.position


def clean_serial(text: str) -> str | None:
    """A serial number that can be shown and compared; None where nothing is left of it."""
    kept = "".join(character for character in text.strip() if character.isprintable())[:LONGEST_SERIAL].strip()
    return kept or None


def _label(record: Record) -> str | None:
    cell = record.cells.get("label")
    return show_foreign(cell.text, LONGEST_LABEL) if cell and cell.text else None


def _float(number: Decimal | None) -> float | None:
    return None if number is None else float(number)
