"""Drafted profiles: they read what is read without them, to the last digit, or say what has to be filled in."""

from __future__ import annotations

import gzip
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.exports.draft import template_of
from ingest.exports.suggest import Suggestion, suggest_profile
from ingest.profiles import check_profile_text
from schemas.errors import InputError
from tests.ingest.test_corpus import make_file
from tests.profile.reading import as_tuples, read_with

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_exports"
MILL = SAMPLES / "office_backlog" / "week 12" / "mill sheet.txt"
CASES = [
    case
    for path in sorted((ROOT / "tests" / "ingest" / "gallery").glob("*.toml"))
    for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
    if case.get("readings") and "profile" not in case
]
EXPORTS = [
    "plain_day/multifunction.csv", "plain_day/indicator.csv", "bad_day/multifunction.csv", "bad_day/indicator.csv",
    "bad_day/dead_clock.csv", "office_backlog/week 10/tester.csv", "office_backlog/week 11/bays.csv",
    "office_backlog/week 12/wednesday.csv.gz",
]  # fmt: skip
HARBOUR = (
    "Slot,When,Probe test,Reading,Unit,Point\n1,05/04/2031 09:12,EARTH LOOP,0.41,ohm,A-101\n"
    "2,05/04/2031 09:13,SUPPLY LN,237.2,V,A-101\n"
)


def content_of(case: dict[str, Any]) -> bytes:
    if "bytes" in case:
        return bytes.fromhex(case["bytes"])
    text: str = case["file"]
    return text.removeprefix("\n").encode(case.get("encoding", "utf-8"))


def reads_the_same(content: bytes) -> Suggestion:
    """Check that the draft, used as it is, claims the file and reads what the built-in reader reads."""
    found = suggest_profile(content, "my export.csv")
    without = read_with(content)
    assert check_profile_text(found.text, "x") == []
    used = read_with(content, found.text)
    assert used.profile == "my-export"
    assert as_tuples(used) == as_tuples(without)
    assert (len(used.refusals), used.records) == (len(without.refusals), without.records)
    assert "CAUTION" not in found.text
    return found


@pytest.mark.parametrize(
    "case",
    [pytest.param(case, id=case["kind"], marks=[pytest.mark.slow] if at % 4 else []) for at, case in enumerate(CASES)],
)
def test_draft_of_a_readable_export_reads_the_same(case: dict[str, Any]) -> None:
    reads_the_same(content_of(case))


@pytest.mark.parametrize("name", EXPORTS)
def test_draft_of_a_sample_export_reads_the_same(name: str) -> None:
    found = reads_the_same((SAMPLES / name).read_bytes())
    assert found.readings > 0
    assert len(found.rows) == 8


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(40))
def test_draft_of_an_invented_export_with_defects_reads_the_same(seed: int) -> None:
    reads_the_same(make_file(seed).content)


def test_every_mapping_says_how_sure_it_is() -> None:
    text = suggest_profile((SAMPLES / "plain_day" / "multifunction.csv").read_bytes(), "x.csv").text
    tables = [line for line in text.splitlines() if line.startswith(("[[column]]", "[test."))]
    assert len(tables) > 10
    assert all(re.search(r"\]  # (certain|likely|guess|to be filled in)", line) for line in tables)


def test_draft_shows_the_first_rows_as_they_are_read() -> None:
    content = b"Memory,Date,Time,Test,Value,Unit\n7,2031-04-02,12:01,Zs,0.35,ohm\n8,2031-04-02,12:02,Zs,x,ohm\n"
    text = suggest_profile(content, "a.csv").text
    assert text.splitlines()[-3:] == [
        "# As this profile reads the file: 1 readings, 1 refusals (without a profile 1 and 1). The first rows:",
        "#   line 2: 0.35 is earth fault loop impedance L-E 0.35 Ohm; 2031-04-02 12:01:00, number 7",
        "#   line 3: x refused, not a number: 'x' is not a number; a profile can say what this word means",
    ]


def test_what_the_file_proves_is_said_and_what_it_leaves_open_is_asked() -> None:
    proved = suggest_profile(b"Date;Time;Test;Value\n13/04/2031;12:01;Zs;0,35 ohm\n", "a.csv").text
    assert 'date_order = "dmy"  # certain: "13/04/2031" allows no other' in proved
    assert 'decimal = ","  # certain: "0,35 ohm" allows no other' in proved
    undecided = suggest_profile(b"Date;Time;Test;Value\n03/04/2031;12:01;Zs;0,35 ohm\n", "a.csv").text
    assert '# date_order = "dmy"  # "03/04/2031" can be read in more than one way: say dmy, mdy or ymd' in undecided
    assert not re.search(r"^date_order", undecided, re.MULTILINE)


def test_draft_of_a_sheet_nobody_knows_names_its_gaps_and_nothing_else() -> None:
    found = suggest_profile(MILL.read_bytes(), MILL.name)
    assert [gap.key for gap in found.gaps] == [
        "test.shell.quantity", "test.U1.quantity", "test.U2.quantity", "test.U3.quantity", "test.loop.unit",
    ]  # fmt: skip
    lines = found.text.splitlines()
    assert all('= ""' in lines[(gap.line or 0) - 1] for gap in found.gaps)
    assert '# preamble = ["mill sheet / {meter_serial} / {date}"]' in found.text
    assert [gap.sentence() for gap in check_profile_text(found.text, "x")] == [gap.sentence() for gap in found.gaps]


