"""Recorded values beside the readings that may stand in their place."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from reconcile.audit.digits import rounds_to, same_number
from reconcile.audit.places import step_sizes
from schemas.audit import AGREEING

TEXTS: Final = ("appliance_id", "conductors", "step", "comparator", "indication")


def lay_out(recorded: pd.DataFrame) -> pd.DataFrame:
    """Recorded values with ``step_size``, ``day``, and empty text for null; the index counts the rows."""
    rows = recorded.reset_index(drop=True).copy()
    rows["step_size"] = step_sizes(rows["value"], rows["resolution"])
    rows["day"] = rows["recorded_on"].dt.normalize()
    for name in TEXTS:
        rows[name] = rows[name].fillna("")
    return rows


def pair_in_place(rows: pd.DataFrame, placed: pd.DataFrame) -> pd.DataFrame:
    """Every recorded value with every reading that may stand in its place: one row a pair.

    ``row``, ``place``, both values, and ``relation``: agrees, agrees within rounding, qualifier lost or added, differs.
    """
    columns = [
        "appliance_id",
        "quantity",
        "conductors",
        "step",
        "comparator",
        "indication",
        "value",
        "step_size",
        "day",
    ]
    left = rows.loc[rows["appliance_id"] != "", columns].rename_axis("row").reset_index()
    right = placed.loc[placed["appliance_id"] != "", [*columns, "governs"]].rename_axis("place").reset_index()
    pairs = left.merge(right, on=["appliance_id", "quantity"], suffixes=("", "_read"))
    fits = (pairs["conductors"] == "") | (pairs["conductors_read"] == "")
    fits |= pairs["conductors"] == pairs["conductors_read"]
    fits &= (pairs["step"] == "") | (pairs["step"] == pairs["step_read"])
    pairs = pairs[fits].reset_index(drop=True)
    pairs["same_day"] = (pairs["day"] == pairs["day_read"]) | pairs["day"].isna() | pairs["day_read"].isna()
    pairs["relation"] = _relations(pairs)
    return pairs


def _relations(pairs: pd.DataFrame) -> pd.Series:
    value, read = pairs["value"].to_numpy(dtype=float), pairs["value_read"].to_numpy(dtype=float)
    step, read_step = pairs["step_size"].to_numpy(dtype=float), pairs["step_size_read"].to_numpy(dtype=float)
    said, shown = pairs["comparator"], pairs["comparator_read"]
    exact = same_number(value, read) | ((pairs["indication"] != "") & (pairs["indication"] == pairs["indication_read"]))
    near = exact | rounds_to(read, read_step, value, step)
    relation = np.select(
        [
            exact & (said == shown),
            near & (said == shown),
            near & (said == "eq") & shown.isin(["gt", "lt"]),
            near & said.isin(["gt", "lt"]) & (shown == "eq"),
        ],
        ["agrees", "agrees within rounding", "qualifier lost", "qualifier added"],
        default="differs",
    )
    return pd.Series(relation, index=pairs.index, dtype="str")


def find_agreements(pairs: pd.DataFrame) -> pd.DataFrame:
    """The best agreeing pair of each recorded value that has one: one row each.

    An earlier reading agrees only where its retest is recorded as well, by another value.
    """
    sound = pairs[pairs["relation"].isin(AGREEING) & pairs["same_day"]]
    slot = ["appliance_id", "quantity", "conductors_read", "step_read"]
    told = pd.MultiIndex.from_frame(sound.loc[sound["governs"], slot])
    retest_told = pd.Series(pd.MultiIndex.from_frame(sound[slot]).isin(told), index=sound.index)
    several = sound.groupby(slot)["row"].transform("nunique") > 1
    accepted = sound[sound["governs"] | (retest_told & several)]
    order = accepted.sort_values(["row", "relation", "governs", "place"], ascending=[True, True, False, True])
    return order.drop_duplicates("row")
