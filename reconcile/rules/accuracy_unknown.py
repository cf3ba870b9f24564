"""A reading whose meter has no accuracy specification for it: its uncertainty cannot be worked out."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.case import Reading
from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.certainty import has_limits
from reconcile.wording import quantity_title, show, show_value


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for all governing numbers of registered meters without a specification that covers them."""
    shown = {
        part.reading.reading_id: describe(assessed, part.reading)
        for _, part, found in assessed.weighed()
        if found is None and part.reading is not None and wants_accuracy(part, part.reading)
    }
    if shown:
        yield Remark(
            code="accuracy_unknown",
            message=f"The register has no accuracy specification that covers: {'; '.join(shown.values())}. How sure "
            "these are cannot be said.",
            action="Put the meter's specification for these quantities into the register.",
            reading_ids=tuple(shown),
            blocks=False,
            source="IEC 61557 permitted errors (memory)",
        )


def wants_accuracy(part: Part, reading: Reading) -> bool:
    """True where a number of a registered meter is held against a limit."""
    return reading.comparator == "eq" and has_limits(part) and reading.calibration != "not registered"


def describe(assessed: Assessed, reading: Reading) -> str:
    """The reading, and by how much a tester of the standard may be wrong there."""
    permitted = assessed.case.pack.find_limit(f"permitted_error/{reading.quantity}")
    words = f"{quantity_title(reading.quantity)} {show(reading)}"
    if permitted is None or reading.value is None:
        return words
    half = show_value(reading.value * permitted.value / 100.0, reading.unit, digits=2)
    return f"{words} (a tester of {permitted.source} may be wrong by {half})"


RULE = Rule(
    codes=("accuracy_unknown",),
    about="a governing number without an accuracy specification of its meter",
    source="JCGM 100:2008; IEC 61557 permitted errors (memory)",
    effect="none",
    find=find,
)
