"""Job list, attestations and meter register: what is certain is read, what is not is refused and named."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.book import Book
from ingest.jobs import find_list_kind, parse_office_list
from ingest.office import Office, read_office, take_office_files
from ingest.register import parse_register
from ingest.words import local_time_reason
from schemas.errors import InputError, ProvebookError

JOBS = "job_id,site,engineer,meter_serial,work_type,arrived,left,status\n"
APPLIANCES = "job_id,appliance_id,kind,location,label,earthing,device,device_rating_a,rcd_rated_ma,construction_class\n"
ATTESTATIONS = "appliance_id,item,value,at,by\n"
KINDS = {
    "jobs.csv": "job list",
    "appliances.csv": "appliance list",
    "attestations.csv": "attestations",
    "meters.toml": "meter register",
}


@pytest.fixture
def book(tmp_path: Path) -> Book:
    made = Book(tmp_path / "book")
    made.create()
    return made


def take(book: Book, folder: Path, **files: str) -> Office:
    """The office after one command took in these files (``jobs="..."`` is jobs.csv)."""
    folder.mkdir(exist_ok=True)
    batch = []
    for stem, content in files.items():
        path = folder / (f"{stem}.toml" if stem == "meters" else f"{stem}.csv")
        path.write_text(content, encoding="utf-8")
        batch.append((path, path.name, KINDS[path.name]))
    take_office_files(book, batch)
    return read_office(book)


def reasons(office: Office) -> list[tuple[int, str, str]]:
    rows = office.refusals.to_dict("records")
    return [(row["record_no"], str(row["column_name"]), row["reason"]) for row in rows]


def test_times_with_and_without_offset_become_utc(book: Book, tmp_path: Path) -> None:
    office = take(book, tmp_path / "in", jobs=JOBS + "J1,,,,service,2031-07-02T09:00,2031-07-02T10:00+02:00,attended\n")
    # Europe/London is one hour ahead of UTC in July (IANA zone database): 09:00 is 08:00 UTC, and so is 10:00+02:00.
    assert office.jobs.loc[0, "arrived_at"] == pd.Timestamp("2031-07-02T08:00Z")
    assert office.jobs.loc[0, "left_at"] == pd.Timestamp("2031-07-02T08:00Z")
    assert office.refusals.empty


@pytest.mark.parametrize(
    ("said", "words"),
    [("2031-03-30T01:30", "did not exist"), ("2031-10-26T01:30", "happened twice"), ("2031-10-26T02:30", "")],
)
def test_clock_changes_name_no_single_moment(said: str, words: str, book: Book, tmp_path: Path) -> None:
    # Source of the dates: European rule, last Sundays of March and October at 01:00 UTC (IANA zone database).
    office = take(book, tmp_path / "in", jobs=JOBS + f"J1,,,,service,{said},,attended\n")
    assert pd.isna(office.jobs.loc[0, "arrived_at"]) == bool(words)
    assert (words in " ".join(office.refusals["message"])) and (len(office.refusals) == bool(words))


def test_unknown_columns_are_carried_through(book: Book, tmp_path: Path) -> None:
    office = take(book, tmp_path / "in", jobs="job_id,site,status,order no\nJ1,9 Low Row,attended,=77\n")
    assert office.jobs.loc[0, "extra"] == '{"order no": "=77"}'


def test_unknown_earthing_word_is_unknown_and_refused(book: Book, tmp_path: Path) -> None:
    office = take(
        book, tmp_path / "in", jobs=JOBS + "J1,,,,service,,,attended\n",
        appliances=APPLIANCES + "J1,A1,boiler,,,TNCS,BS1362,3,,I\nJ1,A2,boiler,,,tn-c-s,bs1362,3 A,30 mA,I\n",
    )  # fmt: skip
    assert pd.isna(office.appliances.loc[0, "earthing"])
    assert office.appliances.loc[1, "earthing"] == "TN-C-S"
    assert office.appliances.loc[1, "device_rating_a"] == 3.0
    assert reasons(office) == [(2, "earthing", "unknown word")]


@pytest.mark.parametrize("rating", ["3,5", "-3", "0", "3 V", "three", "1e3", "３"])
def test_a_rating_that_is_no_plain_number_is_refused(rating: str, book: Book, tmp_path: Path) -> None:
    office = take(
        book, tmp_path / "in", jobs=JOBS + "J1,,,,service,,,attended\n",
        appliances=APPLIANCES + f'J1,A1,,,,TT,B,"{rating}",,I\n',
    )  # fmt: skip
    value = office.appliances.loc[0, "device_rating_a"]
    assert pd.isna(value) == bool(len(office.refusals))
    assert pd.isna(value) or value == 3.0


def test_two_different_rows_of_one_id_are_both_refused(book: Book, tmp_path: Path) -> None:
    office = take(
        book, tmp_path / "in",
        jobs=JOBS + "J1,here,,,service,,,attended\nJ1,there,,,service,,,attended\nJ2,,,,,,,\nJ2,,,,,,,\n",
    )  # fmt: skip
    assert list(office.jobs["job_id"]) == ["J2"]
    assert reasons(office) == [(2, "job_id", "duplicate id"), (3, "job_id", "duplicate id")]


def test_a_list_taken_in_later_replaces_entries(book: Book, tmp_path: Path) -> None:
    take(book, tmp_path / "a", jobs=JOBS + "J1,here,,,service,,,attended\n")
    office = take(book, tmp_path / "b", jobs=JOBS + "J1,there,,,service,,,attended\n")
    assert list(office.jobs["site"]) == ["there"]
    assert office.refusals.empty
    office = take(book, tmp_path / "a", jobs=JOBS + "J1,here,,,service,,,attended\n")
    assert list(office.jobs["site"]) == ["here"], "the one taken in last counts, also when it is an old one"


def test_entries_that_point_at_nothing_are_refused(book: Book, tmp_path: Path) -> None:
    office = take(
        book, tmp_path / "in", jobs=JOBS + "J1,,,,service,,,attended\n",
        appliances=APPLIANCES + "J9,A1,,,,,,,,\n", attestations=ATTESTATIONS + "A1,caution_notice,yes,,\n",
    )  # fmt: skip
    assert office.appliances.empty
    assert office.attestations.empty
    assert reasons(office) == [(2, "job_id", "unknown id"), (2, "appliance_id", "unknown id")]


def test_rows_of_the_wrong_length_are_refused_whole(book: Book, tmp_path: Path) -> None:
    office = take(book, tmp_path / "in", jobs=JOBS + "J1,2, Low Row,,,service,,,attended\nJ2\n")
    assert office.jobs.empty
    assert [row["raw_text"] for row in office.refusals.to_dict("records")] == [
        "J1,2, Low Row,,,service,,,attended", "J2",
    ]  # fmt: skip


def test_left_before_arrived_is_refused(book: Book, tmp_path: Path) -> None:
    office = take(book, tmp_path / "in", jobs=JOBS + "J1,,,,service,2031-07-02T09:00,2031-07-02T08:00,attended\n")
    assert pd.isna(office.jobs.loc[0, "arrived_at"])
    assert pd.isna(office.jobs.loc[0, "left_at"])
    assert reasons(office) == [(2, "left", "bad time")]


def test_lines_are_physical_also_after_a_cell_of_several_lines(book: Book, tmp_path: Path) -> None:
    office = take(book, tmp_path / "in", jobs=JOBS + 'J1,"1 Row\nTown",,,service,,,attended\nJ2,,,,bad,,,attended\n')
    assert list(office.jobs["record_no"]) == [2, 4]
    assert reasons(office) == [(4, "work_type", "unknown word")]


def test_attestation_words_and_amperes(book: Book, tmp_path: Path) -> None:
    office = take(
        book, tmp_path / "in", jobs=JOBS + "J1,,,,service,,,attended\n", appliances=APPLIANCES + "J1,A1,,,,,,,,\n",
        attestations=ATTESTATIONS
        + "A1,fuse_rating_a,3.0,,Ann\nA1,isolation_point_secured,taped,,Ann\nA1,mood,good,,Ann\nA1,caution_notice,,,\n",
    )  # fmt: skip
    assert list(zip(office.attestations["item"], office.attestations["value"], strict=True)) == [("fuse_rating_a", "3")]
    assert [reason for _, _, reason in reasons(office)] == ["unknown word", "unknown word", "missing value"]


def test_register_takes_good_meters_and_names_the_faults_of_others() -> None:
    meters, faults = parse_register(
        b"""
