"""Readings that hang together in a way that measurements do not: repeated, too fast, all off by the same amount."""

from __future__ import annotations

import pandas as pd

from reconcile.pack import Pack


def find_repeated(numbers: pd.DataFrame, pack: Pack) -> list[pd.DataFrame]:
    """Groups of readings in which two or more appliances have exactly the same numbers throughout.

    Shape: ``numbers`` has ``reading_id``, ``appliance_id``, ``step``, ``value`` of readings with ``eq``. Zero says
    nothing; an appliance counts with at least as many numbers as the limit ``repeated_values``.
    """
    told = numbers[numbers["value"] > 0.0].sort_values(["appliance_id", "step", "value", "reading_id"])
    if told.empty:
        return []
    pairs = told["step"] + "=" + told["value"].astype("str")
    by_appliance = pairs.groupby(told["appliance_id"])
    whole = by_appliance.agg(" ".join)[by_appliance.size() >= pack.number("repeated_values")]
    same = whole[whole.duplicated(keep=False)]
    return [told[told["appliance_id"].isin(group.index)] for _, group in same.groupby(same, sort=True)]


def find_too_fast(timed: pd.DataFrame, pack: Pack) -> list[pd.DataFrame]:
    """Groups of different records of one meter that take time to measure and are stamped closer than they can be.

    Shape: ``timed`` has ``reading_id``, ``meter_serial``, ``evidence_sha256``, ``record_no``, ``quantity`` and
    ``taken_at``. Only meters that stamp seconds are looked at, and only loop, insulation, continuity and RCD tests.
    """
    slow = timed[timed["quantity"].isin(SLOW) & timed["taken_at"].notna() & timed["meter_serial"].notna()]
    finer = slow.groupby("meter_serial")["taken_at"].transform(lambda moments: (moments.dt.second != 0).any())
    records = slow[finer.astype(bool)].sort_values(["meter_serial", "taken_at", "evidence_sha256", "record_no"])
    first = records.drop_duplicates(["meter_serial", "evidence_sha256", "record_no"])
    gap = first.groupby("meter_serial")["taken_at"].diff().dt.total_seconds()
    close = gap < pack.number("fastest_test")
    runs = (~close).cumsum()
    hurried = close | close.groupby(first["meter_serial"]).shift(-1, fill_value=False)
    return [group for _, group in first[hurried].groupby(runs[hurried], sort=True)]


SLOW = ("earth_fault_loop_impedance", "insulation_resistance", "continuity_resistance", "rcd_trip_time")


def find_not_nulled(numbers: pd.DataFrame, pack: Pack) -> list[pd.DataFrame]:
    """Groups of continuity readings of one meter and day that all carry nearly the same large resistance.

    Shape: ``numbers`` has ``reading_id``, ``appliance_id``, ``meter_serial``, ``quantity``, ``value``, ``taken_at``.
    At least three appliances; cords differ, so readings that do not differ show what the leads add.
    """
    continuity = numbers[(numbers["quantity"] == "continuity_resistance") & numbers["taken_at"].notna()]
    found = []
    for _, group in continuity.groupby(["meter_serial", continuity["taken_at"].dt.date], sort=True):
        spread = group["value"].max() - group["value"].min()
        many = group["appliance_id"].nunique() >= pack.number("lead_offset_appliances")
        if many and group["value"].min() >= pack.number("lead_offset") and spread <= pack.number("lead_offset_spread"):
            found.append(group)
    return found
