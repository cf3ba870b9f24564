"""A resistance from case to earth on which the sources differ."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import show, show_limit


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the resistance is above 0.1 ohm and the cord, and not above 1 ohm."""
    fail = assessed.case.pack.limit("continuity_fail")
    for part in assessed.parts_with("continuity", "doubtful"):
        yield Remark(
            code="earth_continuity_doubtful",
            message=f"Case to earth {show(part.reading)}: above {show_limit(part.limit_high, 'Ohm')} (0.1 ohm and a "
            f"usual cord), not above {show_limit(fail.value, 'Ohm')}. It can mean a long cord, leads not nulled, or "
            "a poor connection.",
            action="Null the leads and repeat; compare with the resistance of the cord. If it stays, tell the "
            "responsible person.",
            checks=("earth_continuity",),
            reading_ids=part.reading_ids,
            source=f"{part.limit_source}; {fail.citation}",
        )


RULE = Rule(
    codes=("earth_continuity_doubtful",),
    about="case to earth between (0.1 + R) ohm and 1 ohm",
    source="IET Code of Practice (secondary) and gas trade (common practice) differ",
    effect="inconclusive",
    find=find,
)
