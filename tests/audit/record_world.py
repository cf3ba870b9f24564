"""Invented working days: what the meters said, an honest record of it, and a record with errors planted.

The spreads of the readings are common practice for a domestic round, from memory; only their overlap matters here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

DAY = pd.Timestamp("2031-04-02")


@dataclass(frozen=True)
class World:
    readings: pd.DataFrame
    certificates: pd.DataFrame
    record: pd.DataFrame
    """An honest record (schemas.audit.RecordedValues) with the extra column ``reading_id``."""
    failing: frozenset[str]


SLOTS = [
    # step, quantity, pair, unit, resolution
    ("supply_ln", "voltage", "L-N", "V", 0.1),
    ("supply_polarity", "polarity", None, None, None),
    ("earth_loop", "earth_fault_loop_impedance", "L-E", "Ohm", 0.01),
    ("earth_continuity", "continuity_resistance", "R2", "Ohm", 0.01),
    ("insulation", "insulation_resistance", "LN-E", "Ohm", 1e4),
    ("rcd_trip", "rcd_trip_time", None, "s", 1e-4),
]


def draw(quantity: str, rng: np.random.Generator) -> tuple[float | None, str | None, str | None, bool]:
    """Value, comparator, indication, and whether it fails, of one honest reading."""
    if quantity == "polarity":
        return None, None, "correct" if rng.random() < 0.97 else "reversed", False
    if quantity == "voltage":
        return round(rng.normal(239, 3), 1), "eq", None, False
    if quantity == "earth_fault_loop_impedance":
        value = round(float(np.exp(rng.normal(-0.9, 0.5))), 2)
        return max(value, 0.05), "eq", None, value > 1.4
    if quantity == "continuity_resistance":
        return round(float(np.exp(rng.normal(-2.2, 0.6))) + 0.02, 2), "eq", None, False
    if quantity == "insulation_resistance":
        if rng.random() < 0.5:
            return 999e6, "gt", None, False
        value = round(float(np.exp(rng.normal(4.0, 1.2))), 2) * 1e6
        return min(value, 990e6), "eq", None, value < 1e6
    return round(rng.uniform(0.012, 0.038), 4), "eq", None, False


def build_world(seed: int, *, jobs: int = 60, retests: float = 0.05) -> World:
    rng = np.random.default_rng(seed)
    readings: list[dict[str, object]] = []
    record: list[dict[str, object]] = []
    certificates: list[dict[str, object]] = []
    failing: set[str] = set()
    for job in range(jobs):
        day = DAY + pd.Timedelta(days=job // 6)
        for place in range(int(rng.integers(1, 4))):
            appliance_id = f"A{job:03d}-{place}"
            certificates.append({
                "appliance_id": appliance_id, "job_id": f"J{job:03d}", "site": f"{job} Invented Row",
                "kind": "boiler", "location": f"room {place}",
            })  # fmt: skip
            for order, (step, quantity, pair, unit, resolution) in enumerate(SLOTS):
                tries = 2 if rng.random() < retests else 1
                for nth in range(tries):
                    value, comparator, indication, fails = draw(quantity, rng)
                    number = len(readings) + 2
                    reading_id = f"{'ab' * 8}-{number}-5"
                    raw = indication or shown(value, comparator, unit)
                    readings.append({
                        "reading_id": reading_id, "evidence_sha256": "ab" * 32, "record_no": number,
                        "column_name": "Value", "raw_text": raw, "quantity": quantity, "conductors": pair,
                        "value": value, "unit": unit if value is not None else None, "comparator": comparator,
                        "indication": indication, "reason": None, "resolution": resolution,
                        "meter_time": day + pd.Timedelta(minutes=540 + 60 * (job % 6) + 12 * place + 2 * order + nth),
                        "taken_at": pd.NaT, "job_id": f"J{job:03d}", "appliance_id": appliance_id, "step": step,
                        "match_status": "auto",
                    })  # fmt: skip
                    if fails:
                        failing.add(reading_id)
                record.append({
                    "record_no": len(record) // len(SLOTS) + 2, "column_no": order + 3, "column_name": step,
                    "raw_text": raw, "appliance_id": appliance_id, "recorded_on": day, "quantity": quantity,
                    "conductors": pair, "step": None, "value": value, "unit": unit if value is not None else None,
                    "comparator": comparator, "indication": indication, "resolution": resolution,
                    "reading_id": reading_id,
                })  # fmt: skip
    table = pd.DataFrame(readings).astype({"meter_time": "datetime64[ns]"})
    table["taken_at"] = pd.Series(pd.NaT, index=table.index, dtype="datetime64[ns, UTC]")
    return World(table, pd.DataFrame(certificates), round_some(pd.DataFrame(record), rng), frozenset(failing))


def shown(value: float | None, comparator: str | None, unit: str | None) -> str:
    return f"{'>' if comparator == 'gt' else ''}{value:g} {unit}"


def round_some(record: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """An honest hand leaves the last digit out now and then."""
    lazy = (rng.random(len(record)) < 0.15) & (record["comparator"] == "eq")
    coarser = record["resolution"] * 10
    record["value"] = record["value"].where(~lazy, (record["value"] / coarser).round() * coarser)
    record["resolution"] = record["resolution"].where(~lazy, coarser)
    return as_recorded(record)


def as_recorded(record: pd.DataFrame) -> pd.DataFrame:
    """The same rows in the types of schemas.audit.RecordedValues, extra columns kept at the end."""
    texts = [
        "column_name",
        "raw_text",
        "appliance_id",
        "quantity",
        "conductors",
        "step",
        "unit",
        "comparator",
        "indication",
    ]
    return record.astype(
        dict.fromkeys(texts, "str") | {"recorded_on": "datetime64[ns]", "value": "float64", "resolution": "float64"}
    )


def swapped_digits(value: float, resolution: float) -> float | None:
    """``value`` with two neighbouring digits exchanged, where that is no slip of the point; else nothing."""
    digits = str(round(value / resolution))
    for place in range(len(digits) - 1):
        if digits[place] != digits[place + 1]:
            made = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
            if made.strip("0") != digits.strip("0"):
                return int(made) * resolution
    return None


def plant(world: World, seed: int, share: float = 0.08) -> tuple[pd.DataFrame, pd.Series]:
    """A record with errors planted in it, and by row what was planted (empty: nothing)."""
    rng = np.random.default_rng(seed)
    record = world.record.copy()
    planted = pd.Series("", index=record.index)
    readings = world.readings.set_index("reading_id")
    kinds = list(PLANTERS)
    for row in rng.permutation(record.index)[: int(len(record) * share)]:
        kind = kinds[int(rng.integers(len(kinds)))]
        changed = PLANTERS[kind](record.loc[row], readings, rng)
        if changed is not None:
            for name, value in changed.items():
                record.loc[row, name] = value
            planted[row] = kind
    return record, planted


def _transposed(row, readings, rng):
    source = readings.loc[row["reading_id"]]
    if pd.isna(source["value"]):
        return None
    made = swapped_digits(source["value"], source["resolution"])
    return None if made is None else {"value": made, "resolution": source["resolution"]}


def _slip(row, readings, rng):
    if pd.isna(row["value"]) or row["value"] == 0:
        return None
    power = int(rng.choice([1, -1, 3, -3, 6, -6], p=[0.3, 0.3, 0.15, 0.15, 0.05, 0.05]))
    return {"value": row["value"] * 10.0**power, "resolution": row["resolution"] * 10.0**power}


def _qualifier(row, readings, rng):
    return {"comparator": "eq"} if row["comparator"] == "gt" else None


def _superseded(row, readings, rng):
    source = readings.loc[row["reading_id"]]
    same = readings[(readings["appliance_id"] == source["appliance_id"]) & (readings["step"] == source["step"])]
    earlier = same[same["meter_time"] < source["meter_time"]]
    return None if earlier.empty else value_of(earlier.iloc[0])


def _other_appliance(row, readings, rng):
    source = readings.loc[row["reading_id"]]
    same_job = (readings["job_id"] == source["job_id"]) & (readings["appliance_id"] != source["appliance_id"])
    others = readings[same_job & (readings["step"] == source["step"]) & readings["value"].notna()]
    return None if others.empty else value_of(others.iloc[-1])


def _other_date(row, readings, rng):
    return {"recorded_on": row["recorded_on"] + pd.Timedelta(days=int(rng.integers(20, 60)))}


def _made_up(row, readings, rng):
    if pd.isna(row["value"]) or row["comparator"] == "gt":
        return None
    value, comparator, _indication, _fails = draw(row["quantity"], rng)
    return {"value": value, "comparator": comparator, "resolution": readings.loc[row["reading_id"], "resolution"]}


def value_of(reading):
    return {name: reading[name] for name in ("value", "comparator", "resolution")}


PLANTERS = {
    "digits transposed": _transposed,
    "unit or decimal slip": _slip,
    "qualifier lost": _qualifier,
    "superseded by a retest": _superseded,
    "another appliance": _other_appliance,
    "another date": _other_date,
    "no instrument evidence": _made_up,
}
