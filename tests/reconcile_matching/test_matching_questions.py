"""Two appliances that nothing tells apart are asked about; one answer settles what follows; answers can be undone."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.decisions import active_decisions, decided_readings
from schemas.matches import Decisions
from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import SimulatedBook, Style, simulate_book, table_of


def twins() -> SimulatedBook:
    """A day of visits with appliances alike: no labels listed, none typed."""
    style = Style(jobs_a_day=(2, 2), more_appliances=0.5, label_missing=1.0, label_unlisted=1.0, no_access=0.0)
    for seed in range(100):
        book = simulate_book(np.random.default_rng(seed), style)
        if sorted(book.appliances.groupby("job_id").size()) == [1, 2] and not book.appliances["rcd_rated_ma"].any():
            return book
    raise AssertionError("no such day drawn")


def decision(number: int, subject: str, answer: str, kind: str = "match") -> dict[str, object]:
    moment = pd.Timestamp("2031-06-01T10:00:00Z") + pd.Timedelta(minutes=number)
    return {
        "decision_id": f"d{number}", "kind": kind, "subject": subject, "answer": answer, "decided_at": moment,
        "by": "A. Tester", "why": "looked at the job sheet",
    }  # fmt: skip


def test_appliances_that_cannot_be_told_apart_are_asked_about() -> None:
    book = twins()
    result = match_book(book)
    pair = book.appliances.groupby("job_id")["appliance_id"].apply(list)
    both = set(next(names for names in pair if len(names) == 2))
    true = pd.Series({name: truth[1] for name, truth in book.truth.items() if truth})
    asked = result.matches.set_index("reading_id").loc[true[true.isin(both)].index]
    assert (asked["match_status"] == "review").all()
    assert asked["match_confidence"].between(0.4, 0.6).all()
    alone = result.matches.set_index("reading_id").loc[true[~true.isin(both)].index]
    assert (alone["match_status"] == "auto").mean() > 0.9
    offered = json.loads(result.questions["candidates"].iloc[0])
    assert {candidate["appliance_id"] for candidate in offered} >= both


def test_one_answer_settles_the_other_appliance() -> None:
    book = twins()
    question = match_book(book).questions.iloc[0]
    first = question["reading_ids"].split()
    truth = book.truth[first[0]]
    assert truth is not None
    told = [name for name in first if book.truth[name] == (truth[0], truth[1], book.truth[name][2])]  # type: ignore[index]
    decisions = table_of(Decisions, [decision(1, " ".join(told), truth[1])])
    after = match_book(book, decisions).matches.set_index("reading_id")
    assert (after.loc[told, "match_status"] == "decided").all()
    assert (after.loc[told, "appliance_id"] == truth[1]).all()
    other = [name for name, true in book.truth.items() if true and true[0] == truth[0] and true[1] != truth[1]]
    assert (after.loc[other, "match_confidence"] > 0.9).all()
    assert all(after.loc[name, "appliance_id"] == book.truth[name][1] for name in other)  # type: ignore[index]


def test_a_stray_can_be_decided() -> None:
    book = twins()
    name = book.sightings["reading_id"].iloc[0]
    row = match_book(book, table_of(Decisions, [decision(1, name, "stray")])).matches.iloc[0]
    assert (row["match_status"], row["match_confidence"]) == ("decided", 1.0)
    assert pd.isna(row["appliance_id"])


def test_a_decision_about_an_appliance_that_is_gone_settles_nothing() -> None:
    book = twins()
    name = book.sightings["reading_id"].iloc[0]
    row = match_book(book, table_of(Decisions, [decision(1, name, "no such appliance")])).matches.iloc[0]
    assert row["match_status"] != "decided"


def test_later_answers_win_and_undone_ones_do_not_count() -> None:
    rows = [decision(1, "r1 r2", "A1"), decision(2, "r2", "A2/dead_ln"), decision(3, "r3", "stray")]
    decided = decided_readings(table_of(Decisions, rows)).set_index("reading_id")
    assert decided.loc["r1", "appliance_id"] == "A1"
    assert (decided.loc["r2", "appliance_id"], decided.loc["r2", "step"]) == ("A2", "dead_ln")
    assert pd.isna(decided.loc["r3", "appliance_id"])
    undone = table_of(Decisions, [*rows, decision(4, "d2", "", kind="undo")])
    assert decided_readings(undone).set_index("reading_id").loc["r2", "appliance_id"] == "A1"
    redone = table_of(Decisions, [*rows, decision(4, "d2", "", kind="undo"), decision(5, "d4", "", kind="undo")])
    assert decided_readings(redone).set_index("reading_id").loc["r2", "appliance_id"] == "A2"


def test_of_two_answers_about_a_file_the_later_counts() -> None:
    rows = [decision(1, "a" * 64, "dmy", kind="dates"), decision(2, "a" * 64, "mdy", kind="dates")]
    assert list(active_decisions(table_of(Decisions, rows))["answer"]) == ["mdy"]


def test_the_same_question_keeps_its_name() -> None:
    book = twins()
    assert list(match_book(book).questions["question_id"]) == list(match_book(replace(book)).questions["question_id"])
