"""There is no earth: the earth terminal floats, or a loop test found no return path."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import remark_fault
from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, title

ACTION = (
    "Remake the test connections and repeat; both readings are kept. If there is still no earth, do not use the "
    "appliance: isolate it, tell the responsible person, refer to a competent electrician, and to the distributor "
    "where the whole installation has lost its earth."
)


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each triple with a floating earth and each loop test over its range."""
    yield from remark_fault(
        assessed,
        kind="triple",
        code="earth_open",
        meaning="A fault to exposed metal would not be cut off, and the metal may become live.",
        action=ACTION,
    )
    for part in assessed.parts_with("loop", "no earth"):
        yield Remark(
            code="earth_open",
            message="No earth return was found: a fault to exposed metal would not be cut off. "
            f"{capital(title(part.steps[0]))}: {show(part.reading)}. A poor test connection shows the same.",
            action=ACTION,
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )


RULE = Rule(
    codes=("earth_open",),
    about="L-E and N-E float on a live supply, or a loop test runs over its range",
    source="circuit reasoning on three voltage pairs, common practice",
    effect="unsatisfactory",
    find=find,
)
