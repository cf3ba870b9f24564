"""A passing reading near its limit."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.assessment import Part
from reconcile.wording import show, show_limit
from schemas.checks import CHECKS


def find(assessed: Assessed) -> Iterator[Remark]:
    """A note for each passing resistance or time close to its limit."""
    share = assessed.case.pack.number("near_limit")
    investigate = assessed.case.pack.limit("insulation_investigate")
    for check, verdict in assessed.verdicts.items():
        for part in verdict.parts:
            if part.outcome != "satisfactory" or part.reading is None or part.reading.comparator != "eq":
                continue
            limit = near(part, share, investigate.value)
            if limit is not None:
                yield Remark(
                    code="near_limit",
                    message=f"{CHECKS[check]}: {show(part.reading)} passes, but is near "
                    f"{show_limit(limit, part.reading.unit)}.",
                    action="Look at it again at the next visit.",
                    checks=(check,),
                    reading_ids=(part.reading.reading_id,),
                    source="policy of the rule pack",
                )


def near(part: Part, share: float, investigate_ohm: float) -> float | None:
    """The limit that the passing reading is near to, where it is."""
    value = part.reading.value if part.reading is not None and part.reading.value is not None else 0.0
    if part.kind in ("loop", "rcd", "continuity") and part.limit_high is not None and value > share * part.limit_high:
        return part.limit_high
    if (
        part.kind == "insulation"
        and part.limit_low is not None
        and value < max(investigate_ohm, part.limit_low / share)
    ):
        return max(investigate_ohm, part.limit_low)
    return None


RULE = Rule(
    codes=("near_limit",),
    about="a passing loop, continuity or trip time above 90 % of its limit, insulation below 2 Mohm",
    source="policy of the rule pack; Guidance Note 3 advice for insulation (secondary)",
    effect="none",
    find=find,
)
