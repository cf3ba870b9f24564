"""A meter that nobody heard of before is taught by a TOML file alone: the example of DEVELOPERS.md."""

from __future__ import annotations

import sys
from pathlib import Path

from ingest.profiles.devices import parse_device_profile
from ingest.sync import sync_meter
from ingest.transcripts import read_transcript

sys.path.insert(0, str(Path(__file__).parent))

PROFILE = r"""
format = 1
kind = "lines"
name = "brass-tester"
quiet_s = 0.5

[meter]
serial = "BT-5"

[time]
format = "%d.%m.%y %H:%M"
zone = "Europe/London"

[serial]
baud = 4800

[lines]
end = "\n"
send_end = "\n"
separator = ","
fields = ["record", "datetime", "test", "value"]

[commands]
count = { send = "Q?", answer = "Q (?P<count>[0-9]+)" }
record = { send = "G {number}" }
error = "E[0-9]+"

[[tests]]
code = "Z"
quantity = "earth_fault_loop_impedance"
conductors = "L-E"
unit = "Ohm"
over_range = { ">99.9" = ">99.9", "----" = "" }
"""
RECORDS = ["1,02.04.31 10:14,Z,0.38", "2,02.04.31 10:15,Z,>99.9", "3,02.04.31 10:16,Z,----"]


def answer(data):
    said = b""
    for command in data.decode().splitlines():
        if command == "Q?":
            said += b"Q 3\n"
        elif command.startswith("G ") and 0 < int(command[2:]) <= 3:
            said += RECORDS[int(command[2:]) - 1].encode() + b"\n"
        else:
            said += b"E04\n"
    return said


def test_the_new_meter_is_read(book, plug):
    profile = parse_device_profile(PROFILE, "brass.toml")
    report = sync_meter(book, plug(answer).url, profile="brass-tester", profiles={"brass-tester": profile})
    assert (report.fault, report.complete, report.records_on_meter) == (None, True, 3)
    content = book.evidence.read(report.sha256)
    rows = read_transcript(content, sha256=report.sha256, profiles={}, zone=book.zone).readings
    assert rows["value"].tolist()[:2] == [0.38, 99.9]
    assert rows["comparator"].tolist()[:2] == ["eq", "gt"]
    assert rows["reason"].tolist()[2] == "over-range"
    assert rows["meter_serial"].tolist() == ["BT-5"] * 3
    assert rows["stamped_at"].astype(str).tolist()[0] == "2031-04-02 09:14:00+00:00"
    # No checksum: each record was asked for twice.
    assert content.count(b'"out":"G 1\\n"') == 2


def test_a_corrected_profile_reads_the_older_conversations_too(book, plug):
    from ingest.book_extract import read_book

    wrong = parse_device_profile(PROFILE.replace('unit = "Ohm"', 'unit = "Ohm"\nscale = "10"'), "brass.toml")
    sync_meter(book, plug(answer).url, profile="brass-tester", profiles={"brass-tester": wrong})
    assert read_book(book).readings["value"].tolist()[0] == 3.8
    right = parse_device_profile(PROFILE, "brass.toml")
    report = sync_meter(book, plug(answer).url, profile="brass-tester", profiles={"brass-tester": right})
    assert report.records_known == 3
    extract = read_book(book)
    assert extract.readings["value"].tolist()[0] == 0.38
    assert len(extract.readings) == 3
    assert len(extract.conflicts) == 0


def test_records_without_a_time_are_not_taken_twice(book):
    """A meter without a clock: what a sync asks for again to compare stands once; another memory stands beside it."""
    from wires import MemoryWire

    from ingest.book_extract import read_book

    text = PROFILE.replace('"record", "datetime", "test"', '"record", "test"').replace(
        'format = "%d.%m.%y %H:%M"\n', ""
    )
    profile = parse_device_profile(text, "brass.toml")

    def sync(values):
        def said(command):
            if command == "Q?":
                return f"Q {len(values)}\n"
            number = int(command.removeprefix("G "))
            return f"{number},Z,{values[number - 1]}\n" if 0 < number <= len(values) else "E04\n"

        report = sync_meter(
            book, "serial:nowhere", profile="brass-tester", profiles={"brass-tester": profile},
            opener=lambda link, profile: MemoryWire(
                lambda data: "".join(map(said, data.decode().splitlines())).encode()
            ),
        )  # fmt: skip
        assert report.complete
        extract = read_book(book)
        assert extract.readings["meter_time"].isna().all()
        return sorted(extract.readings["value"]), len(extract.duplicates)

    assert sync([0.38, 0.41, 0.38]) == ([0.38, 0.38, 0.41], 0)
    assert sync([0.38, 0.41, 0.38, 0.44]) == ([0.38, 0.38, 0.41, 0.44], 3)
    assert sync([0.38, 0.41, 0.38, 0.44]) == ([0.38, 0.38, 0.41, 0.44], 7)
    assert sync([0.52]) == ([0.38, 0.38, 0.41, 0.44, 0.52], 7)