["MF-1"]
role = "multifunction tester"
calibrated_on = 2031-01-05
calibration_due = "2032-01-05"
["MF-1".earth_fault_loop_impedance]
percent_of_reading = 3
digits = "4"
resolution = "0.01"
range = ["0.2", 2000]
["MF-2"]
role = "multimeter"
zone = "Europe/Londn"
["MF-3"]
role = "proving unit"
[ "MF-3".accuracy.earth_loop ]
digits = 1
""",
        name="meters.toml",
    )
    spec = meters["MF-1"].accuracy["earth_fault_loop_impedance"]
    assert (spec.percent_of_reading, spec.digits, spec.bounds) == (3, 4, (0.2, 2000.0))
    assert set(faults) == {"MF-2", "MF-3"}
    assert "role" in faults["MF-2"]
    assert "no quantity is called 'earth_loop'" in faults["MF-3"]


@pytest.mark.parametrize("content", [b"\xff\xfea\x00", b"a=1\na=2", b"[x", b"a = 1\n"])
def test_register_that_is_no_register_is_told(content: bytes) -> None:
    try:
        meters, faults = parse_register(content, name="meters.toml")
        assert not meters
        assert faults
    except InputError as error:
        assert "meters.toml" in error.sentence()


def test_kinds_are_found_by_headings() -> None:
    assert find_list_kind(JOBS.encode()) == "job list"
    assert find_list_kind(APPLIANCES.encode("utf-8-sig")) == "appliance list"
    assert find_list_kind(ATTESTATIONS.replace(",", ";").encode()) == "attestations"
    assert find_list_kind(b"Record,Date,Time,Test,Value,Unit\n") is None
    assert find_list_kind(b"job_id,appliance_id,Zs (ohm)\n") is None
    assert find_list_kind("jób_id,site".encode("utf-16")) is None


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(max_size=300), st.text(max_size=200).map(lambda text: (JOBS + text).encode())))
def test_any_bytes_give_rows_refusals_or_our_error(content: bytes) -> None:
    book_zone = Book(Path("nowhere")).zone
    for kind in ("job list", "appliance list", "attestations"):
        try:
            parse_office_list(content, kind=kind, name="x.csv", sha256="0" * 64, zone=book_zone)
        except ProvebookError as error:
            assert "x.csv" in error.sentence()


def test_local_time_reason_agrees_with_the_zone_database() -> None:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    # America/New_York 2031: forward on 9 March 02:00, back on 2 November 02:00 (IANA zone database).
    zone = ZoneInfo("America/New_York")
    assert "did not exist" in local_time_reason(datetime(2031, 3, 9, 2, 30), zone)
    assert "happened twice" in local_time_reason(datetime(2031, 11, 2, 1, 30), zone)
    assert local_time_reason(datetime(2031, 11, 2, 3, 30), zone) == ""
