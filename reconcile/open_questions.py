"""Everything that only a person can answer, in one list: matches, unexplained retests, undecided dates.

The answer that settles most readings comes first.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Final

import pandas as pd

from reconcile.cases import UNDECIDED_DATES
from reconcile.tables import Brief, Judged
from schemas.steps import STEPS

STRAY: Final = "stray"
DATE_ORDERS: Final = {"dmy": "day first", "mdy": "month first"}
RETESTS: Final = {"accepted": "the later reading counts", "refused": "the worse reading counts"}


@dataclass(frozen=True, kw_only=True)
class Choice:
    """One possible answer: the word that is recorded, what it means, and its probability where there is one."""

    answer: str
    meaning: str
    probability: float | None = None


@dataclass(frozen=True, kw_only=True)
class OpenQuestion:
    """One open question. ``kind`` and ``subject`` are those of the decision that its answer becomes."""

    question_id: str
    kind: str
    subject: str
    text: str
    choices: tuple[Choice, ...]
    reading_ids: tuple[str, ...]


def find_open_questions(brief: Brief, judged: Judged, file_names: dict[str, str]) -> list[OpenQuestion]:
    """All open questions of a judged brief; ``file_names`` by SHA-256 of the evidence."""
    found = [*match_questions(brief), *retest_questions(brief, judged), *date_questions(brief, file_names)]
    return sorted(found, key=lambda question: (-len(question.reading_ids), question.question_id))


def match_questions(brief: Brief) -> list[OpenQuestion]:
    """Which appliance was measured."""
    kinds = brief.appliances.set_index("appliance_id")["kind"].to_dict()
    found = []
    for row in brief.questions.to_dict("records"):
        choices = [
            Choice(
                answer=str(one["appliance_id"] or STRAY),
                meaning=str(kinds.get(one["appliance_id"]) or "") if one["appliance_id"] else "none of them: a stray",
                probability=float(one["probability"]),
            )
            for one in json.loads(str(row["candidates"]))
        ]
        if STRAY not in {choice.answer for choice in choices}:
            choices.append(Choice(answer=STRAY, meaning="none of them: a stray"))
        ids = tuple(str(row["reading_ids"]).split())
        found.append(
            OpenQuestion(
                question_id=str(row["question_id"]), kind="match", subject=" ".join(ids), text=str(row["text"]),
                choices=tuple(choices), reading_ids=ids,
            )
        )  # fmt: skip
    return found


def retest_questions(brief: Brief, judged: Judged) -> list[OpenQuestion]:
    """Whether a better reading after a worse one counts."""
    steps = dict(zip(brief.matches["reading_id"], brief.matches["step"], strict=True))
    found = []
    for row in judged.findings[judged.findings["code"] == "retest_unexplained"].to_dict("records"):
        ids = tuple(str(row["reading_ids"]).split())
        checks = sorted({STEPS[str(steps[one])].check for one in ids if isinstance(steps.get(one), str)})
        for check in checks:
            subject = f"{row['appliance_id']}/{check}"
            found.append(
                OpenQuestion(
                    question_id=f"retest:{subject}", kind="retest", subject=subject,
                    text=f"{row['appliance_id']}: {row['message']} Does the retest count?",
                    choices=tuple(Choice(answer=word, meaning=meaning) for word, meaning in RETESTS.items()),
                    reading_ids=ids,
                )
            )  # fmt: skip
    return found


def date_questions(brief: Brief, file_names: dict[str, str]) -> list[OpenQuestion]:
    """Which order of day and month an export means where nothing in it says so."""
    undecided = brief.readings[brief.readings["time_reason"].fillna("").str.startswith(UNDECIDED_DATES)]
    found = []
    for sha256, rows in undecided.groupby("evidence_sha256", sort=True):
        name = file_names.get(str(sha256), str(sha256)[:16])
        found.append(
            OpenQuestion(
                question_id=f"dates:{sha256}", kind="dates", subject=str(sha256),
                text=f"{name}: are its dates written with the day or with the month first?",
                choices=tuple(Choice(answer=word, meaning=meaning) for word, meaning in DATE_ORDERS.items()),
                reading_ids=tuple(rows["reading_id"]),
            )
        )  # fmt: skip
    return found


def reading_lines(brief: Brief, reading_ids: tuple[str, ...], file_names: dict[str, str], shown: int) -> pd.DataFrame:
    """The first readings behind a question as people know them: file, line, time by the meter, label, what, value."""
    chosen = brief.readings.set_index("reading_id").loc[list(reading_ids[:shown])]
    return pd.DataFrame(
        {
            "file": chosen["evidence_sha256"].map(file_names).to_numpy(),
            "line": chosen["record_no"].to_numpy(),
            "meter_time": chosen["meter_time"].to_numpy(),
            "label": chosen["label"].to_numpy(),
            "quantity": chosen["quantity"].to_numpy(),
            "conductors": chosen["conductors"].to_numpy(),
            "raw_text": chosen["raw_text"].to_numpy(),
        }
    )
