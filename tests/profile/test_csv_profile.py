"""What a profile of an export layout can say, each with the smallest file that needs it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from ingest.profiles import load_profile
from tests.profile.reading import read_with, short

BACKLOG = Path(__file__).resolve().parents[2] / "sample_exports" / "office_backlog"
MILL_PROFILE = (BACKLOG / "profiles" / "mill-sheet.toml").read_text(encoding="utf-8")
MILL_SHEET = (BACKLOG / "week 12" / "mill sheet.txt").read_bytes()
LOOP = """
kind = "csv"
name = "loop"
{top}
[recognise]
headings = ["Day", "Clock", "A1"]
[[column]]
heading = "Day"
holds = "date"
[[column]]
heading = "Clock"
holds = "time"
[[column]]
heading = "A1"
holds = "reading"
quantity = "earth_fault_loop_impedance"
{unit}
{end}
"""


def loop(top: str = "", unit: str = 'unit = "Ohm"', end: str = "") -> str:
    return LOOP.format(top=top, unit=unit, end=end)


def test_mill_sheet_is_read_with_scaled_values_and_the_day_of_its_first_line() -> None:
    extract = read_with(MILL_SHEET, MILL_PROFILE)
    assert short(extract) == [
        "3: non_contact_voltage absent", "4: voltage L-N 237.6 V", "5: voltage L-E 236.9 V", "6: voltage N-E 0.8 V",
        "7: earth_fault_loop_impedance L-E 0.69 Ohm",
    ]  # fmt: skip
    readings = extract.readings
    assert list(readings["meter_time"].astype(str)) == [
        "2031-03-20 14:12:30", "2031-03-20 14:14:05", "2031-03-20 14:14:31", "2031-03-20 14:14:55",
        "2031-03-20 14:16:20",
    ]  # fmt: skip
    assert list(readings["memory_no"]) == [1, 2, 3, 4, 5]
    assert set(readings["meter_serial"]) == {"MF-3110"}
    assert set(readings["label"]) == {"MILL"}
    assert list(readings["resolution"])[1:] == [0.1, 0.1, 0.1, 0.001]
    assert list(readings["raw_text"]) == ["quiet", "2376", "2369", "8", "690"]


def test_two_sheets_in_one_file_have_each_its_own_day_and_meter() -> None:
    second = MILL_SHEET.replace(b"MF-3110 / 20.03.2031", b"MF-2207 / 21.03.2031")
    readings = read_with(MILL_SHEET + second, MILL_PROFILE).readings
    assert list(readings["meter_serial"]) == ["MF-3110"] * 5 + ["MF-2207"] * 5
    assert list(readings["meter_time"].dt.day) == [20] * 5 + [21] * 5
    assert list(readings["record_no"]) == [3, 4, 5, 6, 7, 10, 11, 12, 13, 14]


def test_a_line_that_fits_with_no_day_in_it_ends_the_day_before() -> None:
    second = MILL_SHEET.replace(b"20.03.2031", b"Thursday")
    readings = read_with(MILL_SHEET + second, MILL_PROFILE).readings
    assert list(readings["meter_time"].isna()) == [False] * 5 + [True] * 5


def test_the_unit_in_a_cell_against_the_scale_is_refused() -> None:
    extract = read_with(MILL_SHEET.replace(b"2376", b"237.6 V"), MILL_PROFILE)
    assert list(extract.refusals["reason"]) == ["unit conflict"]


def test_numbers_can_be_words() -> None:
    word = '[[word]]\ntext = "9999"\nmeans = "over range"\nquantity = "earth_fault_loop_impedance"\n'
    content = b"Day,Clock,A1\n2031-04-02,10:00,9999\n2031-04-02,10:01,0.41\n2031-04-02,10:02,void\n"
    extract = read_with(content, loop(end=word + '[[word]]\ntext = "void"\nmeans = "not measured"\n'))
    assert short(extract) == [
        "2: earth_fault_loop_impedance L-E over range", "3: earth_fault_loop_impedance L-E 0.41 Ohm",
    ]  # fmt: skip
    bound = word + 'above = "1.999"\nunit = "kOhm"\n'
    first = read_with(content, loop(end=bound)).readings.iloc[0]
    assert (first["value"], first["comparator"]) == (1999.0, "gt")


def test_other_columns_and_tables_are_read_with_rest_and_only_then() -> None:
    content = b"Day,Clock,A1,Polarity\n2031-04-02,10:00,0.41,ok\n\nDate,Time,Test,Value\n2031-04-02,11:00,Zs,0.5 ohm\n"
    assert short(read_with(content, loop())) == ["2: earth_fault_loop_impedance L-E 0.41 Ohm"]
    assert len(read_with(content, loop()).refusals) == 1
    assert short(read_with(content, loop('rest = "built-in"'))) == [
        "2: earth_fault_loop_impedance L-E 0.41 Ohm", "2: polarity correct",
        "5: earth_fault_loop_impedance L-E 0.5 Ohm",
    ]  # fmt: skip


def test_row_of_units_gives_the_unit_and_may_not_contradict() -> None:
    named = loop('rest = "built-in"', unit="").replace('"A1"', '"Loop"')
    content = b"Day,Clock,Loop\n,,kOhm\n2031-04-02,10:00,0.41\n"
    assert short(read_with(content, named)) == ["3: earth_fault_loop_impedance L-E 410.0 Ohm"]
    told = loop('rest = "built-in"').replace('"A1"', '"Loop"')
    refused = read_with(content, told)
    assert (len(refused.readings), list(refused.refusals["reason"])) == (0, ["ambiguous"])


def test_a_table_without_its_column_of_values_is_refused_not_passed_over() -> None:
    profile = loop().replace('headings = ["Day", "Clock", "A1"]', 'headings = ["Day", "Clock"]')
    extract = read_with(b"Day,Clock,B7\n2031-04-02,10:00,0.41\n", profile)
    assert (len(extract.readings), len(extract.refusals)) == (0, 2)


def test_zone_and_order_in_a_heading_hold_against_the_profile() -> None:
    profile = loop('zone = "Europe/London"\ndate_order = "dmy"').replace('"Clock"', '"Clock (UTC)"')
    profile = profile.replace('"Day"', '"Day (mm/dd/yyyy)"')
    content = b"Day (mm/dd/yyyy),Clock (UTC),A1\n07/04/2031,10:00,0.41\n"
    assert read_with(content, profile).readings["stamped_at"][0] == pd.Timestamp("2031-07-04T10:00Z")


def test_large_export_with_a_preamble_is_read_as_a_whole() -> None:
    row = b"1\t14:12:30\tMILL\tU1\t2376\n"
    content = b"mill sheet / MF-3110 / 20.03.2031\npos\tclock\twhere\twhat\tnumber\n" + row * 90_000
    content += b"mill sheet / MF-3110 / 21.03.2031\n" + row
    readings = read_with(content, MILL_PROFILE).readings
    assert len(readings) == 90_001
    assert (readings["meter_time"].iloc[0].day, readings["meter_time"].iloc[-1].day) == (20, 21)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|", "^"])
def test_a_profile_claims_its_headings_whatever_separates_them(mark: str) -> None:
    profile = load_profile(loop())
    assert profile.claims([f"note{mark}of", mark.join(("Day", '"Clock"', "A1", "more"))])  # type: ignore[attr-defined]
    assert not profile.claims([mark.join(("Day", "Clock"))])  # type: ignore[attr-defined]


def test_headings_below_each_other_are_claimed_by_texts() -> None:
    text = loop().replace('headings = ["Day", "Clock", "A1"]', 'contains = ["Day", "A1"]')
    assert load_profile(text).claims(["Day: 2031-04-02", "A1: 0.41"])  # type: ignore[attr-defined]
    assert not load_profile(text).claims(["Day: 2031-04-02"])  # type: ignore[attr-defined]
