"""Remarks about faults that the three voltage pairs show: the readings, every cause that fits, one governing code."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark
from reconcile.verdicts.assessment import Part
from reconcile.wording import capital, show, title


def remark_fault(assessed: Assessed, *, kind: str, code: str, meaning: str, action: str) -> Iterator[Remark]:
    """One remark for each triple whose governing fault is ``code``; what the voltages cannot separate is named."""
    for part in assessed.parts_with(kind, code):
        yield Remark(
            code=code,
            message=" ".join([meaning, f"{capital(show_pairs(assessed, part))}.", *show_causes(part)]),
            action=action,
            checks=checks_of(assessed, part),
            reading_ids=part.reading_ids,
            source="circuit reasoning on three voltage pairs, common practice",
        )


def show_pairs(assessed: Assessed, part: Part) -> str:
    """The readings of the part as people write them."""
    shown = [f"{title(step)} {show(reading)}" for step in part.steps if (reading := assessed.case.of(step)) is not None]
    return ", ".join(shown)


def show_causes(part: Part) -> list[str]:
    """Every cause that would show the same voltages, what spoke against others, and those that cannot be excluded."""
    sentences = []
    if part.causes:
        sentences.append(f"{'These fit' if len(part.causes) > 1 else 'This fits'}: {'; or '.join(part.causes)}.")
    if part.against:
        sentences.append(f"{capital(part.against)}.")
    if part.also:
        sentences.append(f"Less likely, not excluded: {'; or '.join(part.also)}.")
    return sentences


def checks_of(assessed: Assessed, part: Part) -> tuple[str, ...]:
    """The check of the part, and the voltage check where the same fault makes the voltage wrong."""
    failed = [voltage.check for voltage in assessed.parts_with("voltage", "out of band") if before(voltage, part)]
    return tuple(dict.fromkeys((part.check, *failed)))


def before(voltage: Part, part: Part) -> bool:
    """True where voltage and pattern were taken in one phase of the work."""
    return voltage.steps[0] in part.steps
