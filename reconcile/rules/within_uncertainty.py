"""A reading so near its limit that the meter's uncertainty leaves doubt on which side it is."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.uncertainty import acceptance_limits
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.certainty import Certainty
from reconcile.verdicts.compare import compare
from reconcile.wording import show, show_value
from schemas.checks import CHECKS


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each governing reading whose probability of conforming is neither high nor low."""
    pack = assessed.case.pack
    low, high = pack.number("probability_low"), pack.number("probability_high")
    guarded = pack.setting("decision_rule") == "guarded acceptance"
    for check, part, found in assessed.weighed():
        if found is None or part.reading is None:
            continue
        refused = part.outcome == "satisfactory" and guarded and not is_accepted(part, found)
        if not (refused or low < found.probability < high):
            continue
        shown = show_value(found.expanded, part.reading.unit, digits=2)
        yield Remark(
            code="within_uncertainty",
            message=f"{CHECKS[check]}: {show(part.reading)} with U = {shown} (k = {found.k:g}) keeps its limit with "
            f"a probability of {found.probability:.0%}.",
            action="Repeat with a meter of smaller uncertainty, or treat it as not kept.",
            checks=(check,),
            reading_ids=(part.reading.reading_id,),
            source=f"JCGM 106:2012 7.3; decision rule: {pack.setting('decision_rule')}",
            blocks=refused,
        )


def is_accepted(part: Part, found: Certainty) -> bool:
    """True where the reading keeps its limits with a guard band of its expanded uncertainty. Source: JCGM 106 8.3.2."""
    low, high = acceptance_limits(found.expanded, low=part.limit_low, high=part.limit_high)
    return part.reading is not None and compare(part.reading, low=low, high=high) == "passes"


RULE = Rule(
    codes=("within_uncertainty",),
    about="probability of conforming between 2.5 % and 97.5 %",
    source="JCGM 106:2012 7.3 and 7.4; ILAC-G8:09/2019 (secondary)",
    effect="none",
    find=find,
)
