"""Dead tests without a valid proof of the indicator on both sides of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, title

MEANINGS: Final = {
    "missing": "is not there",
    "not proved": "failed: the indicator did not respond",
    "another meter": "was made with another instrument than the dead tests",
    "too long": "is too far in time from the dead tests",
    "failed before": "responded, but one since the dead tests had failed before it",
}


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each proof that does not cover the dead tests, and for a detector that failed its own proof."""
    tested = any(part.outcome != "not tested" for part in assessed.parts("dead"))
    for part in assessed.parts_with("proof", *MEANINGS):
        if part.why != "missing" or tested:
            yield Remark(
                code="detector_not_proved",
                message=f"{capital(title(part.steps[0]))}: this proof {MEANINGS[part.why]}. An indicator that has "
                "failed shows a live conductor as dead.",
                action="Prove the indicator on a proving unit or a known live source, test all three pairs again, "
                "prove it again.",
                checks=(part.check, "proved_dead"),
                reading_ids=part.reading_ids,
                source="HSE GS38 and HSG85 (secondary)",
            )
    for part in assessed.parts_with("dead", "no indicator"):
        yield Remark(
            code="detector_not_proved",
            message="The dead tests were made with an instrument that is registered as a non-contact detector or a "
            "proving unit. Neither proves a conductor dead.",
            action="Test all three pairs again with a two-pole voltage indicator, or correct the register.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source="HSE GS38 (secondary)",
        )
    for part in assessed.parts_with("metalwork", "not proved"):
        yield Remark(
            code="detector_not_proved",
            message="The detector used on exposed metalwork failed its own proof.",
            action="Do not touch the metalwork. Test it again with a detector that has been proved.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source="HSE GS38 (secondary)",
        )


RULE = Rule(
    codes=("detector_not_proved",),
    about="a proof of the indicator is missing, failed, too far away or of another instrument",
    source="HSE GS38 and HSG85 (secondary)",
    effect="inconclusive",
    find=find,
)
