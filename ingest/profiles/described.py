"""What a profile that can be used would claim and read, in one or two sentences."""

from __future__ import annotations

from typing import Final

from ingest.profiles import Profile
from ingest.profiles.csv import CsvProfile
from ingest.profiles.device import DeviceProfile
from ingest.profiles.device_gatt import GattProfile
from ingest.profiles.device_lines import LinesProfile, SerialSection
from ingest.profiles.device_modbus import ModbusProfile
from ingest.profiles.device_scpi import ScpiProfile

LINE_COMMANDS: Final = ("identify", "count", "record", "records", "clock", "set_clock", "erase", "live")
SCPI_QUERIES: Final = ("count", "record", "records", "live", "clock", "set_clock", "erase")


def describe_profile(profile: Profile) -> list[str]:
    """Sentences for people: how it is recognised or reached, what it reads, what to know about it."""
    if isinstance(profile, CsvProfile):
        return _export(profile)
    if isinstance(profile, LinesProfile):
        commands = [name for name in LINE_COMMANDS if getattr(profile.commands, name)]
        return [_line(profile.serial, "lines of text", commands), _kinds(profile), _checksum(profile)]
    if isinstance(profile, ScpiProfile):
        queries = [name for name in SCPI_QUERIES if getattr(profile.scpi, name)]
        trust = "" if profile.scpi.protected else "no checksum on this way: each record is read twice and compared"
        return [_line(profile.serial, "queries", queries), _kinds(profile), *([trust] if trust else [])]
    if isinstance(profile, ModbusProfile):
        areas = [name for name in ("identity", "count", "clock", "records", "live") if getattr(profile.modbus, name)]
        return [_line(profile.serial, f"Modbus {profile.modbus.framing} registers", areas), _kinds(profile)]
    if isinstance(profile, GattProfile):
        parts = [name for name in ("records", "live", "clock", "serial") if getattr(profile.gatt, name)]
        return [f"talks Bluetooth LE characteristics; knows {', '.join(parts)}", _kinds(profile)]
    return []


def _export(profile: CsvProfile) -> list[str]:
    told = profile.recognise
    wanted = [f"one row with {', '.join(told.headings)}"] if told.headings else []
    wanted += [f"the text {text!r}" for text in told.contains]
    held = {column.holds: column.heading for column in profile.column}
    readings = [column.heading for column in profile.column if column.holds == "reading"]
    if "value" in held:
        named = f"{len(profile.test)} names of tests are explained, others are read by the words of the trade"
        test = f", named by {held['test']!r}" if "test" in held else ""
        reads = f"reads one value a row from {held['value']!r}{test}; {named}"
    elif readings:
        reads = f"reads one value a cell from {', '.join(readings)}"
    else:
        reads = "says nothing of values: the words of the trade have to find them"
    told_apart = "the profile" if profile.zone else "the file, the meter register or the book"
    zone = f"{profile.zone} ({told_apart})" if profile.zone else f"what {told_apart} says"
    order = f"; day and month {profile.date_order} where the file does not say it" if profile.date_order else ""
    rest = "; the rest is left to the words of the trade" if profile.rest else ""
    return [
        f"claims a file whose first 100 lines hold {' and '.join(wanted)}",
        f"{reads}{rest}",
        f"zone of times: {zone}{order}",
    ]


def _line(serial: SerialSection, what: str, commands: list[str]) -> str:
    settings = f"{serial.baud} {serial.data_bits}{serial.parity[0].upper()}{serial.stop_bits}"
    return f"talks {what} at {settings}; knows {', '.join(commands) or 'no command: it is only listened to'}"


def _kinds(profile: DeviceProfile) -> str:
    codes = [entry.code or "any other" for entry in profile.tests]
    clock = "" if profile.clock_format or profile.time_format else "; the meter has no clock"
    return f"reads {len(codes)} kinds of record: {', '.join(codes)}{clock}"


def _checksum(profile: LinesProfile) -> str:
    if profile.lines.checksum == "crc16":
        return "each line carries a CRC: a spoiled line is seen"
    weak = "no checksum" if profile.lines.checksum == "none" else f"a weak checksum ({profile.lines.checksum})"
    return f"{weak}: a spoiled line can look right, so each record is read twice and compared"
