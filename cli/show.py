"""What the terminal shows: files and their counts, and the day at a glance. Lines of at most 80 columns, no colour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any, Final

import pandas as pd

from cli.pipeline import Derived, Report, Taken
from cli.text import WIDTH, cut, printable, wrapped
from ingest.office import Office
from schemas.steps import STEPS

GROUPS: Final = (
    ("before", ("metalwork", "supply_ln", "supply_le", "supply_ne", "earth_loop")),
    ("isolate", ("proof_before", "dead_ln", "dead_le", "dead_ne", "proof_after")),
    ("dead", ("earth_continuity", "insulation")),
    ("rcd", ("rcd_trip",)),
    ("restore", ("restored_ln", "restored_le", "restored_ne")),
)
"""The columns of the day: one character a step. Steps that no plan requires are shown on the certificate only."""

WHOLE_DAY: Final = 60
"""Up to so many certificates all are listed; beyond, only jobs where something is not satisfactory."""
MOST_LINES: Final = 400
LEGEND: Final = "+ done   ! wrong   ? in doubt   - missing   . not asked for"
CAUTION: Final = (
    "These are readings judged against published limits, not a statement that anything may be touched or used. "
    "Local codes, the maker's instructions and licensed practice govern."
)


def counts_lines(taken: Taken) -> list[str]:
    """One line a file: records in = readings + refusals; then what was left alone and what could not be read."""
    lines = []
    for row in taken.files.to_dict("records"):
        name = cut(row["original_name"], 34) if row["new"] else cut(row["original_name"], 26) + " (again)"
        lines.append(f"{name:34}  {row['records']} records = {row['readings']} readings + {row['refusals']} refusals")
        if row["duplicates"]:
            lines.append(f"{'':36}{row['duplicates']} of them stand in another export too")
    lines += [f"{cut(name, 34):34}  the same bytes as {cut(other, 26)}" for name, other in taken.same_bytes]
    lines += [f"{cut(name, 34):34}  {kind}" for name, kind in taken.office]
    if taken.left_alone:
        lines += wrapped(", ".join(taken.left_alone), first="left alone: ", rest="  ")
    return lines


def day_lines(derived: Derived) -> list[str]:
    """The day at a glance: a line a job, a line an appliance with its steps, and what needs a person."""
    lines: list[str] = []
    certificates = {row["appliance_id"]: row for row in table_rows(derived.judged.certificates)}
    if derived.office.jobs.empty:
        lines.append("No job list: nothing says what was meant to be tested, so no certificate is made.")
    else:
        heads = "  ".join(f"{name:{max(len(name), len(steps))}}" for name, steps in GROUPS)
        lines += [f"{'':24}{heads}  outcome", ""]
    marks = step_marks(derived)
    appliances: dict[str, list[dict[str, Any]]] = {}
    for row in table_rows(derived.office.appliances):
        appliances.setdefault(row["job_id"], []).append(row)
    findings = {str(name): rows for name, rows in derived.judged.findings.groupby("certificate_id", sort=False)}
    whole, left_out = len(certificates) <= WHOLE_DAY, 0
    for job in table_rows(derived.office.jobs):
        own = appliances.get(job["job_id"], [])
        told = [(one, certificates[one["appliance_id"]]) for one in own if one["appliance_id"] in certificates]
        if not whole and (len(lines) > MOST_LINES or all(row["outcome"] == "satisfactory" for _, row in told)):
            left_out += len(told)
            continue
        lines += job_lines(job)
        for appliance, certificate in told:
            lines += appliance_lines(appliance, certificate, marks, findings.get(certificate["certificate_id"]))
        lines.append("")
    if left_out:
        lines += [f"  {left_out} certificates are not listed here, satisfactory ones first; index.html has all", ""]
    lines += ["  " + LEGEND, ""] if certificates else []
    return lines + person_lines(derived) + ["", *wrapped(CAUTION)]


def job_lines(job: dict[str, Any]) -> list[str]:
    """The line of one job: when, which, where, who; and why nothing was done."""
    when = f"{job['arrived_at']:%Y-%m-%d}  " if job["arrived_at"] is not None else ""
    parts = [when + str(job["job_id"]), text(job["site"], "site unknown"), text(job["engineer"], "")]
    first = cut("  ".join(part for part in parts if part), WIDTH)
    status = job["status"]
    return [first] if status not in ("no access", "cancelled") else [first, f"  {status}: no certificate"]


def appliance_lines(
    appliance: dict[str, Any], certificate: dict[str, Any], marks: dict[tuple[str, str], str],
    own: pd.DataFrame | None,
) -> Iterator[str]:  # fmt: skip
    """The line of one appliance with its steps, and below it what is wrong and what is asked."""
    name = f"{appliance['appliance_id']} {text(appliance['kind'], '')}"
    columns = [
        f"{''.join(marks.get((appliance['appliance_id'], step), '.') for step in steps):{max(len(title), len(steps))}}"
        for title, steps in GROUPS
    ]
    yield f"  {cut(name, 21):21} {'  '.join(columns)}  {certificate['outcome']}"
    if own is None:
        return
    for severity, sign in (("danger", "!! DANGER"), ("defect", "! defect")):
        for finding in own[own["severity"] == severity].to_dict("records"):
            yield from wrapped(f"{finding['code']}: {finding['message']}", first=f"    {sign} ", rest="       ")
    queries = Counter(str(code) for code in own.loc[own["severity"] == "query", "code"])
    if queries:
        asked = ", ".join(code if number == 1 else f"{code} ({number})" for code, number in sorted(queries.items()))
        yield from wrapped(asked, first="    ? asks: ", rest="       ")


def step_marks(derived: Derived) -> dict[tuple[str, str], str]:
    """One character for each planned appliance and step."""
    used = derived.result.matches
    used = used[used["match_status"].isin(["auto", "decided"])]
    measured = set(zip(used["appliance_id"], used["step"], strict=True))
    outcomes = {(row.appliance_id, row.check): row.outcome for row in derived.judged.checks.itertuples()}
    marks: dict[tuple[str, str], str] = {}
    for row in table_rows(derived.plan):
        place = (row["appliance_id"], row["step"])
        outcome = outcomes.get((row["appliance_id"], STEPS[row["step"]].check))
        if place in measured:
            marks[place] = {"unsatisfactory": "!", "inconclusive": "?"}.get(str(outcome), "+")
        elif row["need"] == "required":
            marks[place] = "-"
    return marks


def person_lines(derived: Derived) -> list[str]:
    """What needs a person, counted; or that nothing does."""
    outcomes = derived.judged.certificates["outcome"].value_counts()
    day = derived.judged.findings[derived.judged.findings["certificate_id"].isna()]
    counted = ", ".join(
        f"{outcomes.get(outcome, 0)} {outcome}" for outcome in ("satisfactory", "unsatisfactory", "incomplete")
    )
    lines = [
        f"{len(derived.judged.certificates)} certificates: {counted}",
        f"rule pack {derived.judged.rule_pack}",
    ]
    for finding in day[day["severity"] != "note"].to_dict("records"):
        lines += wrapped(f"{finding['code']}: {finding['message']}", first="  ? ", rest="    ")
    for finding in day[day["severity"] == "note"].to_dict("records"):
        lines += wrapped(f"{finding['code']}: {finding['message']}", first="  - ", rest="    ")
    if len(derived.result.questions):
        lines.append(f"  ? {len(derived.result.questions)} open questions about which appliance was measured")
    lines += refusal_lines(derived.refusals)
    return lines


def refusal_lines(refusals: pd.DataFrame, shown: int = 5) -> list[str]:
    """The first refusals in words, and how many more there are."""
    lines: list[str] = []
    for row in refusals.head(shown).to_dict("records"):
        lines += wrapped(f"{row['reason']}: {row['message']}", first="  x ", rest="    ")
    if len(refusals) > shown:
        lines.append(f"  x and {len(refusals) - shown} more refusals: see refusals.csv")
    return lines


def text(value: object, unknown: str) -> str:
    """The text of a cell that may be null."""
    return printable(value) if isinstance(value, str) else unknown


def joined(lines: Iterable[str]) -> str:
    """The lines as one text, blanks at line ends removed."""
    return "\n".join(line.rstrip() for line in lines)


def report_lines(report: Report) -> str:
    """The whole report of one command."""
    lines: list[str] = []
    if report.taken is not None:
        lines += [*counts_lines(report.taken), ""]
        if report.book_zone is not None and len(report.taken.files):
            lines += [f"zone where a file names none: {report.book_zone} (that of the book; see --zone)", ""]
    if report.office is not None:
        lines += office_lines(report.office)
    if report.derived is not None:
        lines += person_lines(report.derived) if report.brief else day_lines(report.derived)
    if report.out is not None:
        lines += [
            "",
            f"dataset: {report.out} ({len(report.written)} files)",
            f"for people: {report.out / 'index.html'}",
        ]
    return joined(lines).strip("\n")


def office_lines(office: Office) -> list[str]:
    """What the office files hold, counted, and what was refused of them."""
    counts = (
        f"{len(office.jobs)} jobs, {len(office.appliances)} appliances, {len(office.attestations)} attestations, "
        f"{len(office.meters)} meters"
    )
    return [counts, *refusal_lines(office.refusals)]


def table_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of a table as plain dictionaries, None for null."""
    return [
        {str(name): None if pd.isna(value) else value for name, value in row.items()}
        for row in table.to_dict("records")
    ]
