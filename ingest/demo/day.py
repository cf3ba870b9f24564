"""The day that the demo meters hold: two invented appliances, tested in the order of the work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

STARTED: Final = datetime(2031, 4, 2, 9, 12, 40)


def local_now() -> datetime:
    """True local time where the demo meters are."""
    return datetime.now(ZoneInfo("Europe/London")).replace(tzinfo=None)


@dataclass(frozen=True, kw_only=True)
class DemoRecord:
    """One record as a meter keeps it: number, local time, code of the test, value and unit as text, label."""

    number: int
    local: datetime
    code: str
    value: str
    unit: str
    label: str


WORK: Final = (
    ("PROOF", "YES", ""), ("METAL", "NONE", ""), ("VLN", "238.4", "V"), ("VLE", "238.1", "V"), ("VNE", "0.4", "V"),
    ("LOOP", "0.35", "ohm"), ("PROOF", "YES", ""), ("VLN", "0.0", "V"), ("VLE", "0.0", "V"), ("VNE", "0.0", "V"),
    ("PROOF", "YES", ""), ("CONT", "0.08", "ohm"), ("INS500", "OVER", "Mohm"), ("VLN", "238.7", "V"),
    ("VLE", "238.2", "V"), ("VNE", "0.5", "V"),
)  # fmt: skip
"""Code, value and unit of the tests of one appliance. Invented values of ordinary size."""

LABELS: Final = ("BOILER-1", "FIRE-2")


def demo_day(records: int = len(WORK) * len(LABELS)) -> list[DemoRecord]:
    """The first ``records`` records; beyond the two appliances the work begins again with other values."""
    found = []
    for place in range(records):
        code, value, unit = WORK[place % len(WORK)]
        round_no = place // len(WORK)
        if code == "LOOP":
            value = f"{0.35 + 0.07 * (round_no % 9):.2f}"
        moment = STARTED + timedelta(seconds=47 * place + 1500 * round_no)
        label = LABELS[round_no % len(LABELS)]
        found.append(DemoRecord(number=place + 1, local=moment, code=code, value=value, unit=unit, label=label))
    return found
