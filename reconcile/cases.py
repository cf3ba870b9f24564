"""From the tables of a brief to cases, one an appliance of an attended job."""

from __future__ import annotations

import hashlib
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, Final

import pandas as pd

from reconcile.calibration import calibration_states
from reconcile.case import Accuracy, Appliance, Attested, Case, Reading, order_key
from reconcile.decisions import active_decisions
from reconcile.pack import Pack
from reconcile.tables import Brief
from schemas.joining import join_rows

NOT_ATTENDED: Final = ("no access", "cancelled")
USED: Final = ("auto", "decided")
UNDECIDED_DATES: Final = "day and month undecided"
UNSAFE_IN_A_NAME: Final = re.compile(r"[^A-Za-z0-9.-]")
LONGEST_NAME: Final = 60
READING_COLUMNS: Final = (
    "reading_id",
    "quantity",
    "step",
    "conductors",
    "value",
    "unit",
    "comparator",
    "indication",
    "reason",
    "resolution",
    "test_voltage_v",
    "rcd_multiple",
    "meter_serial",
    "meter_role",
    "taken_at_ns",
    "meter_time_ns",
    "memory_no",
    "evidence_sha256",
    "record_no",
    "column_no",
    "calibration",
)


def name_certificate(job_id: str, appliance_id: str) -> str:
    """The id of a certificate: job and appliance, fit to be a file name.

    A short hash is added where a character had to be replaced or the name is long, so that two never share a name.
    """
    name = "_".join(UNSAFE_IN_A_NAME.sub("-", part).strip(".-") for part in (job_id, appliance_id))[:LONGEST_NAME]
    return name if name == f"{job_id}_{appliance_id}" else hashed_name(name, job_id, appliance_id)


def hashed_name(name: str, job_id: str, appliance_id: str) -> str:
    """The name with a short hash of both ids."""
    digest = hashlib.sha256("\0".join((job_id, appliance_id)).encode()).hexdigest()
    return f"{name.rstrip('.-_')}-{digest[:8]}"


