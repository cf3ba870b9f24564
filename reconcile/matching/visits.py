"""The visits that the job list promises: when each was, with which meter, and its appliances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

USUAL_VISIT_S: Final = 75 * 60.0
"""How long a visit lasts where only one end of it is known (common practice)."""

DAY_S: Final = 24 * 3600.0
UNDATED_MARGIN_S: Final = 12 * 3600.0


@dataclass(frozen=True, kw_only=True)
class Visits:
    """The jobs of the list as arrays, sorted by ``low_s``; appliances as arrays with the place of their job.

    ``low_s`` to ``high_s`` [s since 1970]: the time the list gives, or a span borrowed from its neighbours in the list
    (``dated`` false), or NaN where there is none. ``attended`` false: no access or cancelled. ``serials`` are the
    meters named. ``order`` is the place in the list.
    """

    job_id: NDArray[np.object_]
    low_s: Numbers
    high_s: Numbers
    dated: NDArray[np.bool_]
    attended: NDArray[np.bool_]
    engineer: NDArray[np.object_]
    serials: list[frozenset[str]]
    order: Places
    appliance_id: NDArray[np.object_]
    appliance_job: Places
    appliance_label: NDArray[np.object_]
    appliance_words: NDArray[np.object_]
    appliances_of: list[Places]


def list_visits(jobs: pd.DataFrame, appliances: pd.DataFrame) -> Visits:
    """The visits of a job list (schemas Jobs, Appliances). Appliances of unknown jobs are left out."""
    table = jobs.assign(low_s=_seconds(jobs["arrived_at"]), high_s=_seconds(jobs["left_at"]))
    swapped = table["low_s"] > table["high_s"]
    table["low_s"], table["high_s"] = (
        table["low_s"].where(~swapped, table["high_s"]),
        table["high_s"].where(~swapped, table["low_s"]),
    )
    table["dated"] = table["low_s"].notna() | table["high_s"].notna()
    table["low_s"] = table["low_s"].fillna(table["high_s"] - USUAL_VISIT_S)
    table["high_s"] = table["high_s"].fillna(table["low_s"] + USUAL_VISIT_S)
    table = _borrow_times(table.sort_values(["sequence", "job_id"]))
    table = table.sort_values(["low_s", "sequence", "job_id"], na_position="last").reset_index(drop=True)
    place = {job_id: number for number, job_id in enumerate(table["job_id"])}
    known = appliances[appliances["job_id"].isin(place)].sort_values(["sequence", "appliance_id"])
    job_of = known["job_id"].map(place).to_numpy(dtype=np.int64)
    grouped = np.argsort(job_of, kind="stable")
    bounds = np.searchsorted(job_of[grouped], np.arange(len(table) + 1))
    return Visits(
        job_id=_texts(table["job_id"]),
        low_s=table["low_s"].to_numpy(),
        high_s=table["high_s"].to_numpy(),
        dated=table["dated"].to_numpy(),
        attended=~table["status"].isin(["no access", "cancelled"]).to_numpy(),
        engineer=_texts(table["engineer"]),
        serials=[frozenset(text.split()) for text in table["meter_serials"].fillna("")],
        order=table["sequence"].to_numpy(dtype=np.int64),
        appliance_id=_texts(known["appliance_id"]),
        appliance_job=job_of,
        appliance_label=_texts(known["label"]),
        appliance_words=_texts(known["location"].fillna("") + " " + known["kind"].fillna("")),
        appliances_of=[grouped[bounds[place] : bounds[place + 1]] for place in range(len(table))],
    )


def _borrow_times(table: pd.DataFrame) -> pd.DataFrame:
    """Jobs without any time take the span from the dated job before them in the list to the dated job after.

    Each list is read an engineer at a time, and the span is widened by half a day at either end, as the list is not
    always in the order of the day.
    """
    undated = ~table["dated"]
    if not undated.any():
        return table
    engineer = table["engineer"].fillna("")
    before = table["low_s"].groupby(engineer).ffill()
    after = table["high_s"].groupby(engineer).bfill()
    before = before.fillna(after - UNDATED_MARGIN_S)
    after = after.fillna(before + 2 * UNDATED_MARGIN_S)
    low, high = np.minimum(before, after) - UNDATED_MARGIN_S / 2, np.maximum(before, after) + UNDATED_MARGIN_S / 2
    return table.assign(low_s=table["low_s"].where(~undated, low), high_s=table["high_s"].where(~undated, high))


def _seconds(moments: pd.Series) -> Numbers:
    nanoseconds = moments.to_numpy(dtype="datetime64[ns]").astype(np.int64).astype(np.float64)
    return np.where(moments.isna().to_numpy(), np.nan, nanoseconds / 1e9)


def _texts(column: pd.Series) -> NDArray[np.object_]:
    return np.asarray(column.astype(object).where(column.notna(), None).to_numpy(), dtype=object)
