"""Readings at a place where nobody was let in."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.cases import NOT_ATTENDED, USED
from reconcile.rule import Day, DayRemark, Remark, Rule


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A query for each appliance of a job without access, or cancelled, that readings were matched to."""
    jobs = day.brief.jobs
    closed = jobs.loc[jobs["status"].isin(NOT_ATTENDED), ["job_id", "status"]]
    matches = day.brief.matches
    found = matches[matches["match_status"].isin(USED)].merge(closed, on="job_id")
    groups = found.groupby(["job_id", found["appliance_id"].fillna(""), "status"], sort=True)
    for (job_id, appliance_id, status), group in groups:
        yield DayRemark(
            job_id=str(job_id),
            appliance_id=str(appliance_id) or None,
            remark=Remark(
                code="reading_implausible",
                message=f"{len(group)} readings were matched to a job whose status is {status!r}: nobody can have "
                "tested there.",
                action="Correct the status of the job, or decide where the readings belong.",
                reading_ids=tuple(sorted(group["reading_id"])),
                source="the job list",
            ),
        )


RULE = Rule(
    codes=("reading_implausible",),
    about="readings matched to a job that was not attended",
    source="the job list",
    effect="none",
    find_in_day=find_in_day,
)
