"""The open questions: what only a person knows, the answer that settles most readings first."""

from __future__ import annotations

import hashlib
import json
from typing import Final

import pandas as pd

from schemas.check import conform_table
from schemas.matches import Questions

SHOWN_CANDIDATES: Final = 4
STEP_OPEN: Final = "the appliance is clear, the step is not"


def find_questions(
    matches: pd.DataFrame, meter_serials: pd.Series, runs: pd.Series, candidates: dict[str, list[dict[str, object]]]
) -> pd.DataFrame:
    """The open questions (schema Questions) of matches in review, the one that settles most readings first.

    ``runs`` numbers the stretches of readings that one answer settles; ``meter_serials`` and ``runs`` have the rows of
    ``matches``; ``candidates`` are those of each reading id.
    """
    rows = []
    review = matches["match_status"] == "review"
    for _, group in matches[review].groupby(runs[review], sort=True):
        reading_ids = list(group["reading_id"])
        offered = _joined([candidates[reading_id] for reading_id in reading_ids])
        rows.append(
            {
                "question_id": question_id(reading_ids),
                "meter_serial": meter_serials[group.index[0]],
                "reading_ids": " ".join(reading_ids),
                "readings": len(reading_ids),
                "candidates": json.dumps(offered, ensure_ascii=False, sort_keys=True),
                "text": _text(len(reading_ids), offered),
            }
        )
    columns = [*Questions.to_schema().columns]
    table = pd.DataFrame(rows, columns=columns).sort_values(["readings", "question_id"], ascending=[False, True])
    return conform_table(Questions, table)


def question_id(reading_ids: list[str]) -> str:
    """The id of the question about these readings: the same readings always give the same id."""
    return "q-" + hashlib.sha256(" ".join(sorted(reading_ids)).encode()).hexdigest()[:12]


def _joined(candidates: list[list[dict[str, object]]]) -> list[dict[str, object]]:
    """The candidates of all readings of a question, each with its mean probability, most probable first."""
    total: dict[str, float] = {}
    first: dict[str, dict[str, object]] = {}
    for offered in candidates:
        for candidate in offered:
            name = str(candidate["appliance_id"])
            total[name] = total.get(name, 0.0) + float(str(candidate["probability"]))
            first.setdefault(name, candidate)
    ranked = sorted(total, key=lambda name: (-total[name], name))[:SHOWN_CANDIDATES]
    one_reading = len(candidates) == 1
    return [
        {
            "appliance_id": first[name]["appliance_id"],
            "step": first[name]["step"] if one_reading else None,
            "probability": round(total[name] / len(candidates), 4),
            "why": first[name]["why"],
        }
        for name in ranked
    ]


def _text(count: int, offered: list[dict[str, object]]) -> str:
    """The question in one sentence."""
    names = [str(candidate["appliance_id"]) for candidate in offered if candidate["appliance_id"]]
    those = "this reading" if count == 1 else f"these {count} readings"
    if len(names) == 1 and offered[0]["why"] == STEP_OPEN:
        return f"{names[0]}: before the work, dead or after it? Its step is open for {those}."
    verb = "does this reading" if count == 1 else f"do {those}"
    return f"Where {verb} belong: {', '.join([*names, 'or to none of them'])}?"
