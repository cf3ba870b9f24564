"""An earth electrode that may not stay as it is."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, show_limit, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each loop reading on TT that the RCD allows but the soil may not keep."""
    for part in assessed.parts_with("loop", "unstable"):
        limit = assessed.case.pack.limit("electrode_unstable")
        yield Remark(
            code="earth_loop_unstable",
            message=f"{capital(title(part.steps[0]))}: {show(part.reading)} on a TT supply, above "
            f"{show_limit(limit.value, 'Ohm')}. The RCD allows up to {show_limit(part.limit_high, 'Ohm')}, but the "
            "electrode may rise when the soil dries or freezes.",
            action="Tell the responsible person; refer to a competent electrician to look at the earth electrode.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=limit.citation,
        )


RULE = Rule(
    codes=("earth_loop_unstable",),
    about="loop on TT above 200 ohm",
    source="BS 7671 Table 41.5 note 2 (memory)",
    effect="unsatisfactory",
    find=find,
)
