"""Readings of the instrument that a record does not have."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from schemas.audit import AGREEING


def find_left_out(
    rows: pd.DataFrame, placed: pd.DataFrame, pairs: pd.DataFrame, *, explained: Collection[int]
) -> pd.DataFrame:
    """One row a reading left out, failing ones first (columns of schemas.audit.RecordedComparison).

    Looked at are the appliances that the record names, and those measured on a day that it names. Left out is a
    reading that governs its step where the record has nothing in its place although it records that quantity and
    pair elsewhere; and any failing reading that no recorded value gives, superseded or not. ``explained``: readings
    that a verdict names already.
    """
    in_scope = placed["appliance_id"].isin(set(rows["appliance_id"]) - {""})
    in_scope |= placed["day"].isin(rows["day"].dropna().unique()) & (placed["appliance_id"] != "")
    given = set(pairs.loc[pairs["relation"].isin(AGREEING) & pairs["same_day"], "place"]) | set(explained)
    free = in_scope & ~placed.index.isin(list(given))
    untold = free & placed["governs"] & _recorded_kind(rows, placed) & ~_place_taken(rows, placed)
    chosen = placed[untold | (free & placed["failing"])]
    chosen = chosen.sort_values(
        ["failing", "appliance_id", "evidence_sha256", "record_no"], ascending=[False, True, True, True]
    )
    superseded = chosen["failing"] & ~chosen["governs"]
    note = pd.Series("", index=chosen.index, dtype="str")
    note = note.mask(chosen["failing"], "it breaks a limit")
    note = note.mask(superseded, "it breaks a limit; a later reading of the same step stands in its place")
    return pd.DataFrame(
        {
            "verdict": "left out",
            "appliance_id": chosen["appliance_id"],
            "quantity": chosen["quantity"],
            "conductors": chosen["conductors"].where(chosen["conductors"] != ""),
            "reading_value": chosen["value"],
            "reading_id": chosen["reading_id"],
            "evidence_sha256": chosen["evidence_sha256"],
            "evidence_record_no": chosen["record_no"],
            "evidence_column": chosen["column_name"],
            "evidence_text": chosen["raw_text"],
            "evidence_appliance_id": chosen["appliance_id"],
            "failing": chosen["failing"],
            "note": note.where(note != ""),
        }
    ).reset_index(drop=True)


def _recorded_kind(rows: pd.DataFrame, placed: pd.DataFrame) -> pd.Series:
    """True for readings of a quantity and pair, and step where steps are told, that the record has anywhere."""
    told = rows[["quantity", "conductors", "step"]].drop_duplicates()
    result = pd.Series(False, index=placed.index)
    for quantity, pair, step in told.itertuples(index=False):
        fits = placed["quantity"] == quantity
        fits &= (placed["conductors"] == pair) if pair else True
        fits &= (placed["step"] == step) if step else True
        result |= fits
    return result


def _place_taken(rows: pd.DataFrame, placed: pd.DataFrame) -> pd.Series:
    """True for readings in whose place the record has a value, whichever it is."""
    result = pd.Series(False, index=placed.index)
    for with_pair in (True, False):
        for with_step in (True, False):
            part = rows[((rows["conductors"] != "") == with_pair) & ((rows["step"] != "") == with_step)]
            columns = [
                "appliance_id",
                "quantity",
                *(["conductors"] if with_pair else []),
                *(["step"] if with_step else []),
            ]
            taken = pd.MultiIndex.from_frame(part[columns])
            result |= pd.MultiIndex.from_frame(placed[columns]).isin(taken)
    return result
