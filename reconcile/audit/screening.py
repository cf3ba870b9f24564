"""Screening for made-up records: reasons to ask, never proof."""

from __future__ import annotations

from dataclasses import asdict
from typing import Final

import numpy as np
import pandas as pd

from reconcile.audit.screens.copies import screen_copies
from reconcile.audit.screens.digits import screen_digits
from reconcile.audit.screens.limits import screen_limits
from reconcile.audit.screens.row import ScreenRow
from reconcile.audit.screens.times import screen_times
from reconcile.audit.screens.triples import screen_triples
from schemas.audit import Screening
from schemas.check import conform_table

LEVEL: Final = 0.01
"""At most one honest dataset in a hundred rings, whatever the number of tests."""

UNKNOWN: Final = "engineer not known"


def screen_records(readings: pd.DataFrame, certificates: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Every test made on a dataset, the least likely first (schemas.audit.Screening).

    ``readings``, ``certificates``, ``checks``: tables of a dataset. Only matched readings are looked at.
    """
    people = certificates.drop_duplicates("appliance_id").set_index("appliance_id")[["engineer", "site"]]
    values = readings[readings["match_status"].isin(["auto", "decided"])].join(people, on="appliance_id")
    values = values.assign(
        engineer=values["engineer"].fillna(UNKNOWN),
        site=values["site"].fillna(values["job_id"]),
        step=values["step"].fillna(""),
        day=values["meter_time"].dt.normalize(),
    )
    numbers = values[values["value"].notna() & (values["comparator"] == "eq")]
    judged = checks.join(people["engineer"], on="appliance_id").assign(
        engineer=lambda table: table["engineer"].fillna(UNKNOWN)
    )
    rows = [
        *screen_digits(numbers),
        *screen_triples(numbers),
        *screen_copies(numbers),
        *screen_times(values),
        *screen_limits(judged),
    ]
    return ring(rows)


def ring(rows: list[ScreenRow]) -> pd.DataFrame:
    """The rows with their p-values corrected for their number, the least likely first."""
    table = pd.DataFrame([asdict(row) for row in rows], columns=[*ScreenRow.__dataclass_fields__])
    table["p_corrected"] = correct_holm(table["p_value"].to_numpy(dtype=float))
    table["rings"] = (table["p_corrected"] <= LEVEL) & table["large"].astype(bool)
    ordered = table.sort_values(["rings", "p_value", "screen", "subject"], ascending=[False, True, True, True])
    return conform_table(Screening, ordered)


def correct_holm(p_values: np.ndarray) -> np.ndarray:
    """P-values corrected for their number (Holm 1979): comparing with a level keeps the whole family at that level."""
    order = np.argsort(p_values, kind="stable")
    factors = np.arange(len(p_values), 0, -1)
    corrected = np.empty(len(p_values))
    corrected[order] = np.minimum(np.maximum.accumulate(p_values[order] * factors), 1.0)
    return corrected
