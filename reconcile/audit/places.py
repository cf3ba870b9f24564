"""The instrument's side of a comparison: every reading with its day, its place and whether a later one replaced it."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd

from reconcile.audit.digits import last_digit_step
from schemas.steps import STEPS

PLACE = ["appliance_id", "quantity", "conductors", "step"]


def place_readings(readings: pd.DataFrame, *, zone: str, failing: Collection[str]) -> pd.DataFrame:
    """Readings laid out for comparison, one row each, in their order.

    Adds ``day`` (local day in ``zone``, from the corrected time, else from the meter's), ``step_size`` (one step of
    the last digit), ``governs`` (no later reading of the same appliance, step and pair), ``failing``. Null text
    becomes empty. The appliance of a match that is under review counts as unknown.
    """
    placed = readings[["reading_id", "evidence_sha256", "record_no", "column_name", "raw_text", "quantity"]].copy()
    sure = readings["match_status"].isin(["auto", "decided"])
    placed["appliance_id"] = readings["appliance_id"].where(sure).fillna("")
    placed["step"] = readings["step"].where(sure).fillna("")
    for name in ("conductors", "comparator", "indication", "reason"):
        placed[name] = readings[name].fillna("")
    placed["value"] = readings["value"]
    placed["step_size"] = step_sizes(readings["value"], readings["resolution"])
    corrected = readings["taken_at"].dt.tz_convert(zone).dt.tz_localize(None)
    placed["day"] = corrected.fillna(readings["meter_time"]).dt.normalize()
    placed["governs"] = _governs(placed, readings["taken_at"].fillna(readings["meter_time"].dt.tz_localize("UTC")))
    placed["failing"] = placed["reading_id"].isin(list(failing))
    return placed.reset_index(drop=True)


def step_sizes(values: pd.Series, resolutions: pd.Series) -> pd.Series:
    """One step of the last digit of each value: as told, else by its shortest decimal."""
    told = resolutions.astype("float64")
    guessed = values[told.isna() & values.notna()].map(last_digit_step)
    return told.fillna(guessed)


def _governs(placed: pd.DataFrame, moments: pd.Series) -> pd.Series:
    """True for the last reading of each place, and for readings without a place."""
    order = pd.DataFrame(
        {"moment": moments, "sha": placed["evidence_sha256"], "record": placed["record_no"], **placed[PLACE]}
    ).sort_values(["moment", "sha", "record"], na_position="first", kind="stable")
    last = ~order.duplicated(PLACE, keep="last")
    known = (order["appliance_id"] != "") & (order["step"] != "")
    return (last | ~known).reindex(placed.index)


def find_failing(readings: pd.DataFrame, checks: pd.DataFrame) -> frozenset[str]:
    """Ids of the readings that break the limits of a check, superseded ones too.

    The limits of a check are those of its governing reading, the first of its ``reading_ids``: they are applied to
    readings of the same appliance, check, quantity and pair. A reading that governs an unsatisfactory check fails
    as well, limits or not (an indication, for example).
    """
    governing = checks.assign(reading_id=checks["reading_ids"].str.split().str[0]).dropna(subset=["reading_id"])
    same = ["appliance_id", "check", "quantity", "conductors"]
    fed = readings.assign(
        check=readings["step"].map({step.name: step.check for step in STEPS.values()}),
        conductors=readings["conductors"].fillna(""),
    )
    limits = governing[["reading_id", "check", "limit_low", "limit_high"]].merge(
        fed[["reading_id", "appliance_id", "quantity", "conductors"]], on="reading_id"
    )
    joined = fed.merge(limits.drop(columns="reading_id"), on=same)
    low = (joined["value"] < joined["limit_low"]) & (joined["comparator"] != "gt")
    high = (joined["value"] > joined["limit_high"]) & (joined["comparator"] != "lt")
    at_bound = (joined["value"] == joined["limit_high"]) & (joined["comparator"] == "gt")
    bad = governing.loc[governing["outcome"] == "unsatisfactory", "reading_id"]
    return frozenset({*joined.loc[low | high | at_bound, "reading_id"], *bad})


def share_that_agrees(values: pd.Series, steps: pd.Series, population: np.ndarray) -> np.ndarray:
    """The share of ``population`` (sorted numbers) that each value would agree with, rounding included."""
    if not len(population):
        return np.zeros(len(values))
    middle, half = values.to_numpy(dtype=float), steps.to_numpy(dtype=float) / 2
    low = np.searchsorted(population, middle - half * (1 - 1e-6), side="left")
    high = np.searchsorted(population, middle + half * (1 - 1e-6), side="right")
    return np.asarray((high - low) / len(population))