def test_draft_with_its_gaps_filled_in_reads_the_sheet() -> None:
    text = suggest_profile(MILL.read_bytes(), MILL.name).text
    volts = 'quantity = "voltage"\nconductors = "{}"\nunit = "V"\nscale = "0.1"'
    told = {"shell": 'quantity = "non_contact_voltage"', "U1": volts.format("L-N"), "U2": volts.format("L-E"),
            "U3": volts.format("N-E")}  # fmt: skip
    for name, filled in told.items():
        text = re.sub(rf'(\[test\."{name}"\].*\n)quantity = "".*', lambda found, said=filled: found[1] + said, text)
    text = text.replace('unit = ""', 'unit = "mOhm"').replace("# preamble", "preamble")
    text = text.replace('# [[word]]\n# text = "quiet"\n# means = "over range"',
                        '[[word]]\ntext = "quiet"\nquantity = "non_contact_voltage"\nmeans = "absent"')  # fmt: skip
    assert check_profile_text(text, "x") == []
    by_hand = (SAMPLES / "office_backlog" / "profiles" / "mill-sheet.toml").read_text(encoding="utf-8")
    assert as_tuples(read_with(MILL.read_bytes(), text)) == as_tuples(read_with(MILL.read_bytes(), by_hand))


@pytest.mark.parametrize(
    ("content", "gaps"),
    [
        (b"Part,Shelf,Count\nflue seal,B2,6\n", ["column[1].holds"]),
        (HARBOUR.encode(), []),
        (HARBOUR.replace("EARTH LOOP", "PZ4").replace("SUPPLY LN", "PZ5").encode(),
         ["test.PZ4.quantity", "test.PZ5.quantity"]),
        (b"Quay ref;Day;Clock;A1;A2\nboiler;2031-04-02;10:00;0,41;230\n",
         ["column[4].holds", "column[5].holds"]),
        (b"Test,Value,Unit\nVoltage,230,V\n", ["test.Voltage.conductors"]),
        (b"Date,Time,Test,Value\n2031-04-02,10:00,Zs,0.41\n", ["test.Zs.unit"]),
    ],
    ids=["parts list", "names half known", "names unknown", "wide, headings unknown", "no pair", "no unit"],
)  # fmt: skip
def test_gaps(content: bytes, gaps: list[str]) -> None:
    found = suggest_profile(content, "x.csv")
    assert [gap.key for gap in found.gaps] == gaps
    assert [fault.key for fault in check_profile_text(found.text, "x")] == gaps


def test_unknown_names_of_a_file_that_is_read_are_comments_only() -> None:
    content = b"Date,Time,Test,Value,Unit\n2031-04-02,10:00,Zs,0.41,ohm\n2031-04-02,10:01,Gizmo,3,V\n"
    found = reads_the_same(content)
    assert '# [test."Gizmo"]  # this name is not known, one row; its rows are refused until it is' in found.text
    assert (found.readings, found.refusals) == (1, 1)


def test_strange_characters_stay_in_their_strings() -> None:
    heading = 'La"bel\\ \x1b[31m\x7f\u202e'
    content = f'"{heading.replace(chr(34), chr(34) * 2)}",Date,Time,Test,Value,Unit\nx,2031-04-02,10:00,Zs,0.41,ohm\n'
    found = suggest_profile(content.encode(), "\x1b]0;x.csv")
    tomllib.loads(found.text)
    assert all(mark.isprintable() or mark == "\n" for mark in found.text)
    assert as_tuples(read_with(content.encode(), found.text)) == as_tuples(read_with(content.encode()))


@pytest.mark.parametrize(
    "content", [b"", b"\n\n", b"%PDF-1.7 x", b"PK\x03\x04broken", b"1,2,3\n4,5,6\n", b"\x1f\x8b\x00"]
)
def test_what_is_no_table_is_told(content: bytes) -> None:
    with pytest.raises(InputError, match=r"x\.csv"):
        suggest_profile(content, "x.csv")


def test_packed_export_gives_the_same_draft() -> None:
    content = (SAMPLES / "plain_day" / "multifunction.csv").read_bytes()
    assert suggest_profile(gzip.compress(content), "x.csv").text == suggest_profile(content, "x.csv").text


def test_template_of_a_line_above_the_table() -> None:
    assert template_of("mill sheet / MF-3110 / 20.03.2031") == "mill sheet / {meter_serial} / {date}"
    assert template_of("Tested on 2031-03-20") == "Tested on {date}"
    assert template_of("nothing to see here") == ""
    assert template_of("{date} 2031-03-20") == ""


def test_a_draft_is_the_same_each_time() -> None:
    assert suggest_profile(MILL.read_bytes(), "m.txt").text == suggest_profile(MILL.read_bytes(), "m.txt").text


@settings(max_examples=40, deadline=None, derandomize=True)
@given(at=st.integers(0, 400), junk=st.binary(min_size=1, max_size=6), sample=st.sampled_from(EXPORTS[:6]))
def test_damaged_exports_give_a_draft_that_is_toml_or_one_of_our_errors(at: int, junk: bytes, sample: str) -> None:
    content = (SAMPLES / sample).read_bytes()
    damaged = content[:at] + junk + content[at + len(junk) : 900]
    try:
        found = suggest_profile(damaged, "x.csv")
    except InputError:
        return
    tomllib.loads(found.text)
    assert [gap.sentence() for gap in found.gaps] == [fault.sentence() for fault in check_profile_text(found.text, "x")]
    if not found.gaps and "CAUTION" not in found.text:
        assert found.readings >= found.readings_without
