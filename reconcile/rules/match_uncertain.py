"""A reading that may belong here waits for a person."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from reconcile.case import Reading
from reconcile.rule import Assessed, Day, DayRemark, Remark, Rule
from reconcile.verdicts import checks_of_reading, checks_of_step
from reconcile.wording import capital, quantity_title, show, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each check that an undecided reading could belong to."""
    waiting: dict[tuple[str, ...], list[Reading]] = defaultdict(list)
    for reading in assessed.case.uncertain:
        waiting[checks_of_reading(reading)].append(reading)
        if reading.step is not None and not reading.fits_step:
            yield misfit(reading)
    for checks, readings in sorted(waiting.items()):
        shown = ", ".join(f"{quantity_title(reading.quantity)} {show(reading)}" for reading in readings)
        yield Remark(
            code="match_uncertain",
            message=f"May belong to this appliance, but that is not settled: {shown}. It is not used until a person "
            "has decided.",
            action="Answer the open question about these readings.",
            checks=checks,
            reading_ids=tuple(reading.reading_id for reading in readings),
        )


def misfit(reading: Reading) -> Remark:
    """The remark about a reading that was given to a step which measures something else."""
    return Remark(
        code="match_uncertain",
        message=f"{capital(quantity_title(reading.quantity))} {reading.conductors or ''} {show(reading)} was given to "
        f"the step {title(reading.step)!r}, which measures something else. It is not used.".replace("  ", " "),
        action="Decide again to which step this reading belongs.",
        checks=(*checks_of_step(reading.step or ""), *checks_of_reading(reading)),
        reading_ids=(reading.reading_id,),
    )


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """One remark for all readings that wait for a person and have no likely appliance with a certificate."""
    waiting = {reading.reading_id for assessed in day.cases for reading in assessed.case.uncertain}
    matches = day.brief.matches
    loose = sorted(set(matches.loc[matches["match_status"] == "review", "reading_id"]) - waiting)
    if loose:
        many = f"{len(loose)} readings wait" if len(loose) > 1 else "1 reading waits"
        yield DayRemark(
            remark=Remark(
                code="match_uncertain",
                message=f"{many} for a person to decide where they belong.",
                action="Answer the open questions.",
                reading_ids=tuple(loose),
                source="the matcher of this program",
            )
        )


RULE = Rule(
    codes=("match_uncertain",),
    about="a reading that may belong to this appliance waits for a decision",
    source="the matcher of this program",
    effect="inconclusive",
    find=find,
    find_in_day=find_in_day,
)
