"""A person's decisions: which of them count, and what they say about each reading."""

from __future__ import annotations

from typing import Final

import pandas as pd

from schemas.check import conform_table
from schemas.matches import Decisions

STRAY: Final = "stray"


def active_decisions(decisions: pd.DataFrame) -> pd.DataFrame:
    """The decisions that still count, oldest first (schema Decisions).

    A decision is undone by a later ``undo`` that names it; an ``undo`` can itself be undone, which brings the first one
    back. Later rows win where two are about the same subject: among ``match`` decisions that is settled reading by
    reading (``decided_readings``), for the other kinds the earlier row is dropped here.
    """
    table = decisions.sort_values(["decided_at", "decision_id"], kind="stable").reset_index(drop=True)
    undone: set[str] = set()
    for row in table[table["kind"] == "undo"].iloc[::-1].itertuples():
        if row.decision_id not in undone:
            undone.add(str(row.subject))
    counts = table[~table["decision_id"].isin(undone) & (table["kind"] != "undo")]
    superseded = (counts["kind"] != "match") & counts.duplicated(["kind", "subject"], keep="last")
    return conform_table(Decisions, counts[~superseded])


def decided_readings(decisions: pd.DataFrame) -> pd.DataFrame:
    """What was decided about each reading: the last answer that counts.

    Shape: one row a reading, key ``reading_id``; ``decision_id``, ``appliance_id`` (null: belongs nowhere), ``step``
    (null: left to the matcher), ``by``, ``why``.
    """
    active = active_decisions(decisions)
    rows = [
        {
            "reading_id": reading_id,
            "decision_id": row.decision_id,
            "by": row.by,
            "why": row.why,
            **_answer(str(row.answer)),
        }
        for row in active[active["kind"] == "match"].itertuples()
        for reading_id in str(row.subject).split()
    ]
    columns = ["reading_id", "decision_id", "by", "why", "appliance_id", "step"]
    return pd.DataFrame(rows, columns=columns, dtype="str").drop_duplicates("reading_id", keep="last")


def _answer(answer: str) -> dict[str, str | None]:
    """``appliance_id``, ``appliance_id/step`` or ``stray``, taken apart."""
    if answer == STRAY:
        return {"appliance_id": None, "step": None}
    appliance_id, _, step = answer.rpartition("/") if "/" in answer else (answer, "", "")
    return {"appliance_id": appliance_id, "step": step or None}
