"""Whether the meter behind each reading was in calibration on the day of the test."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from reconcile.pack import Pack

PROVED_INSTEAD: Final = ("voltage indicator", "non-contact detector", "proving unit")
"""Instruments that are proved on a known source before and after use; a calibration day is not asked of them."""


def calibration_states(readings: pd.DataFrame, meters: pd.DataFrame, jobs: pd.DataFrame, pack: Pack) -> pd.Series:
    """``in``, ``expired``, ``unknown``, ``not registered`` or ``not needed`` for each reading, with its index.

    Shape: ``readings`` has ``meter_serial``, ``taken_at``, ``job_id`` and ``value``. A reading without a time is taken
    on the day its job began. The due day itself still counts. Indications, and numbers of instruments that are proved
    instead, need no calibration; given dates count all the same.
    """
    table = readings[["meter_serial", "taken_at", "job_id", "value"]].merge(
        meters[["meter_serial", "role", "calibrated_on", "calibration_due", "zone"]].assign(registered=True),
        on="meter_serial",
        how="left",
    )
    registered = table["registered"].notna()
    began = table[["job_id"]].merge(jobs[["job_id", "arrived_at"]], on="job_id", how="left")["arrived_at"]
    day = local_days(table["taken_at"].fillna(began), table["zone"])
    interval = pd.Timedelta(days=pack.number("calibration_interval"))
    due = table["calibration_due"].fillna(table["calibrated_on"] + interval)
    known = day.notna() & due.notna()
    expired = known & ((day > due) | (table["calibrated_on"].notna() & (day < table["calibrated_on"])))
    proved = table["role"].isin(PROVED_INSTEAD)
    states = np.select(
        [~registered, table["value"].isna(), expired, known, proved],
        ["not registered", "not needed", "expired", "in", "not needed"],
        default="unknown",
    )
    return pd.Series(states, index=readings.index)


def local_days(moments: pd.Series, zones: pd.Series) -> pd.Series:
    """The local day (midnight, no offset) of each moment in the zone of its meter; UTC where none is given."""
    days: pd.Series = moments.dt.tz_localize(None).dt.normalize()
    for zone in zones.dropna().unique():
        here = zones == zone
        days[here] = moments[here].dt.tz_convert(ZoneInfo(str(zone))).dt.tz_localize(None).dt.normalize()
    return days
