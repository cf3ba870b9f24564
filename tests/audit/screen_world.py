"""Invented months of several engineers: honest ones, and ones who make their records up in one way each.

Spreads are common practice for a domestic round, from memory. What matters for the screens: supply voltages of one day
and district hang together, values are drawn anew for each appliance, and time passes between readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

STEPS = {
    # step: quantity, pair, resolution, check
    "supply_ln": ("voltage", "L-N", 0.1),
    "supply_le": ("voltage", "L-E", 0.1),
    "supply_ne": ("voltage", "N-E", 0.1),
    "earth_loop": ("earth_fault_loop_impedance", "L-E", 0.01),
    "rcd_trip": ("rcd_trip_time", None, 1e-4),
    "earth_continuity": ("continuity_resistance", "R2", 0.01),
    "insulation": ("insulation_resistance", "LN-E", 1e4),
}
LOOP_LIMIT_OHM = 1.37


@dataclass
class Month:
    readings: pd.DataFrame
    certificates: pd.DataFrame
    checks: pd.DataFrame


def honest_month(seed: int, *, engineers: int = 4, jobs: int = 60) -> Month:
    rng = np.random.default_rng(seed)
    count = engineers * jobs
    engineer = np.repeat(np.arange(engineers), jobs)
    day = np.tile(np.arange(jobs) // 6, engineers)
    supply = rng.normal(239, 2.5, (engineers, jobs))[engineer, day] + rng.normal(0, 1.2, count)
    neutral = np.abs(rng.normal(0.4, 0.4, count))
    loop = np.exp(rng.normal(-0.9, 0.5, count))
    resistance = np.exp(rng.normal(4, 1.2, count)) * 1e6
    ceiling = (rng.random(count) < 0.4) | (resistance > 999e6)
    drawn = {
        "supply_ln": supply, "supply_le": supply - neutral + rng.normal(0, 0.2, count), "supply_ne": neutral,
        "earth_loop": loop, "rcd_trip": rng.uniform(0.012, 0.038, count),
        "earth_continuity": np.exp(rng.normal(-2.2, 0.6, count)) + 0.02,
        "insulation": np.where(ceiling, 999e6, resistance),
    }  # fmt: skip
    start = np.tile(540 * 60 + (np.arange(jobs) % 6) * 3900, engineers) + rng.integers(0, 900, count)
    spent = np.cumsum(rng.gamma(2.0, 25.0, (count, len(STEPS))) + 6, axis=1)
    parts = []
    for place, (step, (quantity, pair, resolution)) in enumerate(STEPS.items()):
        moment = pd.Timestamp("2031-04-01") + pd.to_timedelta(day, unit="D")
        moment += pd.to_timedelta(np.round(start + spent[:, place]), unit="s")
        parts.append(pd.DataFrame({
            "appliance_id": [f"A{number}" for number in range(count)], "step": step, "quantity": quantity,
            "conductors": pair, "value": np.round(drawn[step] / resolution) * resolution, "resolution": resolution,
            "comparator": np.where(ceiling & (step == "insulation"), "gt", "eq"), "meter_time": moment,
            "meter_serial": [f"M{number}" for number in engineer],
        }))  # fmt: skip
    readings = pd.concat(parts, ignore_index=True)
    readings["reading_id"] = [f"R{number}" for number in range(len(readings))]
    readings["job_id"] = "J" + readings["appliance_id"].str[1:]
    readings["match_status"] = "auto"
    certificates = pd.DataFrame({
        "appliance_id": [f"A{number}" for number in range(count)],
        "engineer": [f"engineer {number}" for number in engineer],
        "site": [f"{number} Invented Row" for number in range(count)],
    })  # fmt: skip
    return Month(readings, certificates, pd.DataFrame()).judged()  # type: ignore[attr-defined]


def judged(month: Month) -> Month:
    """The month with its loop check, made from the readings as they now stand."""
    loop = month.readings[month.readings["step"] == "earth_loop"]
    month.checks = pd.DataFrame({
        "appliance_id": loop["appliance_id"], "check": "earth_fault_loop", "value": loop["value"],
        "comparator": loop["comparator"], "limit_low": np.nan, "limit_high": LOOP_LIMIT_OHM,
        "reading_ids": loop["reading_id"],
    }).reset_index(drop=True)  # fmt: skip
    return month


Month.judged = judged  # type: ignore[attr-defined]


def of_engineer(month: Month, number: int) -> pd.Series:
    names = month.certificates.set_index("appliance_id")["engineer"]
    return month.readings["appliance_id"].map(names) == f"engineer {number}"


def invent_digits(month: Month, rng: np.random.Generator) -> None:
    """Two thirds of one engineer's loop values get a last digit that he likes."""
    rows = of_engineer(month, 0) & (month.readings["step"] == "rcd_trip") & (rng.random(len(month.readings)) < 0.66)
    steps = (month.readings.loc[rows, "value"] / 1e-4).round() // 10 * 10
    month.readings.loc[rows, "value"] = (steps + rng.choice([3, 7], int(rows.sum()))) * 1e-4


