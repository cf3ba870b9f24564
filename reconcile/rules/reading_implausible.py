"""Values that the circuit cannot have."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, show_limit, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """A remark for a loop or earth path too low to be real, an RCD that trips at half its current, class II."""
    for part in assessed.parts_with("loop", "implausibly low"):
        limit = assessed.case.pack.limit("lowest_plausible_loop")
        yield Remark(
            code="reading_implausible",
            message=f"{capital(title(part.steps[0]))}: {show(part.reading)}, below {show_limit(limit.value, 'Ohm')}: "
            "no final circuit is so low. The tester was zeroed wrongly, or measured something else.",
            action="Check the leads and the zero of the tester and repeat.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=limit.citation,
        )
    for part in assessed.parts_with("rcd", "implausibly short"):
        limit = assessed.case.pack.limit("rcd_shortest")
        yield Remark(
            code="reading_implausible",
            message=f"RCD trip time {show(part.reading)}, below {show_limit(limit.value, 's')}: contacts cannot open "
            "so fast. The RCD was off already, or nothing was measured.",
            action="Reset the RCD, check that it is the one that feeds the test point, and repeat.",
            checks=("rcd",),
            reading_ids=part.reading_ids,
            source=limit.citation,
        )
    for part in assessed.parts_with("rcd", "trips at half"):
        yield Remark(
            code="reading_implausible",
            message=f"The RCD tripped ({show(part.reading)}) at half its rated current or less: it is too sensitive, "
            "or something else leaks.",
            action="Disconnect the loads and repeat. If it stays, refer to a competent electrician.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=assessed.case.pack.limit("rcd_no_trip_multiple").citation,
        )
    for part in assessed.parts_with("load", "above the fuse"):
        yield Remark(
            code="reading_implausible",
            message=f"The appliance drew {show(part.reading)}, more than the "
            f"{assessed.case.says_number('fuse_rating_a'):g} A fuse that was stated as seen: fuse or reading is "
            "wrong.",
            action="Look at the fuse again and repeat the current.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )
    for part in assessed.parts_with("continuity", "implausibly low"):
        limit = assessed.case.pack.limit("shortest_cord")
        yield Remark(
            code="reading_implausible",
            message=f"Case to earth {show(part.reading)}: half a metre of cord has "
            f"{limit.value * 1000.0:g} milliohm already. Both leads were on one piece of metal, or were nulled while "
            "they made poor contact.",
            action="Null the leads again with their tips firmly together, and repeat from the case to the earth of "
            "the plug or spur.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=limit.citation,
        )
    for part in assessed.parts_with("continuity", "class two tested"):
        yield Remark(
            code="reading_implausible",
            message="Earth continuity was measured on an appliance that the job list calls class II, which has no "
            "earthed case.",
            action="Look at the rating plate and correct the job list.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )


RULE = Rule(
    codes=("reading_implausible",),
    about="a value that the circuit, the RCD or the appliance cannot have",
    source="computed and common practice",
    effect="inconclusive",
    find=find,
)
