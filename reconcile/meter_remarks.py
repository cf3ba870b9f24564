"""Remarks about the meters behind the governing readings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from reconcile.case import Reading
from reconcile.rule import Assessed, Remark
from reconcile.verdicts import checks_of_step


def remark_meters(assessed: Assessed, *, state: str, code: str, message: str, action: str) -> Iterator[Remark]:
    """One remark for each meter with governing readings whose calibration is in that state."""
    found: dict[str, list[Reading]] = defaultdict(list)
    for reading in assessed.case.chosen.values():
        if reading.calibration == state:
            found[reading.meter_serial or "without a serial number"].append(reading)
    for meter, readings in sorted(found.items()):
        checks = [check for reading in readings if reading.step for check in checks_of_step(reading.step)]
        yield Remark(
            code=code,
            message=message.format(meter=meter),
            action=action,
            checks=tuple(dict.fromkeys(sorted(checks))),
            reading_ids=tuple(sorted(reading.reading_id for reading in readings)),
        )
