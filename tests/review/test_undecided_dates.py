"""Dates that may have the day or the month first: nothing is judged until somebody has said which day it was."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest

from cli.__main__ import run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_exports" / "plain_day"
METERS = ("multifunction.csv", "indicator.csv")


def day_of(tmp_path: Path, names: tuple[str, ...]) -> Path:
    """The plain day, the dates of those meters written so that nothing settles which is the day."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path / "day"))
    for name in names:
        path = folder / name
        path.write_text(path.read_text(encoding="utf-8").replace("2031-04-02", "02/04/2031"), encoding="utf-8")
    return folder


def outcomes(folder: Path, tmp_path: Path, *words: str) -> set[str]:
    out = tmp_path / "out"
    run(["run", str(folder), "--book", str(tmp_path / "book"), "--out", str(out), "--no-pdf", *words])
    with (out / "certificates.csv").open(encoding="utf-8", newline="") as stream:
        return {row["outcome"] for row in csv.DictReader(stream)}


@pytest.mark.parametrize("names", [METERS, METERS[:1], METERS[1:]])
def test_no_certificate_is_satisfactory_before_the_dates_are_settled(
    names: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = day_of(tmp_path, names)
    assert "satisfactory" not in outcomes(folder, tmp_path)
    capsys.readouterr()
    run(["review", "--list", "--book", str(tmp_path / "book")])
    asked = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    dates = [row for row in asked if row["kind"] == "dates"]
    assert len(dates) == len(names)
    answers = tmp_path / "answers.csv"
    with answers.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(asked[0]))
        writer.writeheader()
        said = {"answer": "dmy", "by": "I. Tarrow", "why": "both meters were set here"}
        writer.writerows(row | said for row in dates)
    run(["review", "--apply", str(answers), "--book", str(tmp_path / "book")])
    assert outcomes(folder, tmp_path) == {"satisfactory"}


def test_the_operators_word_settles_them(tmp_path: Path) -> None:
    assert outcomes(day_of(tmp_path, METERS), tmp_path, "--date-order", "dmy") == {"satisfactory"}
