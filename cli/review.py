"""The open questions at the terminal, as a list, and answered from a list."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pandas as pd
import pyarrow as pa

from cli import pipeline
from cli.exit_codes import DONE, NEEDS_A_PERSON
from cli.text import cut, printable, printable_lines, wrapped
from ingest.book import Book
from ingest.decided import keep_decisions
from ingest.lists import parse_list
from reconcile.answers import Answer, decide
from reconcile.emit.csv_text import escape, unescape
from reconcile.open_questions import OpenQuestion, find_open_questions, reading_lines
from schemas.errors import InputError

COLUMNS: Final = ("question_id", "kind", "readings", "question", "candidates", "seen", "answer", "by", "why")
SHOWN_READINGS: Final = 12
Ask = Callable[[str], str]


def review(book: Book, *, ask: Ask = input) -> int:
    """Ask the open questions one by one; after each answer the rest is worked out again. 1 while any is open."""
    by = ""
    skipped: set[str] = set()
    while True:
        derived, questions, names = open_questions(book)
        left = [question for question in questions if question.question_id not in skipped]
        if not left:
            print("no question is open" if not questions else f"{len(questions)} questions stay open")
            return NEEDS_A_PERSON if questions else DONE
        question = left[0]
        print("\n".join(question_lines(question, derived, names, len(left))))
        said = ask("answer (a number, or a word as above; s skips, q ends): ").strip()
        if said in ("q", ""):
            return NEEDS_A_PERSON
        if said == "s":
            skipped.add(question.question_id)
            continue
        chosen = question.choices[int(said) - 1].answer if said.isdecimal() and 0 < int(said) <= len(
            question.choices
        ) else said  # fmt: skip
        by = ask(f"your name{f' ({by})' if by else ''}: ").strip() or by
        answer = Answer(question_id=question.question_id, answer=chosen, by=by, why=ask("how do you know: ").strip())
        if not keep(book, [answer], questions, derived):
            print("not taken; the question stays open\n")
        else:
            print("kept\n")


def list_questions(book: Book) -> int:
    """Print the open questions as CSV with empty columns for the answers. 1 where any is open."""
    derived, questions, names = open_questions(book)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for question in questions:
        offered = "; ".join(choice_text(choice.answer, choice.probability) for choice in question.choices)
        seen = " | ".join(seen_lines(derived, question, names, 5))
        cells = (question.question_id, question.kind, str(len(question.reading_ids)), question.text, offered, seen)
        writer.writerow([*escape(pa.array(cells, type=pa.large_string())).to_pylist(), "", "", ""])
    sys.stdout.write(text.getvalue())
    return NEEDS_A_PERSON if questions else DONE


def apply_answers(book: Book, path: Path) -> int:
    """Take the answers of a list; each fault is told with its line. 1 where a question is still open.

    Raises InputError where the list cannot be read.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError("the list cannot be read", where=str(path), seen=str(error.strerror)) from error
    found = parse_list(content, name=path.name, sha256="")
    missing = [name for name in ("question_id", "answer", "by", "why") if name not in found.headings]
    if missing:
        raise InputError(
            f"the list has no column {missing[0]!r}", where=f"{path.name} line 1", seen=", ".join(found.headings),
            advice="provebook review --list writes one with all columns",
        )  # fmt: skip
    answers = [
        Answer(
            **{name: unescape(row.cells[name]) for name in ("question_id", "answer", "by", "why")},
            where=f"{path.name} line {row.line}",
        )
        for row in found.rows
        if row.cells["answer"] or row.cells["question_id"].startswith("undo:")
    ]  # fmt: skip
    derived, questions, _ = open_questions(book)
    taken = keep(book, answers, questions, derived)
    still = len(open_questions(book)[1])
    print(f"{taken} of {len(answers)} answers taken; {still} questions open")
    return DONE if taken == len(answers) and not still else NEEDS_A_PERSON


def keep(book: Book, answers: list[Answer], questions: list[OpenQuestion], derived: pipeline.Derived) -> int:
    """Write the answers into the book as decisions; faults are told. How many were taken."""
    decisions, faults = decide(
        answers, questions, appliance_ids=set(derived.office.appliances["appliance_id"]), decided_at=datetime.now(UTC)
    )
    for fault in faults:
        print(f"error: {printable_lines(fault.sentence())}", file=sys.stderr)
    keep_decisions(book, decisions)  # also where there are none: what a killed process left is put right
    return len(decisions)


def open_questions(book: Book) -> tuple[pipeline.Derived, list[OpenQuestion], dict[str, str]]:
    """The book derived anew, its open questions, and the names of its evidence."""
    derived = pipeline.derive(book)
    names = dict(zip(derived.evidence["sha256"], derived.evidence["original_name"], strict=True))
    return derived, find_open_questions(derived.brief, derived.judged, names), names


def question_lines(question: OpenQuestion, derived: pipeline.Derived, names: dict[str, str], left: int) -> list[str]:
    """One question for a terminal of 80 columns."""
    lines = [f"{left} open; this one settles {len(question.reading_ids)} readings", *wrapped(question.text)]
    lines += [f"    {cut(line, 76)}" for line in seen_lines(derived, question, names, SHOWN_READINGS)]
    if len(question.reading_ids) > SHOWN_READINGS:
        lines.append(f"    and {len(question.reading_ids) - SHOWN_READINGS} more")
    for number, choice in enumerate(question.choices, 1):
        lines.append(
            cut(f"  {number}  {choice_text(choice.answer, choice.probability)}  {choice.meaning}", 80).rstrip()
        )
    return lines


def seen_lines(derived: pipeline.Derived, question: OpenQuestion, names: dict[str, str], shown: int) -> list[str]:
    """The first readings behind a question, one line each."""
    rows = reading_lines(derived.brief, question.reading_ids, names, shown).to_dict("records")
    return [
        "  ".join(
            str(part)
            for part in (
                f"{row['file']} {row['line']}",
                "" if pd.isna(row["meter_time"]) else f"{row['meter_time']:%Y-%m-%d %H:%M:%S}",
                "" if pd.isna(row["label"]) else printable(str(row["label"])),
                str(row["quantity"]).replace("_", " "),
                "" if pd.isna(row["conductors"]) else row["conductors"],
                printable(str(row["raw_text"])),
            )
            if part
        )
        for row in rows
    ]


def choice_text(answer: str, probability: float | None) -> str:
    """An answer with its probability, never shown as certain."""
    return answer if probability is None else f"{answer} {min(probability, 0.999):.1%}"
