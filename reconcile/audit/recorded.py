"""Values recorded by hand or by another system, each held against what the instrument said."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from reconcile.audit.elsewhere import indication_share, list_appliances, populate
from reconcile.audit.explain import Explanation
from reconcile.audit.in_place import find_agreements, lay_out, pair_in_place
from reconcile.audit.left_out import find_left_out
from reconcile.audit.mismatches import Answer, Known, explain_mismatches
from reconcile.audit.places import place_readings, share_that_agrees
from schemas.audit import AGREEING, RecordedComparison, RecordedValues
from schemas.check import check_table, conform_table


def compare_recorded(
    recorded: pd.DataFrame,
    readings: pd.DataFrame,
    *,
    zone: str = "UTC",
    failing: Collection[str] = (),
    certificates: pd.DataFrame | None = None,
    refused: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """A verdict on every recorded value, and every reading left out (schemas.audit.RecordedComparison).

    ``recorded``: schemas.audit.RecordedValues. ``readings``: the readings table of a dataset. ``zone``: in which the
    days of ``recorded`` are meant. ``failing``: ids of readings that break a limit (places.find_failing).
    ``certificates``: tells which appliances share a job or a place. ``refused``: schemas.readings.Refusals of the
    recorded table. Shape: one row a recorded value in order, one a refused cell, then one a reading left out.
    """
    check_table(RecordedValues, recorded)
    placed = place_readings(readings, zone=zone, failing=failing)
    rows = lay_out(recorded)
    pairs = pair_in_place(rows, placed)
    appliances = list_appliances(placed, certificates)
    known = Known(populations=populate(placed, appliances), indications=indication_share(placed), appliances=appliances)
    answers = find_answers(rows, pairs, known)
    named = frozenset(one.explanation.place for one in answers.values() if one.explanation.place is not None)
    table = pd.concat(
        [
            answer_table(rows, placed, answers, known),
            _refused_rows(refused),
            find_left_out(rows, placed, pairs, explained=named),
        ],
        ignore_index=True,
    )
    return conform_table(RecordedComparison, table)


def find_answers(rows: pd.DataFrame, pairs: pd.DataFrame, known: Known) -> dict[int, Answer]:
    """An answer for every recorded value: agreements by columns, the rest one by one."""
    agreed = find_agreements(pairs)
    answers = {
        int(row): Answer(explanation=Explanation(verdict=str(relation), weight=1.0, place=int(place)))
        for row, place, relation in zip(agreed["row"], agreed["place"], agreed["relation"], strict=True)
    }
    rest = rows.loc[rows.index.difference(pd.Index(list(answers), dtype="int64"))]
    return answers | explain_mismatches(rest, pairs, known)


def answer_table(rows: pd.DataFrame, placed: pd.DataFrame, answers: Mapping[int, Answer], known: Known) -> pd.DataFrame:
    """One row a recorded value, in order (columns of schemas.audit.RecordedComparison)."""
    explanations = [answers[row].explanation for row in range(len(rows))]
    verdicts = pd.Series([one.verdict for one in explanations], dtype="str")
    places = pd.Series([-1 if one.place is None else one.place for one in explanations], dtype="int64")
    chance = pd.Series([one.chance for one in explanations], dtype="float64")
    table = pd.DataFrame(
        {
            "verdict": verdicts,
            "recorded_record_no": rows["record_no"],
            "recorded_column_no": rows["column_no"],
            "recorded_column": rows["column_name"],
            "recorded_text": rows["raw_text"],
            "appliance_id": _null_if_empty(rows["appliance_id"]),
            "quantity": rows["quantity"],
            "conductors": _null_if_empty(rows["conductors"]),
            "recorded_value": rows["value"],
            "unit": rows["unit"],
            "probability": pd.Series([answers[row].probability for row in range(len(rows))], dtype="float64"),
            "chance": chance.fillna(chance_in_place(rows, verdicts, known)),
            "note": pd.Series([one.note for one in explanations], dtype="str"),
        }
    )
    return pd.concat([table, _evidence_columns(placed.reindex(places).reset_index(drop=True))], axis=1)


def chance_in_place(rows: pd.DataFrame, verdicts: pd.Series, known: Known) -> pd.Series:
    """The share of all readings of the quantity and pair that each value found in its place would agree with."""
    chance = pd.Series(np.nan, index=rows.index)
    in_place = rows[verdicts.isin([*AGREEING, "superseded by a retest"])]
    for keys, group in in_place[in_place["value"].notna()].groupby(["quantity", "conductors"]):
        quantity, pair = str(keys[0]), str(keys[1])
        population = known.populations.get((quantity, pair or "*"))
        if population is not None:
            shares = share_that_agrees(group["value"], group["step_size"], population.values)
            chance = chance.fillna(pd.Series(shares, index=group.index))
    shown = in_place[in_place["indication"] != ""]
    names = zip(shown["quantity"], shown["indication"], strict=True)
    shares_shown = [known.indications.get((str(quantity), str(name)), 0.0) for quantity, name in names]
    return chance.fillna(pd.Series(shares_shown, index=shown.index, dtype="float64"))


def _evidence_columns(read: pd.DataFrame) -> pd.DataFrame:
    """The columns of a verdict that point at its reading; null where there is none."""
    return pd.DataFrame(
        {
            "reading_value": read["value"],
            "reading_id": read["reading_id"],
            "evidence_sha256": read["evidence_sha256"],
            "evidence_record_no": read["record_no"].astype("Int64"),
            "evidence_column": read["column_name"],
            "evidence_text": read["raw_text"],
            "evidence_appliance_id": _null_if_empty(read["appliance_id"]),
            "failing": read["failing"].eq(True),
        }
    )


def _null_if_empty(texts: pd.Series) -> pd.Series:
    return texts.where(texts.fillna("") != "")


def _refused_rows(refused: pd.DataFrame | None) -> pd.DataFrame:
    """One row a cell of the recorded table that could not be read."""
    if refused is None or refused.empty:
        return pd.DataFrame()
    return pd.DataFrame(
        {
            "verdict": "not readable",
            "recorded_record_no": refused["record_no"],
            "recorded_column": refused["column_name"],
            "recorded_text": refused["raw_text"],
            "failing": False,
            "note": refused["message"],
        }
    )
