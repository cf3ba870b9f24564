"""The earth fault loop is too high for the device or RCD that must cut off a fault."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, show_limit, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each loop reading above its limit."""
    appliance = assessed.case.appliance
    for part in assessed.parts_with("loop", "high"):
        by_rcd = (
            ""
            if appliance.rcd_rated_ma is None or appliance.earthing == "TT"
            else " An RCD may still cut it off; the protection then rests on the RCD alone."
        )
        yield Remark(
            code="earth_loop_high",
            message=f"A fault to exposed metal would not be cut off in time. {capital(title(part.steps[0]))}: "
            f"{show(part.reading)}, limit {show_limit(part.limit_high, 'Ohm')}.{by_rcd}",
            action="Remake the test connections and repeat; both readings are kept. If it stays, do not use the "
            "appliance: isolate it, tell the responsible person, refer to a competent electrician.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=part.limit_source or "",
        )


RULE = Rule(
    codes=("earth_loop_high",),
    about="loop above the limit of the protective device (TN) or of the RCD (TT)",
    source="BS 7671 regulation 411.4.4 and Tables 41.2 to 41.5",
    effect="unsatisfactory",
    find=find,
)
