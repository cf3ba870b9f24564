"""A loop reading within its limit that the recorded earthing arrangement seldom has."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, show_limit, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each loop reading that is unlikely for the earthing."""
    earthing, pack = assessed.case.appliance.earthing, assessed.case.pack
    for part in assessed.parts_with("loop", "unlikely"):
        limit = pack.find_limit(f"unlikely_above/{earthing}") or pack.limit(f"unlikely_below/{earthing}")
        side = "above" if limit.id.startswith("unlikely_above") else "below"
        yield Remark(
            code="earth_loop_unlikely_for_earthing",
            message=f"{capital(title(part.steps[0]))}: {show(part.reading)} on {earthing}. It is within the limit, "
            f"but {side} {show_limit(limit.value, 'Ohm')}, which this arrangement seldom shows: a poor joint, a lost "
            "or other earth, or the earthing is recorded wrongly.",
            action="Look at the earthing at the intake, correct the job list or refer to a competent electrician; "
            "where the supply's own earth is in doubt, to the distributor.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=limit.citation,
        )


RULE = Rule(
    codes=("earth_loop_unlikely_for_earthing",),
    about="loop within its limit yet unlikely for the earthing arrangement",
    source="usual largest external impedances (memory) with conductor resistance (computed)",
    effect="inconclusive",
    find=find,
)
