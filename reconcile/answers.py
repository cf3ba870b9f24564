"""Answers of people to decisions: each answer is checked, none is taken in part."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from reconcile.open_questions import DATE_ORDERS, RETESTS, STRAY, OpenQuestion
from schemas.check import conform_table
from schemas.errors import InputError
from schemas.matches import Decisions
from schemas.steps import STEPS


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What a person answered to one question; ``where`` is the place of the answer, for messages."""

    question_id: str
    answer: str
    by: str
    why: str
    where: str = ""


def decide(
    answers: Sequence[Answer],
    questions: Sequence[OpenQuestion],
    *,
    appliance_ids: Collection[str],
    decided_at: datetime,
) -> tuple[pd.DataFrame, list[InputError]]:
    """The decisions (schemas.matches.Decisions) that the answers make, and what could not be taken.

    ``undo:<decision id>`` as a question takes an earlier decision back.
    """
    known = {question.question_id: question for question in questions}
    rows: list[dict[str, object]] = []
    faults: list[InputError] = []
    for answer in answers:
        fault = find_fault(answer, known, appliance_ids)
        if fault is not None:
            faults.append(fault)
            continue
        question = known.get(answer.question_id)
        kind = question.kind if question else "undo"
        subject = question.subject if question else answer.question_id.removeprefix("undo:")
        identity = "\n".join((kind, subject, answer.answer, answer.by, answer.why, decided_at.isoformat()))
        rows.append(
            {
                "decision_id": "d-" + hashlib.sha256(identity.encode()).hexdigest()[:12],
                "kind": kind,
                "subject": subject,
                "answer": answer.answer if question else "",
                "decided_at": pd.Timestamp(decided_at),
                "by": answer.by,
                "why": answer.why,
            }
        )
    table = pd.DataFrame(rows, columns=[*Decisions.to_schema().columns]).drop_duplicates("decision_id")
    table["decided_at"] = pd.to_datetime(table["decided_at"], utc=True)
    return conform_table(Decisions, table), faults


def find_fault(answer: Answer, known: dict[str, OpenQuestion], appliance_ids: Collection[str]) -> InputError | None:
    """Why an answer cannot be taken, or None."""
    for name, text in (("by", answer.by), ("why", answer.why)):
        if not text.strip():
            return InputError(
                f"{name} is empty: a decision needs who and why", where=answer.where, seen=answer.question_id
            )
    if answer.question_id.startswith("undo:"):
        return None
    question = known.get(answer.question_id)
    if question is None:
        return InputError(
            "no open question has this id", where=answer.where, seen=answer.question_id,
            advice="it may be settled already: provebook review --list shows the open ones",
        )  # fmt: skip
    allowed = {"retest": tuple(RETESTS), "dates": tuple(DATE_ORDERS)}.get(question.kind)
    if allowed is not None:
        fits = answer.answer in allowed
    else:
        appliance, _, step = answer.answer.partition("/")
        whole = answer.answer in appliance_ids or answer.answer == STRAY
        fits = whole or (appliance in appliance_ids and step in STEPS)
    if fits:
        return None
    return InputError(
        f"{answer.answer!r} is no answer to this question", where=answer.where, seen=question.text,
        advice=" or ".join(allowed) if allowed else "an appliance id of the job list, appliance_id/step, or stray",
    )  # fmt: skip