def name_certificates(keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The certificate id of each job and appliance; names that differ in capitals only all get a hash, because some
    file systems do not tell them apart.
    """
    names = {key: name_certificate(*key) for key in keys}
    seen = Counter(name.casefold() for name in names.values())
    return {key: hashed_name(name, *key) if seen[name.casefold()] > 1 else name for key, name in names.items()}


def build_cases(brief: Brief, pack: Pack) -> list[Case]:
    """One case an appliance of an attended job, in the order of the job list."""
    used, uncertain = group_readings(brief, pack)
    attested = group_attestations(brief.attestations)
    needs: dict[str, dict[str, str]] = defaultdict(dict)
    for row in brief.plan.itertuples(index=False):
        needs[str(row.appliance_id)][str(row.step)] = str(row.need)
    retests = group_retests(brief.decisions)
    accuracies = group_accuracies(brief.accuracies)
    cases = []
    for appliance in list_appliances(brief.jobs, brief.appliances):
        key = appliance.appliance_id
        readings = by_step(used.get(key, ()))
        cases.append(
            Case(
                appliance=appliance,
                readings=readings,
                chosen={
                    step: valid[-1] for step, found in readings.items() if (valid := [r for r in found if r.is_valid])
                },
                uncertain=uncertain.get(key, ()),
                attested=attested.get(key, {}),
                needs=needs.get(key, {}),
                retests=retests.get(key, {}),
                accuracies=accuracies,
                pack=pack,
            )
        )
    return cases


def list_appliances(jobs: pd.DataFrame, appliances: pd.DataFrame) -> list[Appliance]:
    """The appliances of attended jobs, in the order of the job list, each with what its job says."""
    attended = jobs[~jobs["status"].isin(NOT_ATTENDED)][["job_id", "work_type", "sequence"]].copy()
    for name in ("arrived_at", "left_at"):
        attended[f"{name}_ns"] = whole_ns(jobs.loc[attended.index, name])
    joined = appliances.merge(attended, on="job_id", suffixes=("", "_of_job"))
    joined = joined.sort_values(["sequence_of_job", "sequence", "appliance_id"])
    columns = [name for name in Appliance.__dataclass_fields__ if name != "certificate_id"]
    rows = plain_rows(joined[columns])
    names = name_certificates((row["job_id"], row["appliance_id"]) for row in rows)
    return [Appliance(certificate_id=names[row["job_id"], row["appliance_id"]], **row) for row in rows]


def plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows as dictionaries of plain Python values, None for null."""
    columns = {}
    for name in table.columns:
        column = table[name]
        values = column.astype(object).where(column.notna(), None)
        columns[name] = values.tolist()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def matched_readings(brief: Brief, statuses: Iterable[str]) -> pd.DataFrame:
    """The readings whose match has one of the given statuses, with that match and time as whole nanoseconds.

    Shape: one row a reading that has such a match row; order not kept.
    """
    matches = brief.matches[["reading_id", "taken_at", "job_id", "appliance_id", "step", "match_status"]]
    joined = join_rows(brief.readings, matches, key="reading_id")
    found = joined[joined["match_status"].isin(list(statuses))].reset_index(drop=True)
    for name in ("taken_at", "meter_time"):
        found[f"{name}_ns"] = whole_ns(found[name])
    return found


def wait_for_a_date(table: pd.DataFrame) -> pd.Series:
    """Which matched readings may be of another day, day and month exchanged, and were placed by nobody."""
    undecided = table["time_reason"].fillna("").str.startswith(UNDECIDED_DATES)
    return undecided & (table["match_status"] == "auto")


def whole_ns(moments: pd.Series) -> pd.Series:
    """Each moment as whole nanoseconds since 1970, null where there is none."""
    return moments.astype("int64").astype("Int64").mask(moments.isna())


def group_readings(
    brief: Brief, pack: Pack
) -> tuple[Mapping[str, tuple[Reading, ...]], Mapping[str, tuple[Reading, ...]]]:
    """By appliance: the readings that feed verdicts, and those that wait for a person.

    A reading that a person gave to an appliance without saying to which step waits too; so does one that was given to
    a step which measures something else, and one whose date may be that of another day.
    """
    table = matched_readings(brief, [*USED, "review"])
    table["calibration"] = calibration_states(table, brief.meters, brief.jobs, pack)
    table["meter_role"] = table["meter_serial"].map(brief.meters.set_index("meter_serial")["role"])
    used: dict[str, list[Reading]] = defaultdict(list)
    uncertain: dict[str, list[Reading]] = defaultdict(list)
    wanted = table[table["appliance_id"].notna()]
    waits = (wanted["match_status"] == "review") | wanted["step"].isna() | wait_for_a_date(wanted)
    rows = [Reading(**row) for row in plain_rows(wanted[list(READING_COLUMNS)])]
    for wait, appliance_id, reading in zip(waits, wanted["appliance_id"], rows, strict=True):
        (uncertain if wait or not reading.fits_step else used)[appliance_id].append(reading)
    return freeze(used), freeze(uncertain)


def judged_numbers(brief: Brief) -> pd.DataFrame:
    """The readings with a plain number that feed verdicts, with appliance, step and time from their matches."""
    table = matched_readings(brief, USED)
    feeds = ~wait_for_a_date(table) & table["step"].notna()
    return table[feeds & (table["comparator"] == "eq")]


def freeze(groups: Mapping[Any, Iterable[Reading]]) -> Mapping[Any, tuple[Reading, ...]]:
    """Each group as a tuple, earliest first."""
    return MappingProxyType({key: tuple(sorted(group, key=order_key)) for key, group in groups.items()})


def by_step(readings: Iterable[Reading]) -> dict[str, tuple[Reading, ...]]:
    """The readings by the step they were matched to, earliest first."""
    steps: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        steps[reading.step or ""].append(reading)
    return {step: tuple(found) for step, found in steps.items()}


def group_attestations(table: pd.DataFrame) -> dict[str, dict[str, tuple[Attested, ...]]]:
    """What was stated, by appliance and item, in the order of time and then of the list."""
    found: dict[str, dict[str, list[Attested]]] = defaultdict(lambda: defaultdict(list))
    for row in plain_rows(table.drop(columns="attested_at").assign(attested_at_ns=whole_ns(table["attested_at"]))):
        found[row["appliance_id"]][row["item"]].append(
            Attested(
                item=row["item"],
                value=row["value"],
                by=row["by"],
                attested_at_ns=row["attested_at_ns"],
                place=(row["evidence_sha256"], row["record_no"], 0),
            )
        )
    return {
        appliance: {item: tuple(sorted(rows, key=attested_order)) for item, rows in items.items()}
        for appliance, items in found.items()
    }


def attested_order(attested: Attested) -> tuple[int, tuple[str, int, int]]:
    """Sorts statements by time, then by their place in the list; those without a time come first."""
    return (attested.attested_at_ns or 0, attested.place)


def group_accuracies(table: pd.DataFrame) -> dict[tuple[str, str], tuple[Accuracy, ...]]:
    """The accuracy specifications by meter and quantity, the narrowest range first."""
    found: dict[tuple[str, str], list[Accuracy]] = defaultdict(list)
    for row in plain_rows(table):
        key = (row.pop("meter_serial"), row.pop("quantity"))
        found[key].append(Accuracy(**row))
    return {key: tuple(sorted(rows, key=range_order)) for key, rows in found.items()}


def range_order(accuracy: Accuracy) -> tuple[float, float, float, float]:
    """Sorts specifications by the upper end of their range, then by how much they allow."""
    high = float("inf") if accuracy.range_high is None else accuracy.range_high
    low = float("-inf") if accuracy.range_low is None else accuracy.range_low
    return (high, low, accuracy.percent_of_reading, accuracy.digits)


def group_retests(decisions: pd.DataFrame) -> dict[str, dict[str, str]]:
    """What a person decided about retests, by appliance and check; the last decision that stands counts."""
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for row in active_decisions(decisions).itertuples(index=False):
        if row.kind == "retest":
            appliance_id, _, check = str(row.subject).rpartition("/")
            found[appliance_id][check] = str(row.answer)
    return dict(found)
