"""The unit in which an export states a number makes no difference to any verdict: whole days through the command."""

from __future__ import annotations

import csv
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cli.__main__ import run

HEAD = "Serial number,MF-1\nZone,Europe/London\n\nRecord,Date,Time,Label,Test,Result,Unit\n"
JOBS = (
    "job_id,site,engineer,meter_serial,work_type,arrived,left,status\n"
    "J1,Pump Yard,T. Alder,MF-1,installation,2031-04-02T08:55,2031-04-02T10:00,attended\n"
)
APPLIANCES = (
    "job_id,appliance_id,kind,location,label,earthing,device,device_rating_a,rcd_rated_ma,construction_class\n"
    "J1,A1,boiler,loft,LOFT,TN-S,BS1362,3,30,I\n"
)
METERS = """["MF-1"]
role = "multifunction tester"
calibrated_on = 2031-01-01
calibration_due = 2032-01-01
zone = "Europe/London"
"""
POWERS = {
    "V": {"V": 0, "mV": 3, "kV": -3},
    "ohm": {"ohm": 0, "kohm": -3},
    "Mohm": {"Mohm": 0, "kohm": 3, "ohm": 6, "Gohm": -3},
    "ms": {"ms": 0, "s": -3},
}
"""Unit to other units with the power of ten that a number takes on in them."""


def decimals(low: str, high: str, places: int) -> st.SearchStrategy[Decimal]:
    return st.decimals(Decimal(low), Decimal(high), places=places, allow_nan=False, allow_infinity=False)


DAY: list[tuple[str, str, str | st.SearchStrategy[Decimal], str]] = [
    ("09:01:00", "Non-contact voltage", "absent", ""),
    ("09:02:00", "Voltage L-N", decimals("200", "260", 1), "V"),
    ("09:02:20", "Voltage L-E", decimals("200", "260", 1), "V"),
    ("09:02:40", "Voltage N-E", decimals("0", "20", 1), "V"),
    ("09:03:30", "Earth fault loop impedance", decimals("0.05", "20", 2), "ohm"),
    ("09:04:10", "RCD x1", decimals("5", "400", 1), "ms"),
    ("09:10:00", "Proving unit", "present", ""),
    ("09:10:30", "Voltage L-N", decimals("0", "60", 1), "V"),
    ("09:10:45", "Voltage L-E", decimals("0", "60", 1), "V"),
    ("09:11:00", "Voltage N-E", decimals("0", "60", 1), "V"),
    ("09:11:30", "Proving unit", "present", ""),
    ("09:14:00", "Earth continuity E-case", decimals("0", "2", 2), "ohm"),
    ("09:16:00", "Insulation LN-E", decimals("0.1", "200", 2), "Mohm"),
    ("09:40:00", "Voltage L-N", decimals("200", "260", 1), "V"),
    ("09:40:20", "Voltage L-E", decimals("200", "260", 1), "V"),
    ("09:40:40", "Voltage N-E", decimals("0", "20", 1), "V"),
]
Row = tuple[str, str, str, str]


@st.composite
def days(draw: st.DrawFn) -> tuple[list[Row], list[Row]]:
    """One day in plain units, and the same in units drawn row by row."""
    plain: list[Row] = []
    other: list[Row] = []
    for time, test, result, unit in DAY:
        if isinstance(result, str):
            plain.append((time, test, result, unit))
            other.append((time, test, result, unit))
            continue
        value = draw(result)
        named = draw(st.sampled_from(sorted(POWERS[unit])))
        plain.append((time, test, f"{value:f}", unit))
        other.append((time, test, f"{value.scaleb(POWERS[unit][named]):f}", named))
    return plain, other


def checks_of(rows: list[Row], place: Path) -> list[dict[str, str]]:
    """The checks that come out of a folder with these records, without the ids of readings."""
    folder = place / "day"
    folder.mkdir(parents=True)
    lines = [f"{number},2031-04-02,{time},LOFT,{test},{result},{unit}" for number, (time, test, result, unit) in
             enumerate(rows, start=1)]  # fmt: skip
    (folder / "tester.csv").write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    for name, text in (("jobs.csv", JOBS), ("appliances.csv", APPLIANCES), ("meters.toml", METERS)):
        (folder / name).write_text(text, encoding="utf-8")
    assert run(["run", str(folder), "--book", str(place / "book"), "--out", str(place / "out"), "--no-pdf"]) == 1
    with (place / "out" / "checks.csv").open(encoding="utf-8", newline="") as stream:
        return [{name: cell for name, cell in row.items() if name != "reading_ids"} for row in csv.DictReader(stream)]


def compare_units(pair: tuple[list[Row], list[Row]], place: Path) -> None:
    plain, other = checks_of(pair[0], place / "plain"), checks_of(pair[1], place / "other")
    assert sum(row["value"] != "" for row in plain) >= 6
    assert plain == other


SLOW = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@given(pair=days())
@settings(max_examples=3, **SLOW)
def test_the_unit_of_input_does_not_matter(pair: tuple[list[Row], list[Row]],
                                           tmp_path_factory: pytest.TempPathFactory) -> None:  # fmt: skip
    compare_units(pair, tmp_path_factory.mktemp("units"))


@pytest.mark.slow
@given(pair=days())
@settings(max_examples=30, **SLOW)
def test_the_unit_of_input_does_not_matter_many_times(pair: tuple[list[Row], list[Row]],
                                                      tmp_path_factory: pytest.TempPathFactory) -> None:  # fmt: skip
    compare_units(pair, tmp_path_factory.mktemp("units"))
