"""A meter whose date is that of another day: readings of another visit are not taken for those of this one unasked."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest

from cli.__main__ import run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_exports" / "plain_day"


def day_of(tmp_path: Path, jobs: int, date: str) -> Path:
    """The plain day with its first ``jobs`` jobs only, its meters on another date."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path / "day"))
    listed = list(csv.DictReader((folder / "appliances.csv").read_text(encoding="utf-8").splitlines()))
    names = list(dict.fromkeys(row["job_id"] for row in listed))
    gone = [row for row in listed if row["job_id"] in names[jobs:]]
    marks = [text for row in gone for text in (row["job_id"], row["appliance_id"], row["label"])]
    for path in folder.glob("*.csv"):
        lines = path.read_text(encoding="utf-8").splitlines()
        text = "\n".join(line for line in lines if not any(mark in line for mark in marks)) + "\n"
        if path.name in ("multifunction.csv", "indicator.csv"):
            text = text.replace("2031-04-02", date)
        path.write_text(text, encoding="utf-8")
    return folder


def outcomes(folder: Path, tmp_path: Path) -> set[str]:
    out = tmp_path / "out"
    run(["run", str(folder), "--book", str(tmp_path / "book"), "--out", str(out), "--no-pdf"])
    with (out / "certificates.csv").open(encoding="utf-8", newline="") as stream:
        return {row["outcome"] for row in csv.DictReader(stream)}


@pytest.mark.parametrize("date", ["2031-03-26", "2030-04-02", "2031-04-09"])
def test_another_day_is_asked_about(date: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = day_of(tmp_path, 1, date)
    assert outcomes(folder, tmp_path) == {"incomplete"}
    capsys.readouterr()
    run(["review", "--list", "--book", str(tmp_path / "book")])
    asked = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert asked and len(asked) <= 2
    assert all(row["candidates"].startswith("A-101") for row in asked)
    answers = tmp_path / "answers.csv"
    with answers.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(asked[0]))
        writer.writeheader()
        writer.writerows(
            row | {"answer": "A-101", "by": "I. Tarrow", "why": "the meter was set a week wrong"} for row in asked
        )
    run(["review", "--apply", str(answers), "--book", str(tmp_path / "book")])
    assert outcomes(folder, tmp_path) == {"satisfactory"}


def test_a_date_wrong_at_every_job_is_a_wrong_date(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = day_of(tmp_path, 3, "2031-03-26")
    assert outcomes(folder, tmp_path) == {"satisfactory"}
    capsys.readouterr()
    run(["review", "--list", "--book", str(tmp_path / "book")])
    assert not list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
