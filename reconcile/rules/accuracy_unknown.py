"""A reading whose meter has no accuracy specification for it: its uncertainty cannot be worked out."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.certainty import certainty, has_limits
from reconcile.wording import quantity_title, show, show_value


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for all governing numbers of registered meters without a specification that covers them."""
    case, shown, ids = assessed.case, {}, []
    for verdict in assessed.verdicts.values():
        for part in verdict.parts:
            reading = part.reading
            if (
                reading is None
                or reading.comparator != "eq"
                or not has_limits(part)
                or reading.calibration == "not registered"
            ):
                continue
            if certainty(case, part) is None:
                permitted = case.pack.find_limit(f"permitted_error/{reading.quantity}")
                worst = ""
                if permitted is not None and reading.value is not None:
                    half = reading.value * permitted.value / 100.0
                    worst = (
                        f" (a tester of {permitted.source} may be wrong by {show_value(half, reading.unit, digits=2)})"
                    )
                shown[reading.reading_id] = f"{quantity_title(reading.quantity)} {show(reading)}{worst}"
                ids.append(reading.reading_id)
    if shown:
        yield Remark(
            code="accuracy_unknown",
            message=f"The register has no accuracy specification that covers: {'; '.join(shown.values())}. How sure these are "
            "cannot be said.",
            action="Put the meter's specification for these quantities into the register.",
            reading_ids=tuple(dict.fromkeys(ids)), blocks=False, source="IEC 61557 permitted errors (memory)",
        )  # fmt: skip


RULE = Rule(
    codes=("accuracy_unknown",), about="a governing number without an accuracy specification of its meter",
    source="JCGM 100:2008; IEC 61557 permitted errors (memory)", effect="none", find=find,
)  # fmt: skip
