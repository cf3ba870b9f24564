"""Profiles of meters: samples are sound, faults are told together, with key path, what was seen and a near match."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from ingest.foreign_text import file_name_part, show_foreign
from ingest.meter_time import parse_local, to_utc
from ingest.profiles.devices import device_profiles, parse_device_profile, sample_profiles
from ingest.protocols.frames import Cell, Record
from ingest.protocols.record_rows import RowMaker
from schemas.errors import ProfileError

LINES = sample_profiles()["demo-lines"].toml


def faults(text):
    with pytest.raises(ProfileError) as caught:
        parse_device_profile(text, "mine.toml")
    return str(caught.value)


def test_there_is_a_sample_of_each_kind():
    assert {profile.kind for profile in sample_profiles().values()} == {"lines", "scpi", "modbus", "gatt"}
    for name, profile in sample_profiles().items():
        assert name.startswith("demo-")
        assert parse_device_profile(profile.toml, name) == profile


def test_all_faults_are_told_at_once_with_their_path():
    text = LINES.replace("baud = 19200", "bauds = 19200").replace('quiet_s = 1.5', 'quiet_s = 900').replace(
        'format = "%d/%m/%Y %H:%M:%S"', 'format = "%d/%b/%Y"'
    ).replace('conductors = "L-N"', 'conductors = "L-X"')  # fmt: skip
    told = faults(text)
    assert "mine.toml: the profile has 4 faults" in told
    assert "serial.bauds: unknown key; did you mean baud?" in told
    assert "quiet_s: Input should be less than or equal to 60; seen 900; for example quiet_s = 1.5" in told
    assert "time.format: %b cannot be used" in told
    assert "tests[1]: conductors of voltage: L-N, L-E, N-E" in told


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            ('code = "CONT"', 'code = "CONT"\nscale = 0.01'),
            'tests[5].scale: write the number in quotes, so that it stays exact: "0.01"',
        ),
        (('code = "CONT"', 'code = "CONT"\nscale = "zero"'), 'tests[5].scale: a decimal number in quotes is wanted'),
        (('code = "CONT"', 'code = "CONT"\nscale = "-1"'), "tests[5].scale: a scale above zero is wanted"),
        (('code = "CONT"', 'code = "CONT"\nunit = "V"'), "tests[5]: unit of continuity_resistance: Ohm, mOhm"),
        (('"OVER" = ">199.9"', '"OVER" = "lots"'), "tests[5].over_range: the bound of 'OVER' is 'lots'"),
        (('code = "CONT"', 'code = "LOOP"'), "two tests have code 'LOOP' and field 'value'"),
        (('separator = ";"', ""), "lines: say either pattern or separator"),
        (('"Mohm" = "MOhm"', '"Mohm" = "Megaohm"'), "units: 'Megaohm' is no unit code"),
        (('zone = "Europe/London"', 'zone = "Europe/Londres"'), "time.zone: no such time zone"),
        (("{first} {last}", "{first}"), "commands: records.send lacks {last}"),
        (('kind = "lines"', 'kind = "telepathy"'), "not the kind of a meter on a link"),
        (('name = "demo-lines"', 'name = "Demo Lines!"'), "name:"),
        (('role = "multifunction tester"', 'role = "hammer"'), "meter.role: not a role; one of: multifunction tester"),
        (("[meter]", "[meter"), "not a TOML file"),
        (("(?P<count>[0-9]+)", "([0-9]+)"), "commands: count.answer lacks the group (?P<count>...)"),
        (("(?P<count>[0-9]+)", "(?P<count>[0-9]+"), "commands.count.answer: not a regular expression"),
        (
            ('indications = { "YES" = "present", "NONE" = "absent" }', 'indications = { "YES" = "live" }'),
            "say in indications which word means present, absent",
        ),
        (('fields = ["record", ', 'fields = ["number", '), "a list of records needs the field 'record'"),
        (("format = 1", "format = 2"), "format:"),
    ],
)  # fmt: skip
def test_each_fault_has_its_sentence(change, told):
    assert change[0] in LINES
    assert told in faults(LINES.replace(*change, 1))


def test_a_missing_key_comes_with_an_example():
    assert 'name: missing; for example name = "demo-lines"' in faults(LINES.replace('name = "demo-lines"\n', ""))
    assert 'tests[1].quantity: missing; for example quantity = "voltage"' in faults(
        LINES.replace('quantity = "voltage"\n', "", 1)
    )  # fmt: skip


def test_profiles_of_the_other_kinds_tell_their_faults_too():
    scpi = sample_profiles()["demo-scpi"].toml
    assert "scpi: count is no query" in faults(scpi.replace('"MEM:COUN?"', '"MEM:COUN"'))
    assert "scpi: erase is a command" in faults(scpi.replace('"MEM:DEL:ALL"', '"MEM:DEL:ALL?"'))
    modbus = sample_profiles()["demo-modbus"].toml
    assert "field 'label' ends after the 12 registers" in faults(modbus.replace("size = 19", "size = 12"))
    assert "select belongs to access" in faults(modbus.replace("select = 10", ""))
    assert "modbus.unit_id" in faults(modbus.replace("unit_id = 1", "unit_id = 0"))
    gatt = sample_profiles()["demo-gatt"].toml
    assert "a characteristic is written" in faults(gatt.replace('"2a52"', '"52"'))
    assert "gatt.serial: a characteristic is written" in faults(gatt.replace('serial = "2a25"', 'serial = "x"'))
    assert "field 'record' is missing" in faults(gatt.replace('"record"', '"number"'))
    assert "depends on a flag" in faults(
        gatt.replace('name = "test", type = "u8"', 'name = "test", type = "u8", if_flag = 1')
    )


def test_the_users_own_profiles_come_from_a_folder(tmp_path):
    (tmp_path / "mine.toml").write_text(LINES.replace('"demo-lines"', '"mine"'))
    (tmp_path / "export.toml").write_text('kind = "csv"\n')
    assert list(device_profiles(tmp_path)) == ["mine"]
    (tmp_path / "twin.toml").write_text(LINES.replace('"demo-lines"', '"mine"'))
    with pytest.raises(ProfileError, match="two profiles are named 'mine'"):
        device_profiles(tmp_path)


def test_a_line_without_a_crc_is_read_twice():
    for checksum, twice in (("none", True), ("xor8", True), ("sum8", True), ("crc16", False)):
        profile = parse_device_profile(LINES.replace('checksum = "crc16"', f'checksum = "{checksum}"'), "x")
        assert profile.reads_twice is twice


def rows(text, unit="", code="LOOP", entry="", profile_text=LINES, **cells):
    profile = parse_device_profile(profile_text.replace(f'code = "{code}"', f'code = "{code}"\n{entry}'), "x")
    maker = RowMaker(profile=profile, sha256="0" * 64, zone=ZoneInfo("Europe/London"), serial="S")
    named = {"test": code, "value": text, "unit": unit, "record": "7"} | cells
    record = Record(
        frame=3, at_s=0.0, raw="raw", position=7, cells={name: Cell(cell, cell) for name, cell in named.items()}
    )
    (row,) = maker.rows(record, 1, datetime(2031, 4, 2, tzinfo=UTC))
    return row


@pytest.mark.parametrize(
    ("text", "unit", "entry", "value", "comparator", "resolution"),
    [
        ("0.35", "ohm", "", 0.35, "eq", 0.01),
        ("350", "", 'unit = "mOhm"', 0.35, "eq", 0.001),
        ("35", "", 'unit = "Ohm"\nscale = "0.01"', 0.35, "eq", 0.01),
        (">1999", "ohm", "", 1999.0, "gt", None),
        ("<0.01", "ohm", "", 0.01, "lt", 0.01),
        ("3.50E-01", "ohm", "", 0.35, "eq", 0.0001 * 10),
        ("+0.1", "ohm", "", 0.1, "eq", 0.1),
    ],
)
def test_values_are_exact(text, unit, entry, value, comparator, resolution):
    row = rows(text, unit, entry=entry)
    assert (row.value, row.unit, row.comparator) == (value, "Ohm", comparator)
    assert row.resolution == (None if resolution is None else pytest.approx(resolution, rel=1e-12))


def test_over_range_without_a_bound_is_null_with_a_reason():
    row = rows("OVER", "ohm")
    assert (row.value, row.reason) == (None, "over-range")


@pytest.mark.parametrize(
    ("text", "unit", "more", "reason"),
    [
        ("0,35", "ohm", {}, "not a number"), ("1.234.5", "ohm", {}, "not a number"), ("", "ohm", {}, "not a number"),
        ("O.L", "ohm", {}, "not a number"), ("nan", "ohm", {}, "not a number"), ("0x10", "ohm", {}, "not a number"),
        ("٣", "ohm", {}, "not a number"), ("-0.5", "ohm", {}, "out of range"), ("9999999", "ohm", {}, "out of range"),
        ("0.35", "furlong", {}, "no unit"), ("0.35", "", {}, "no unit"), ("0.35", "V", {}, "unit conflict"),
        ("---", "ohm", {"entry": 'not_measured = ["---"]'}, "not measured"),
        ("0.35", "ohm", {"code": "VLN"}, "unit conflict"), ("maybe", "", {"code": "METAL"}, "unknown word"),
        ("230", "V", {"code": "VLN", "pair": "N-E"}, "no conductors"),
    ],
)  # fmt: skip
def test_what_is_in_doubt_is_refused(text, unit, more, reason):
    row = rows(text, unit, **more)
    assert row.reason == reason
    assert row.message.startswith("record 7: ")


def test_a_decimal_comma_only_where_the_profile_says_so():
    comma = LINES.replace('role = "multifunction tester"', 'decimal_mark = ","')
    assert rows("0,35", "ohm", profile_text=comma).value == 0.35
    assert rows("0.35", "ohm", profile_text=comma).reason == "not a number"
    assert rows("1,2,3", "ohm", profile_text=comma).reason == "not a number"


def test_local_times_have_one_moment_or_none():
    zone = ZoneInfo("Europe/London")
    assert to_utc(datetime(2031, 4, 2, 9, 12), zone)[0] == datetime(2031, 4, 2, 8, 12, tzinfo=UTC)
    # The clocks go forward on 30 March 2031 at 01:00 UTC and back on 26 October 2031 at 01:00 UTC (zone database).
    assert "does not exist" in to_utc(datetime(2031, 3, 30, 1, 30), zone)[1]
    assert "happens twice" in to_utc(datetime(2031, 10, 26, 1, 30), zone)[1]


def test_times_are_read_by_their_pattern():
    assert parse_local("02/04/31 09:12", "%d/%m/%y %H:%M") == datetime(2031, 4, 2, 9, 12)
    assert parse_local("69-01-02", "%y-%m-%d") == datetime(2069, 1, 2)
    assert parse_local("2/4/2031", "%d/%m/%Y") == datetime(2031, 4, 2)
    assert parse_local("31/02/2031", "%d/%m/%Y") is None
    assert parse_local("02/04/2031 extra", "%d/%m/%Y") is None


def test_foreign_text_is_bounded_and_visible():
    assert show_foreign("a\x1b[31mb\\") == "a\\x1b[31mb\\\\"
    assert show_foreign(b"\xff\x00ok") == "\\xff\\x00ok"
    assert show_foreign("\u202eabc\u2028") == "\\u202eabc\\u2028"
    assert show_foreign("x" * 500) == "x" * 200 + "... (cut)"
    assert show_foreign("Ω plain") == "Ω plain"
    assert file_name_part("../../etc/passwd\x00") == "etc-passwd"
    assert file_name_part("///") == "meter"


def test_scales_stay_decimal():
    profile = parse_device_profile(LINES.replace('code = "CONT"', 'code = "CONT"\nscale = "0.1"'), "x")
    assert next(entry for entry in profile.tests if entry.code == "CONT").scale == Decimal("0.1")
