"""From a meter to certificates: the job list of sample_exports/meter_day and the demo meter, as in the README."""

from __future__ import annotations

import csv
from pathlib import Path

from cli.__main__ import run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_exports" / "meter_day"


def outcomes(out):
    with (out / "checks.csv").open(encoding="utf-8", newline="") as stream:
        return [(row["appliance_id"], row["check"], row["outcome"], row["value"]) for row in csv.DictReader(stream)]


def test_a_day_read_from_a_meter_becomes_certificates(tmp_path, capsys):
    book, out = str(tmp_path / "book"), tmp_path / "out"
    assert run(["jobs", str(SAMPLE), "--book", book]) == 0
    assert run(["sync", "demo:lines", "--book", book]) == 0
    assert run(["certify", "--book", book, "--out", str(out)]) == 0
    with (out / "certificates.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["appliance_id"], row["outcome"]) for row in rows] == [
        ("A-201", "satisfactory"), ("A-202", "satisfactory"),
    ]  # fmt: skip
    assert {row["meter_serials"] for row in rows} == {"DL-2031-007"}
    assert run(["audit", str(out), "--book", book]) == 0
    # A second sync brings the overlap again; what was certified stays the same.
    before = outcomes(out)
    assert run(["sync", "demo:lines", "--book", book]) == 0
    assert run(["certify", "--book", book, "--out", str(tmp_path / "again")]) == 0
    assert outcomes(tmp_path / "again") == before


def test_the_commands_as_typed(tmp_path, capsys):
    book = str(tmp_path / "book")
    assert run(["clock", "demo:modbus", "--book", book]) == 0
    assert "the meter's clock is" in capsys.readouterr().out
    assert run(["sync", "nowhere:1", "--book", book]) == 2
    assert "no link to a meter" in capsys.readouterr().err
    assert run(["sync", "serial:/dev/nothing", "--profile", "demo-lines", "--book", book]) == 2
    assert "there is no such port" in capsys.readouterr().err
