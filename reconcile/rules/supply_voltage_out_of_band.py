"""The supply voltage is outside its band, and no fault of polarity explains it."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import before
from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.signatures import DANGER_ORDER
from reconcile.wording import show, show_limit


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each line-neutral voltage outside the band."""
    triples = tuple(assessed.parts("triple"))
    for part in assessed.parts_with("voltage", "out of band"):
        beside = [triple for triple in triples if before(part, triple)]
        if any(triple.why in DANGER_ORDER for triple in beside):
            continue
        yield Remark(
            code="supply_voltage_out_of_band",
            message=f"Line to neutral {show(part.reading)}, outside {show_limit(part.limit_low, 'V')} to "
            f"{show_limit(part.limit_high, 'V')}. {meaning(assessed, part)}",
            action="Repeat, also with the appliance off. If it stays, tell the responsible person; refer to the "
            "distributor where the supply itself is outside the band, otherwise to a competent electrician.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=part.limit_source or "",
        )


def meaning(assessed: Assessed, part: Part) -> str:
    """What the voltage can mean, by how far it is off."""
    value, pack = (part.reading.value if part.reading else None) or 0.0, assessed.case.pack
    if value < pack.number("no_indication"):
        return "There was no supply when this was measured: switched off, fuse blown, or already isolated."
    if value < pack.number("lowest_voltage_at_appliance"):
        return (
            "A supply at its lower limit and the usual drop in the wiring do not make it so low: look for a poor joint."
        )
    if value < pack.number("nominal_voltage"):
        return "A supply near its lower limit and the drop in the wiring can do this; so can a poor joint."
    return "It can damage controls; it comes from the supply, or from a poor neutral shared with other loads."


RULE = Rule(
    codes=("supply_voltage_out_of_band",),
    about="L-N outside 230 V +10 % / -6 %, with no polarity fault that explains it",
    source="ESQCR 2002 regulation 27 (secondary)",
    effect="unsatisfactory",
    find=find,
)
