"""Open questions: asked, listed, answered from a list; an answer is kept with who and why and settles what follows."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli import pipeline
from cli.__main__ import run
from cli.review import review
from ingest.book import Book
from ingest.decided import read_decisions

SAMPLE = Path(__file__).resolve().parents[2] / "sample_exports" / "plain_day"


@pytest.fixture
def book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A book of the plain day whose tester wrote dates as 05/04/2031 and whose labels are lost in the lounge."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path / "day"))
    path = folder / "multifunction.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("2031-04-02", "02/04/2031"), encoding="utf-8")
    run(["run", str(folder), "--book", str(tmp_path / "book"), "--out", str(tmp_path / "out"), "--no-pdf"])
    capsys.readouterr()
    return tmp_path / "book"


def listed(book: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, str]]:
    run(["review", "--list", "--book", str(book)])
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def applied(book: Path, rows: list[dict[str, str]], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    path = book.parent / "answers.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, ["question_id", "answer", "by", "why"], extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    code = run(["review", "--apply", str(path), "--book", str(book)])
    out = capsys.readouterr()
    return code, out.out, out.err


def dates_question(book: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    found = [row for row in listed(book, capsys) if row["kind"] == "dates"]
    assert len(found) == 1
    return found[0]


def test_an_answer_settles_what_follows(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    question = dates_question(book, capsys)
    assert question["readings"] == "29"
    assert question["question"] == "multifunction.csv: are its dates written with the day or with the month first?"
    assert {row["outcome"] for row in certificates(book)} != {"satisfactory"}
    answer = question | {"answer": "dmy", "by": "I. Tarrow", "why": "our meters are set to day first"}
    assert applied(book, [answer], capsys)[:2] == (0, "1 of 1 answers taken; 0 questions open\n")
    assert {row["outcome"] for row in certificates(book)} == {"satisfactory"}
    decision = read_decisions(Book(book)).iloc[0]
    assert (decision["kind"], decision["answer"], decision["by"]) == ("dates", "dmy", "I. Tarrow")


def test_a_later_decision_takes_it_back(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    question = dates_question(book, capsys)
    applied(book, [question | {"answer": "mdy", "by": "I. Tarrow", "why": "a slip"}], capsys)
    wrong = read_decisions(Book(book)).iloc[0]["decision_id"]
    code, out, _ = applied(
        book, [{"question_id": f"undo:{wrong}", "answer": "", "by": "I. Tarrow", "why": "it was the other one"}], capsys
    )
    assert code == 1
    assert out.startswith("1 of 1 answers taken; ")
    assert dates_question(book, capsys)["question_id"] == question["question_id"]
    assert len(read_decisions(Book(book))) == 2, "nothing is ever removed"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"answer": "ymd"}, "'ymd' is no answer to this question"),
        ({"by": " "}, "by is empty: a decision needs who and why"),
        ({"why": ""}, "why is empty: a decision needs who and why"),
        ({"question_id": "q-none"}, "no open question has this id"),
    ],
)
def test_answers_that_cannot_be_taken(
    change: dict[str, str], message: str, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = dates_question(book, capsys) | {"answer": "dmy", "by": "Ann", "why": "known"} | change
    code, out, err = applied(book, [answer], capsys)
    assert code == 1
    assert out.startswith("0 of 1 answers taken")
    assert err.startswith(f"error: answers.csv line 2: {message}\n")
    assert read_decisions(Book(book)).empty


def test_at_the_terminal(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said: Iterator[str] = iter(["1", "I. Tarrow", "our meters are set to day first"])
    assert review(Book(book), ask=lambda _: next(said)) == 0
    out = capsys.readouterr().out
    assert "this one settles 29 readings" in out
    assert "  1  dmy  day first" in out
    assert out.endswith("kept\n\nno question is open\n")
    assert max(len(line) for line in out.splitlines()) <= 80


def test_skipping_and_leaving(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert review(Book(book), ask=lambda _: "q") == 1
    said = iter(["s"] * 20)
    assert review(Book(book), ask=lambda _: next(said)) == 1
    assert "stay open" in capsys.readouterr().out
    assert read_decisions(Book(book)).empty


def certificates(book: Path) -> list[dict[str, object]]:
    return [dict(row) for row in pipeline.derive(Book(book)).judged.certificates.to_dict("records")]
