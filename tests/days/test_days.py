"""Whole days, folder in and dataset out: what stands beside each sample is what comes out, twice the same bytes."""

from __future__ import annotations

import csv
import filecmp
import gzip
import hashlib
import io
import re
import shutil
import tomllib
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from cli.__main__ import run
from schemas.findings import SEVERITIES

SAMPLES = Path(__file__).resolve().parents[2] / "sample_exports"
DAYS = sorted(path.parent for path in SAMPLES.glob("*/expected.toml"))


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@dataclass(frozen=True)
class Day:
    """One sample as it was run: into a book, into a second book, and once more into the first."""

    folder: Path
    expected: dict[str, Any]
    exit_codes: list[int]
    printed: str
    complaints: str

    def out(self, name: str) -> Path:
        """The dataset ``first``, ``second`` or ``third``."""
        return self.folder.parent / name


@pytest.fixture(scope="module", params=DAYS, ids=lambda path: path.name)
def day(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Day:
    folder = tmp_path_factory.mktemp("days") / request.param.name
    shutil.copytree(request.param, folder, ignore=shutil.ignore_patterns("certificates"))
    codes, printed, complaints = [], io.StringIO(), io.StringIO()
    with redirect_stdout(printed), redirect_stderr(complaints):
        for out, book in (("first", "book"), ("second", "another book"), ("third", "book")):
            codes.append(
                run(["run", str(folder), "--book", str(folder.parent / book), "--out", str(folder.parent / out)])
            )
    expected = tomllib.loads((folder / "expected.toml").read_text(encoding="utf-8"))
    return Day(folder, expected, codes, printed.getvalue().split("\ndataset: ")[0], complaints.getvalue())


def test_day_comes_out_as_expected(day: Day) -> None:
    assert (day.exit_codes, day.complaints) == ([day.expected["exit_code"]] * 3, "")
    assert max(len(line) for line in day.printed.splitlines()) <= 80

    counts = re.findall(r"^(\S.*?)\s{2,}(\d+) records = (\d+) readings \+ (\d+) refusals", day.printed, re.MULTILINE)
    assert {name: [int(n) for n in numbers] for name, *numbers in counts} == day.expected["files"]
    assert all(int(a) == int(b) + int(c) for _, a, b, c in counts)

    outcomes = {row["appliance_id"]: row["outcome"] for row in rows(day.out("first") / "certificates.csv")}
    assert outcomes == {name: entry["outcome"] for name, entry in day.expected["certificates"].items()}
    found: dict[str, dict[str, set[str]]] = {}
    for row in rows(day.out("first") / "findings.csv"):
        found.setdefault(row["appliance_id"], {}).setdefault(row["severity"], set()).add(row["code"])
    for name, entry in day.expected["certificates"].items():
        planted = {severity: set(entry[severity]) for severity in SEVERITIES if severity in entry}
        assert found.get(name, {}) == planted, name
    of_the_day = {code for codes in found.get("", {}).values() for code in codes}
    assert of_the_day == set(day.expected.get("day", []))


def test_the_same_input_gives_the_same_bytes(day: Day) -> None:
    names = sorted(
        path.relative_to(day.out("first")).as_posix() for path in day.out("first").rglob("*") if path.is_file()
    )
    assert {"datapackage.json", "index.html", "readings.csv"} <= set(names)
    for other in ("second", "third"):
        same, different, missing = filecmp.cmpfiles(day.out("first"), day.out(other), names, shallow=False)
        assert (different, missing) == ([], [])
        assert len(same) == len(names)


def test_every_reading_of_the_dataset_stands_in_the_export_where_it_says(day: Day) -> None:
    evidence = {row["sha256"]: row["original_name"] for row in rows(day.out("first") / "evidence.csv")}
    readings = rows(day.out("first") / "readings.csv")
    assert readings
    for row in readings:
        path = day.folder / evidence[row["evidence_sha256"]]
        content = path.read_bytes()
        assert hashlib.sha256(content).hexdigest() == row["evidence_sha256"]
        text = (gzip.decompress(content) if path.suffix == ".gz" else content).decode("utf-8")
        assert row["raw_text"].removeprefix("'") in text.split("\n")[int(row["record_no"]) - 1]


def test_the_matcher_never_sees_a_value(tmp_path: Path) -> None:
    """Promise 1: values exchanged between readings of the same kind change no match at all."""
    folder = Path(shutil.copytree(SAMPLES / "plain_day", tmp_path / "day"))
    before = match_columns(folder, tmp_path / "before")
    path = folder / "multifunction.csv"
    lines = path.read_text(encoding="utf-8").split("\n")
    cells = [line.split(",") for line in lines]
    voltages = [row for row in cells if len(row) == 7 and row[6] == "V"]
    for row, value in zip(voltages, [row[5] for row in voltages][::-1], strict=True):
        row[5] = value
    path.write_text("\n".join(",".join(row) for row in cells), encoding="utf-8")
    after = match_columns(folder, tmp_path / "after")
    assert sorted(before) == sorted(after)
    assert path.read_text(encoding="utf-8") != "\n".join(lines)


def match_columns(folder: Path, out: Path) -> list[tuple[str, ...]]:
    """Where each reading of the tester went, without its value."""
    run(["run", str(folder), "--book", str(out) + " book", "--out", str(out), "--no-pdf"])
    names = ("meter_serial", "memory_no", "job_id", "appliance_id", "step", "match_confidence", "match_status")
    return [tuple(row[name] for name in names) for row in rows(out / "readings.csv")]
