"""``profile suggest`` and ``profile check`` at the terminal: what goes where, and the exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.__main__ import run

BACKLOG = Path(__file__).resolve().parents[2] / "sample_exports" / "office_backlog"
MILL = BACKLOG / "week 12" / "mill sheet.txt"
TUESDAY = BACKLOG / "week 12" / "tuesday.csv"


def test_suggested_profile_goes_to_standard_output_and_can_be_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["profile", "suggest", str(TUESDAY)]) == 0
    out = capsys.readouterr()
    assert out.err == "with this draft: 5 readings, 0 refusals (5 and 0 without a profile)\n"
    path = tmp_path / "tuesday.toml"
    path.write_text(out.out, encoding="utf-8")
    assert run(["profile", "check", str(path)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "can be used claims a file whose first 100 lines hold one row with Record, Date, Time" in told


def test_draft_with_gaps_asks_a_person_and_fails_its_check_with_those_gaps(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mill.toml"
    assert run(["profile", "suggest", str(MILL), "--out", str(path)]) == 1
    out = capsys.readouterr()
    asked = [line.split(": ")[1] for line in out.err.splitlines() if line.startswith("fill in: ")]
    assert [one.split(", ")[1] for one in asked] == [
        "test.shell.quantity", "test.U1.quantity", "test.U2.quantity", "test.U3.quantity", "test.loop.unit",
    ]  # fmt: skip
    assert out.out.startswith(f"written: {path}\nline 3: quiet refused, unknown quantity")
    assert max(len(line) for line in out.out.splitlines()[1:]) <= 80
    assert run(["profile", "check", str(path)]) == 2
    told = capsys.readouterr().err
    assert told.startswith(f"error: {path}: the profile has 5 faults\n")
    assert all(one in told for one in asked)


def test_an_older_file_is_never_replaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("mine", encoding="utf-8")
    assert run(["profile", "suggest", str(TUESDAY), "--out", str(path)]) == 2
    assert path.read_text(encoding="utf-8") == "mine"
    assert capsys.readouterr().err == (
        f"error: {path}: there is a file of this name already\n  try: choose another --out\n"
    )


def test_results_for_machines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", "suggest", str(MILL), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["readings"], told["refusals"], len(told["to_fill_in"])) == (0, 5, 5)
    (tmp_path / "p.toml").write_text(told["profile"], encoding="utf-8")
    assert run(["profile", "check", str(tmp_path / "p.toml"), "--json"]) == 2
    checked = json.loads(capsys.readouterr().out)
    assert checked["usable"] is False
    assert [fault["key"] for fault in checked["faults"]] == [gap["key"] for gap in told["to_fill_in"]]


def test_what_cannot_be_read_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", "suggest", str(tmp_path / "none.csv")]) == 2
    assert "the export cannot be read" in capsys.readouterr().err
    assert run(["profile", "check", str(tmp_path / "none.toml")]) == 2
    assert "the profile cannot be read" in capsys.readouterr().err
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    assert run(["profile", "check", str(tmp_path / "bytes.toml")]) == 2
    assert "the profile cannot be read" in capsys.readouterr().err
    assert run(["profile", "check"]) == 2
    assert capsys.readouterr().err == "error: name a profile: provebook profile check FILE\n"


def test_profiles_that_come_with_the_program_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", "check", "--samples"]) == 0
    told = capsys.readouterr().out
    assert all(
        name in told for name in ("harbour-long (csv)", "quayside-wide (csv)", "demo-lines (lines)", "demo-gatt")
    )
    assert run(["profile", "check", "--samples", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["demo-scpi"][0] == "scpi"


def test_a_suggested_profile_reads_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "exports"
    folder.mkdir()
    (folder / "tuesday.csv").write_bytes(TUESDAY.read_bytes())
    assert run(["profile", "suggest", str(TUESDAY), "--out", str(folder / "tuesday.toml")]) == 0
    capsys.readouterr()
    assert run(["import", str(folder), "--book", str(tmp_path / "book"), "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert [(row["profile"], row["readings"], row["refusals"]) for row in files] == [("tuesday", 5, 0)]
