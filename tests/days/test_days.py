"""Whole days, folder in and dataset out: what stands beside each sample is what comes out, twice the same bytes."""

from __future__ import annotations

import csv
import filecmp
import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from cli.__main__ import run

SAMPLES = Path(__file__).resolve().parents[2] / "sample_exports"
DAYS = sorted(path.parent for path in SAMPLES.glob("*/expected.toml"))


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module", params=DAYS, ids=lambda path: path.name)
def day(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The folder of one sample after it was run, and what we expect of it."""
    folder = tmp_path_factory.mktemp("days") / request.param.name
    shutil.copytree(request.param, folder, ignore=shutil.ignore_patterns("certificates"))
    expected = tomllib.loads((folder / "expected.toml").read_text(encoding="utf-8"))
    return folder, expected


def test_day_comes_out_as_expected(day: tuple[Path, dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
    folder, expected = day
    code = run(["run", str(folder), "--book", str(folder.parent / "book"), "--out", str(folder.parent / "out")])
    printed = capsys.readouterr()
    assert (code, printed.err) == (expected["exit_code"], "")
    assert max(len(line) for line in printed.out.splitlines()) <= 80 or str(folder.parent) in printed.out

    counts = re.findall(r"^(\S.*?)\s{2,}(\d+) records = (\d+) readings \+ (\d+) refusals", printed.out, re.MULTILINE)
    assert {name: [int(n) for n in numbers] for name, *numbers in counts} == expected["files"]
    assert all(int(a) == int(b) + int(c) for _, a, b, c in counts)

    out = folder.parent / "out"
    outcomes = {row["appliance_id"]: row["outcome"] for row in rows(out / "certificates.csv")}
    assert outcomes == {name: entry["outcome"] for name, entry in expected["certificates"].items()}
    found: dict[str, dict[str, list[str]]] = {}
    for row in rows(out / "findings.csv"):
        found.setdefault(row["appliance_id"], {}).setdefault(row["severity"], []).append(row["code"])
    for name, entry in expected["certificates"].items():
        for severity in ("danger", "defect", "query", "note"):
            assert sorted(set(found.get(name, {}).get(severity, []))) == sorted(entry.get(severity, [])), (
                name,
                severity,
            )
    of_the_day = sorted({code for codes in found.get("", {}).values() for code in codes})
    assert of_the_day == sorted(expected.get("day", []))


def test_twice_the_same_bytes(day: tuple[Path, dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
    folder, _ = day
    for name in ("first", "second"):
        run(["run", str(folder), "--book", str(folder.parent / f"book {name}"), "--out", str(folder.parent / name)])
    # and a third time into the first book
    run(["run", str(folder), "--book", str(folder.parent / "book first"), "--out", str(folder.parent / "third")])
    capsys.readouterr()
    names = sorted(
        path.relative_to(folder.parent / "first").as_posix()
        for path in (folder.parent / "first").rglob("*")
        if path.is_file()
    )
    assert "datapackage.json" in names
    for other in ("second", "third"):
        same, different, missing = filecmp.cmpfiles(
            folder.parent / "first", folder.parent / other, names, shallow=False
        )
        assert (different, missing) == ([], [])
        assert len(same) == len(names)


def test_every_reading_of_the_dataset_stands_in_the_export_where_it_says(
    day: tuple[Path, dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = day
    run(["run", str(folder), "--book", str(folder.parent / "book x"), "--out", str(folder.parent / "x")])
    capsys.readouterr()
    names = {row["sha256"]: row["original_name"] for row in rows(folder.parent / "x" / "evidence.csv")}
    readings = rows(folder.parent / "x" / "readings.csv")
    assert readings
    for row in readings:
        path = folder / names[row["evidence_sha256"]]
        if path.suffix == ".csv":
            line = re.split(r"\r\n|\n|\r", path.read_bytes().decode("utf-8-sig", "replace"))[int(row["record_no"]) - 1]
            assert row["raw_text"].lstrip("'") in line
