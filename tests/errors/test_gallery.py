"""The gallery of errors: the smallest input, what is said about it, the exit code. Never a traceback, nothing lost."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from cli.__main__ import run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_exports" / "plain_day"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to work in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PROVEBOOK_BOOK", raising=False)
    return tmp_path


@pytest.fixture
def day(here: Path) -> Path:
    """A copy of the plain day that a case may spoil."""
    return Path(
        shutil.copytree(SAMPLE, here / "day", ignore=shutil.ignore_patterns("certificates"), dirs_exist_ok=True)
    )


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = run(list(arguments))
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    return code, out.out, out.err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["run", "nowhere"], "error: nowhere: there is no such file or folder\n  try: check the path\n"),
        (
            ["reconcile"],
            "error: book: there is no book\n  try: take something in first: provebook import\n",
        ),
        (
            ["certify", "--book", "elsewhere"],
            "error: elsewhere: there is no book\n  try: take something in first: provebook import\n",
        ),
    ],
)
def test_what_is_not_there(arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert told(capsys, *arguments) == (2, "", message)
    assert not Path("book").exists()


def test_empty_folder(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "empty").mkdir()
    assert told(capsys, "run", "empty") == (
        2, "",
        "error: empty: nothing here can be taken in\n"
        "  try: a folder with exports (.csv and others) and a job list (jobs.csv, appliances.csv)\n",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("option", "message"),
    [
        (["--zone", "Mars"], "error: no such time zone: 'Mars'\n  try: an IANA name such as Europe/London or UTC\n"),
        (["--date-order", "ymd"], "error: no such order of day and month: 'ymd'\n  try: dmy or mdy\n"),
        (["--tables", "xml"], "error: no such kind of tables: 'xml'\n  try: one of csv, parquet, both\n"),
    ],
)
def test_words_of_the_operator_that_cannot_be(
    option: list[str], message: str, day: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = told(capsys, "run", "day", *option)
    assert (code, out, err) == (2, "", message)
    assert not (day / "certificates").exists()


def test_no_profile_of_that_name(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = told(capsys, "run", "day", "--profile", "nobody")
    assert (code, out) == (2, "")
    assert "there is no profile 'nobody'" in err


def test_unknown_command_and_missing_argument(capsys: pytest.CaptureFixture[str]) -> None:
    assert told(capsys, "prove")[0] == 2
    assert told(capsys, "run")[0] == 2


def test_folder_without_a_job_list_keeps_the_readings(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("jobs.csv", "appliances.csv", "attestations.csv"):
        (day / name).unlink()
    code, out, err = told(capsys, "run", "day")
    assert (code, err) == (1, "")
    assert "No job list: nothing says what was meant to be tested, so no certificate is made." in out
    readings = (day / "certificates" / "readings.csv").read_text(encoding="utf-8").splitlines()
    assert len(readings) == 1 + 29 + 28
    assert (day / "certificates" / "certificates.csv").read_text(encoding="utf-8").count("\n") == 1


def test_export_that_nothing_can_read_is_refused_line_by_line(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (day / "shopping.csv").write_text("Part,Shelf\nflue seal,B2\n", encoding="utf-8")
    code, out, err = told(capsys, "run", "day")
    assert (code, err) == (1, "")
    assert "shopping.csv                        2 records = 0 readings + 2 refusals" in out
    assert "multifunction.csv                   29 records = 29 readings + 0 refusals" in out


def test_unknown_earthing_is_refused_and_never_passes(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = day / "appliances.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("TN-C-S", "PNE"), encoding="utf-8")
    code, out, err = told(capsys, "run", "day")
    assert (code, err) == (1, "")
    assert "earthing 'PNE' is none of TN-S, TN-C-S," in out
    rows = (day / "certificates" / "certificates.csv").read_text(encoding="utf-8").splitlines()
    assert [row for row in rows if ",A-101," in row and ",incomplete," in row]


def test_duplicate_ids_and_appliance_without_a_job(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with (day / "jobs.csv").open("a", encoding="utf-8") as stream:
        stream.write("J-101,elsewhere,,,service,,,attended\n")
    with (day / "appliances.csv").open("a", encoding="utf-8") as stream:
        stream.write("J-999,A-900,boiler,,,TN-S,BS1362,3,,I\n")
    code, out, err = told(capsys, "run", "day")
    assert (code, err) == (1, "")
    text = " ".join(out.split())
    assert "jobs.csv line 2: job_id J-101 stands for different entries (jobs.csv line 2, jobs.csv line 5)" in text
    refusals = (day / "certificates" / "refusals.csv").read_text(encoding="utf-8")
    assert "appliance A-900 belongs to job J-999, which is not in the job list" in refusals
    certificates = (day / "certificates" / "certificates.csv").read_text(encoding="utf-8")
    assert "A-900" not in certificates
    assert "A-102" in certificates


def test_register_that_is_no_toml(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (day / "meters.toml").write_text('["MF-2207"\n', encoding="utf-8")
    code, out, err = told(capsys, "run", "day")
    assert code == 2
    assert err.startswith("error: meters.toml: the meter register is not TOML\n")
    assert "28 records = 28 readings + 0 refusals" in out
    assert (day / "certificates" / "index.html").exists()


def test_job_list_with_wrong_headings(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (day / "jobs.csv").write_text("number,place\nJ-101,here\n", encoding="utf-8")
    code, out, err = told(capsys, "run", "day")
    assert code == 2
    assert err.startswith("error: jobs.csv line 1: the job list has no column 'job_id'\n  number, place\n")
    assert "28 records = 28 readings + 0 refusals" in out


def test_book_that_is_a_file_or_something_else(day: Path, here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "file").write_text("x", encoding="utf-8")
    code, _, err = told(capsys, "run", "day", "--book", "file")
    assert (code, err.splitlines()[0]) == (2, "error: file: cannot write into the book")
    (here / "folder").mkdir()
    (here / "folder" / "letter.txt").write_text("x", encoding="utf-8")
    code, _, err = told(capsys, "run", "day", "--book", "folder")
    assert (code, err.splitlines()[0]) == (2, "error: folder: the folder holds something else than a book")
    assert (here / "folder" / "letter.txt").read_text(encoding="utf-8") == "x"


def test_out_that_holds_other_files_is_left_alone(day: Path, here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "mine").mkdir()
    (here / "mine" / "letter.txt").write_text("x", encoding="utf-8")
    code, _, err = told(capsys, "run", "day", "--out", "mine")
    assert code == 2
    assert "the folder holds files that this program did not write; nothing was changed" in err
    assert sorted(os.listdir(here / "mine")) == ["letter.txt"]


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions do not bind the administrator")
def test_no_permission(day: Path, here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (day / "multifunction.csv").chmod(0)
    code, out, err = told(capsys, "run", "day")
    assert code == 2
    assert "the file cannot be read" in err
    assert "indicator.csv                       28 records = 28 readings + 0 refusals" in out
    (here / "locked").mkdir(mode=0o500)
    assert told(capsys, "run", "day", "--book", "locked/book")[0] == 2


def test_file_that_cannot_be_read_never_stops_the_rest(
    day: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened = Path.open

    def denied(path: Path, *arguments: object, **named: object) -> object:
        if path.name == "multifunction.csv":
            raise PermissionError(13, "Permission denied")
        return opened(path, *arguments, **named)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", denied)
    code, out, err = told(capsys, "run", "day")
    assert code == 2
    assert err == (
        f"error: {Path('day') / 'multifunction.csv'}: the file cannot be read\n  Permission denied\n"
        "  try: check that you may read it; everything else was taken in\n"
    )
    assert "indicator.csv                       28 records = 28 readings + 0 refusals" in out


def test_control_characters_never_reach_the_terminal(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = day / "jobs.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("Oxenholt", "Ox\x1b[2J\u202eenholt"), encoding="utf-8")
    _, out, _ = told(capsys, "run", "day")
    assert "Ox\\x1b[2J\\u202eenholt" in out
    assert "\x1b" not in out


def test_our_own_faults_are_owned(
    day: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*arguments: object, **named: object) -> None:
        raise ZeroDivisionError("inside")

    monkeypatch.setattr("cli.pipeline.derive", broken)
    code, _, err = told(capsys, "run", "day")
    assert code == 3
    assert err.startswith("error: a fault of provebook, not yours: ZeroDivisionError: inside\n")


def test_closed_pipe_is_no_error(day: Path) -> None:
    program = f"{sys.executable} -m cli run day | head -1"
    finished = subprocess.run(
        program, shell=True, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": str(SAMPLE.parents[1])},
    )  # fmt: skip
    assert finished.stderr == ""
    assert "28 records" in finished.stdout
