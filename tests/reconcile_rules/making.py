"""Makes briefs for tests: a plain day of one appliance, and what a case changes about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from reconcile.plan import plan_steps
from reconcile.tables import Brief
from schemas.jobs import Appliances, Attestations, Jobs
from schemas.matches import Clocks, Decisions, Matches, Questions
from schemas.meters import Accuracies, Meters
from schemas.quantities import QUANTITIES
from schemas.readings import Conflicts, Duplicates, Readings, Refusals
from schemas.steps import STEPS

SHA = "ab" * 32
DAY = pd.Timestamp("2031-04-02T09:00:00Z")
METER = "MFT-1"

PLAIN_STEPS: dict[str, Any] = {
    "metalwork": "absent",
    "supply_ln": 231.0,
    "supply_le": 230.5,
    "supply_ne": 0.6,
    "earth_loop": 0.35,
    "proof_before": "present",
    "dead_ln": 0.0,
    "dead_le": 0.0,
    "dead_ne": 0.0,
    "proof_after": "present",
    "restored_ln": 231.2,
    "restored_le": 230.9,
    "restored_ne": 0.7,
}
"""The readings of a plain service: step to value or indication, one a minute in this order."""

PLAIN_STATED = {
    "isolation_point_secured": "locked",
    "caution_notice": "yes",
    "fuse_rating_a": "3",
    "required_fuse_rating_a": "3",
    "visual_condition": "good",
    "test_leads_condition": "good",
    "responsible_person_told": "yes",
}

PLAIN_APPLIANCE = {
    "earthing": "TN-C-S",
    "device": "BS1362",
    "device_rating_a": 3.0,
    "rcd_rated_ma": None,
    "construction_class": "I",
}

ACCURACY = [
    {"quantity": quantity, "percent_of_reading": percent, "digits": digits, "resolution": step, "range_low": 0.0}
    | {"range_high": high}
    for quantity, percent, digits, step, high in (
        ("voltage", 2.0, 3.0, 0.1, 600.0),
        ("earth_fault_loop_impedance", 5.0, 3.0, 0.01, 2000.0),
        ("continuity_resistance", 2.0, 2.0, 0.01, 100.0),
        ("insulation_resistance", 3.0, 2.0, 1.0e4, 1.0e9),
        ("rcd_trip_time", 1.0, 1.0, 0.001, 2.0),
    )
]


def make_reading(
    step: str, content: Any, *, number: int, at: pd.Timestamp | None, appliance_id: str = "A1"
) -> dict[str, Any]:
    """One reading with its match. ``content``: a number, an indication, or a table of what differs."""
    planned = STEPS[step]
    row: dict[str, Any] = {
        "reading_id": f"r-{number}",
        "evidence_sha256": SHA,
        "record_no": number,
        "column_no": 1,
        "raw_text": str(content),
        "meter_serial": METER,
        "quantity": planned.quantity,
        "conductors": planned.conductors[0] or None,
        "taken_at": at,
        "step": step,
        "match_status": "auto",
        "job_id": "J1",
        "appliance_id": appliance_id,
    }
    if isinstance(content, Mapping):
        row |= {name: value for name, value in content.items() if name not in ("minute", "matched_step")}
        if "minute" in content:
            row["taken_at"] = DAY + pd.Timedelta(minutes=content["minute"])
        row["step"] = content.get("matched_step", step) or None
    elif isinstance(content, str):
        row["indication"] = content
    else:
        row["value"] = float(content)
    if row.get("value") is not None:
        row["unit"] = QUANTITIES[planned.quantity].unit
        row.setdefault("comparator", "eq")
    return row


def make_brief(
    steps: Mapping[str, Any] | Iterable[tuple[str, Any]] = PLAIN_STEPS,
    *,
    stated: Mapping[str, str] = PLAIN_STATED,
    appliance: Mapping[str, Any] | None = None,
    job: Mapping[str, Any] | None = None,
    meters: Iterable[Mapping[str, Any]] | None = None,
    accuracies: Iterable[Mapping[str, Any]] = ACCURACY,
    more: Mapping[str, list[dict[str, Any]]] | None = None,
    copies: Iterable[Mapping[str, Any]] = (),
) -> Brief:
    """A brief of one job with one appliance; ``more`` adds rows to a table by its name.

    ``copies`` are the readings of further appliances of the job, which are otherwise like the first.
    """
    listed = list(steps.items()) if isinstance(steps, Mapping) else list(steps)
    readings = [
        make_reading(step, content, number=number, at=DAY + pd.Timedelta(minutes=number))
        for number, (step, content) in enumerate(listed, start=1)
    ]
    for copy, others in enumerate(copies, start=2):
        readings += [
            make_reading(step, content, number=number, at=DAY + pd.Timedelta(minutes=number), appliance_id=f"A{copy}")
            for number, (step, content) in enumerate(others.items(), start=100 * copy)
        ]
    listed_appliances = [
        {"appliance_id": name, "job_id": "J1", "sequence": place} | PLAIN_APPLIANCE | dict(appliance or {})
        for place, name in enumerate(
            sorted({row["appliance_id"] for row in readings if row["job_id"] == "J1"} | {"A1"})
        )
    ]
    return assemble(
        readings=readings,
        jobs=[
            {"job_id": "J1", "sequence": 0, "work_type": "service", "status": "attended", "arrived_at": DAY}
            | dict(job or {})
        ],
        appliances=listed_appliances,
        attestations=[{"appliance_id": "A1", "item": item, "value": value} for item, value in stated.items()],
        meters=list(meters) if meters is not None else [make_meter()],
        accuracies=[{"meter_serial": METER} | dict(row) for row in accuracies],
        more=more or {},
    )


def make_meter(**changes: Any) -> dict[str, Any]:
    """One registered meter in calibration."""
    return {
        "meter_serial": METER,
        "role": "multifunction tester",
        "calibrated_on": pd.Timestamp("2031-01-10"),
        "calibration_due": pd.Timestamp("2032-01-10"),
        "zone": "Europe/London",
    } | changes


def assemble(
    *,
    readings: list[dict[str, Any]],
    jobs: list[dict[str, Any]],
    appliances: list[dict[str, Any]],
    attestations: list[dict[str, Any]],
    meters: list[dict[str, Any]],
    accuracies: list[dict[str, Any]],
    more: Mapping[str, list[dict[str, Any]]],
) -> Brief:
    """A brief of checked tables from rows; what every row of a table must have is filled in."""
    source = {"evidence_sha256": SHA, "record_no": 1, "extra": "{}"}
    matches = [{"match_confidence": 0.99, "why": "test"} | row for row in readings] + more.get("matches", [])
    frames = {
        "readings": (Readings, readings + more.get("readings", [])),
        "refusals": (Refusals, more.get("refusals", [])),
        "duplicates": (Duplicates, more.get("duplicates", [])),
        "conflicts": (Conflicts, more.get("conflicts", [])),
        "jobs": (Jobs, [source | row for row in jobs + more.get("jobs", [])]),
        "appliances": (Appliances, [source | row for row in appliances + more.get("appliances", [])]),
        "attestations": (
            Attestations,
            [
                source | {"record_no": place} | row
                for place, row in enumerate(attestations + more.get("attestations", []), 1)
            ],
        ),
        "meters": (Meters, [source | row for row in meters + more.get("meters", [])]),
        "accuracies": (Accuracies, accuracies + more.get("accuracies", [])),
        "matches": (Matches, matches),
        "clocks": (Clocks, more.get("clocks", [])),
        "questions": (Questions, more.get("questions", [])),
        "decisions": (Decisions, more.get("decisions", [])),
    }
    tables = {name: make_table(model, rows) for name, (model, rows) in frames.items()}
    return Brief(plan=plan_steps(tables["jobs"], tables["appliances"]), **tables)


def make_table(model: Any, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The rows as a table of the model; the same rows are shaped once and copied."""
    key = (model.__name__, repr(rows))
    if key not in SHAPED:
        SHAPED[key] = shape_rows(model, rows)
    return SHAPED[key].copy()


SHAPED: dict[tuple[str, str], pd.DataFrame] = {}


def shape_rows(model: Any, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The rows with the columns and types of the model; test_making checks that these keep their schema."""
    columns = model.to_schema().columns
    shaped = {}
    for name, column in columns.items():
        values = [row.get(name) for row in rows]
        if str(column.dtype).startswith("datetime64"):
            utc = "UTC" in str(column.dtype)
            shaped[name] = pd.to_datetime(pd.Series(values, dtype=object), utc=utc).astype(str(column.dtype))
        else:
            shaped[name] = pd.Series(values, dtype=column.dtype.type)
    return pd.DataFrame(shaped, columns=list(columns))
