"""Readings that belong to no appliance of the job list."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from reconcile.decisions import decided_readings
from reconcile.rule import Day, DayRemark, Remark, Rule
from schemas.joining import join_rows
from schemas.membership import is_among


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A query for each export and meter with readings that no job claims, but for those a person called stray."""
    brief = day.brief
    readings = brief.readings[["reading_id", "evidence_sha256", "meter_serial"]]
    joined = join_rows(readings, brief.matches[["reading_id", "match_status"]], key="reading_id")
    loose = joined[joined["match_status"] == "none"]
    table = loose[~is_among(loose["reading_id"], strays(brief.decisions))]
    for (evidence, meter), group in table.groupby(["evidence_sha256", table["meter_serial"].fillna("")], sort=True):
        many = len(group)
        yield DayRemark(
            remark=Remark(
                code="reading_unmatched",
                message=f"{many} reading{'s' if many != 1 else ''} of meter {meter or 'without a serial number'} "
                f"(evidence {str(evidence)[:16]}) belong{'' if many != 1 else 's'} to no appliance of the job list.",
                action="Complete the job list, or decide where they belong or that they are stray.",
                reading_ids=tuple(sorted(group["reading_id"].to_numpy(dtype=object))),
                source="the matcher of this program",
            )
        )


def strays(decisions: pd.DataFrame) -> set[str]:
    """The readings that a person decided to belong to nothing."""
    decided = decided_readings(decisions)
    return set(decided.loc[decided["appliance_id"].isna(), "reading_id"])


RULE = Rule(
    codes=("reading_unmatched",),
    about="a reading that belongs to no appliance of the job list",
    source="the matcher of this program",
    effect="none",
    find_in_day=find_in_day,
)