def round_numbers(month: Month, rng: np.random.Generator) -> None:
    """Half of one engineer's trip times end in 0."""
    rows = of_engineer(month, 0) & (month.readings["step"] == "rcd_trip") & (rng.random(len(month.readings)) < 0.5)
    month.readings.loc[rows, "value"] = (month.readings.loc[rows, "value"] / 1e-3).round() * 1e-3


def repeat_triples(month: Month, rng: np.random.Generator) -> None:
    """One engineer writes the same three voltages at a tenth of the jobs."""
    mine = of_engineer(month, 0)
    names = month.readings.loc[mine, "appliance_id"].unique()
    chosen = rng.choice(names, max(6, len(names) // 10), replace=False)
    for step, volt in (("supply_ln", 238.6), ("supply_le", 238.2), ("supply_ne", 0.4)):
        rows = month.readings["appliance_id"].isin(chosen) & (month.readings["step"] == step)
        month.readings.loc[rows, "value"] = volt


def copy_sets(month: Month, rng: np.random.Generator) -> None:
    """Five appliances of one engineer get the readings of five others."""
    names = month.readings.loc[of_engineer(month, 0), "appliance_id"].unique()
    chosen = rng.choice(names, 10, replace=False)
    for source, target in zip(chosen[:5], chosen[5:], strict=True):
        by_step = month.readings[month.readings["appliance_id"] == source].set_index("step")
        rows = month.readings["appliance_id"] == target
        for column in ("value", "comparator"):
            month.readings.loc[rows, column] = month.readings.loc[rows, "step"].map(by_step[column])


def hurry(month: Month, rng: np.random.Generator) -> None:
    """A sixth of one engineer's jobs are made at the kitchen table: a reading a second."""
    names = month.readings.loc[of_engineer(month, 0), "appliance_id"].unique()
    for name in rng.choice(names, len(names) // 6, replace=False):
        rows = month.readings["appliance_id"] == name
        first = month.readings.loc[rows, "meter_time"].min()
        month.readings.loc[rows, "meter_time"] = first + pd.to_timedelta(range(int(rows.sum())), unit="s")


def bend_to_pass(month: Month, rng: np.random.Generator) -> None:
    """One engineer writes failing loop values just below the limit, and some more."""
    rows = of_engineer(month, 0) & (month.readings["step"] == "earth_loop")
    failing = rows & (month.readings["value"] > LOOP_LIMIT_OHM - 0.2)
    few = rows & (rng.random(len(rows)) < 0.15)
    chosen = failing | few
    month.readings.loc[chosen, "value"] = np.round(rng.uniform(1.32, 1.37, int(chosen.sum())), 2)


FORGERS = {
    "last digits": invent_digits,
    "round numbers": round_numbers,
    "repeated triple": repeat_triples,
    "copied set": copy_sets,
    "short times": hurry,
    "just inside a limit": bend_to_pass,
}
