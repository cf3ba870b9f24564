"""Faults of profiles: all of them at once, each with line, key path, what was seen, a near match, an example."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from cli.__main__ import run
from ingest.profiles import check_profile_text, shipped_profiles
from ingest.profiles.described import describe_profile

SHIPPED = Path(__file__).resolve().parents[2] / "ingest" / "profiles" / "samples"
GOOD = """kind = "csv"
name = "good"
[recognise]
headings = ["Slot", "Test", "Reading"]
[[column]]
heading = "Slot"
holds = "memory_no"
[[column]]
heading = "Test"
holds = "test"
[[column]]
heading = "Reading"
holds = "value"
[test."EARTH LOOP"]
quantity = "earth_fault_loop_impedance"
unit = "Ohm"
"""


def faults(text: str) -> list[str]:
    return [fault.sentence() for fault in check_profile_text(text, "x")]


def test_good_profile_has_no_fault() -> None:
    assert faults(GOOD) == []


CASES = tomllib.loads((Path(__file__).parent / "faults.toml").read_text(encoding="utf-8"))["case"]


def test_what_is_no_toml() -> None:
    assert faults("kind = ")[0].startswith("this is not TOML: ")


@pytest.mark.parametrize("case", CASES, ids=[case["kind"] for case in CASES])
def test_one_fault(case: dict[str, Any]) -> None:
    text = GOOD
    for old, new in case["change"]:
        assert old in text
        text = text.replace(old, new)
    assert faults(text) == [case["fault"]]


def test_heading_against_the_unit_beside_it() -> None:
    text = 'kind = "csv"\nname = "x"\n[recognise]\nheadings = ["Day", "Zs (ohm)"]\n'
    text += '[[column]]\nheading = "Day"\nholds = "date"\n'
    text += (
        '[[column]]\nheading = "Zs (ohm)"\nholds = "reading"\nquantity = "earth_fault_loop_impedance"\nunit = "mOhm"\n'
    )
    assert faults(text) == [
        "line 12, column[2].unit: the heading 'Zs (ohm)' says another unit than 'mOhm' (for example: unit = \"MOhm\")"
    ]


def test_all_faults_are_told_at_once_in_the_order_of_their_lines() -> None:
    text = (
        GOOD.replace('"good"', '"Good One"').replace('"memory_no"', '"memory"').replace('unit = "Ohm"', 'unit = "ms"')
    )
    text = text.replace('holds = "value"', 'holds = "value"\ncolour = "red"').replace(
        "[recognise]", 'zone = "Moon"\n[recognise]'
    )
    found = check_profile_text(text + '[test."X"]\nquantity = ""\n', "x")
    assert [(fault.line, fault.key) for fault in found] == [
        (2, "name"), (3, "zone"), (8, "column[1].holds"), (15, "column[3].colour"), (18, "test.'EARTH LOOP'.unit"),
        (20, "test.X.quantity"),
    ]  # fmt: skip


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_profiles_can_be_used_and_say_what_they_read(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", "check", str(path)]) == 0
    out = capsys.readouterr()
    assert out.err == ""
    assert out.out.startswith(f"{path}: can be used\n  ")
    assert max(len(line) for line in out.out.splitlines()[1:]) <= 80


def test_what_a_profile_would_claim_and_read() -> None:
    known = {one.name: describe_profile(one) for one in shipped_profiles()}
    assert known["harbour-long"] == [
        "claims a file whose first 100 lines hold one row with Slot, When, Probe test, Reading, Unit, Point",
        "reads one value a row from 'Reading', named by 'Probe test'; 9 names of tests are explained, others are read "
        "by the words of the trade",
        "zone of times: Europe/London (the profile); day and month dmy where the file does not say it",
    ]
    assert "CRC" in known["demo-lines"][2]


def test_line_protocol_without_checksum_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (SHIPPED / "demo-lines.toml").read_text(encoding="utf-8").replace('checksum = "crc16"', 'checksum = "none"')
    (tmp_path / "p.toml").write_text(text, encoding="utf-8")
    assert run(["profile", "check", str(tmp_path / "p.toml")]) == 0
    assert "no checksum: a spoiled line can look right" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("sample", "old", "new", "key"),
    [
        ("demo-lines", 'quantity = "continuity_resistance"', 'quantity = "continuity"', "continuity"),
        ("demo-scpi", "[scpi]", "[scpi]\ncuont = 'x'", "cuont"),
        ("demo-modbus", "[modbus]", "[modbus]\nfarming = 1", "farming"),
        ("demo-gatt", "[gatt]", "[gatt]\npear = true", "pear"),
    ],
)
def test_faults_of_meter_profiles(
    sample: str, old: str, new: str, key: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (SHIPPED / f"{sample}.toml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "p.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    assert run(["profile", "check", str(tmp_path / "p.toml")]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert key in out.err
    assert "fault" in out.err
