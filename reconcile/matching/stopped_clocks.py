"""Clocks that stand still: many records that all bear one time. Such a time says nothing, not even of pauses."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FEWEST_RECORDS: Final = 8
"""One time on fewer records is no sign: a clock that shows minutes, a set of results that was saved at once."""

MOST_OF_A_KIND: Final = 4
"""A set of results saved at once holds a measurement before, during and after the work on one appliance, and a repeat;
more of one kind are the work on several (from the steps of the procedure)."""


def has_stopped(table: pd.DataFrame) -> NDArray[np.bool_]:
    """True for the rows of runs of records with one time that cannot all be of one moment.

    Shape: rows in the order of the memory with file (a number), time_s, record_no, label, kind.
    """
    same = table["file"].eq(table["file"].shift()) & table["time_s"].eq(table["time_s"].shift())
    run = (~same).cumsum()
    if not (run.groupby(run, sort=False).transform("size") >= FEWEST_RECORDS).any():
        return np.zeros(len(table), dtype=bool)
    rows = table.assign(run=run)
    by_run = rows.groupby("run", sort=False)
    of_kind = rows.groupby(["run", "kind"], sort=False)["kind"].transform("size")
    several = (of_kind.groupby(run).transform("max") > MOST_OF_A_KIND) | (by_run["label"].transform("nunique") > 1)
    long = by_run["record_no"].transform("nunique") >= FEWEST_RECORDS
    return np.asarray(long & several & table["time_s"].notna(), dtype=bool)
