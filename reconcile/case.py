"""A case: all that is known about one appliance of one attended job, as the rules see it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

from reconcile.pack import Pack
from schemas.steps import STEPS

NS_PER_MINUTE: Final = 60_000_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """One reading with what the matcher says of it. ``value`` [``unit``]; ``taken_at_ns`` [ns since 1970, UTC].

    ``meter_time_ns`` is what the meter's own clock said [ns since 1970, local]: good for the time between two records.
    """

    reading_id: str
    quantity: str
    step: str | None = None
    conductors: str | None = None
    value: float | None = None
    unit: str | None = None
    comparator: str | None = None
    indication: str | None = None
    reason: str | None = None
    resolution: float | None = None
    test_voltage_v: float | None = None
    rcd_multiple: float | None = None
    meter_serial: str | None = None
    meter_role: str | None = None
    taken_at_ns: int | None = None
    meter_time_ns: int | None = None
    memory_no: int | None = None
    evidence_sha256: str = ""
    record_no: int = 0
    column_no: int = 0
    calibration: str = "in"

    @property
    def is_valid(self) -> bool:
        """True where the meter said something about the thing measured: a number, an indication, over its range."""
        return self.value is not None or self.indication is not None or self.is_over_range

    @property
    def is_over_range(self) -> bool:
        """True where the meter gave no number because there was more than it can show."""
        return self.value is None and self.reason is not None and self.reason.casefold().startswith("over")

    @property
    def fits_step(self) -> bool:
        """True where the step that the reading was given to measures this quantity between these conductors."""
        planned = STEPS.get(self.step or "")
        if planned is None or planned.quantity != self.quantity:
            return False
        return not self.conductors or planned.conductors == ("",) or self.conductors in planned.conductors

    @property
    def place(self) -> tuple[str, int, int]:
        """Where the reading stands in the evidence."""
        return (self.evidence_sha256, self.record_no, self.column_no)


@dataclass(frozen=True, kw_only=True, slots=True)
class Attested:
    """One fact that a person stated about the appliance."""

    item: str
    value: str
    by: str | None
    attested_at_ns: int | None
    place: tuple[str, int, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Accuracy:
    """One accuracy specification of a meter (schemas.meters.Accuracies)."""

    percent_of_reading: float
    digits: float
    resolution: float | None
    range_low: float | None
    range_high: float | None

    def covers(self, value: float) -> bool:
        """True where the specification holds for that value."""
        above = self.range_low is None or value >= self.range_low
        return above and (self.range_high is None or value <= self.range_high)


@dataclass(frozen=True, kw_only=True, slots=True)
class Appliance:
    """The appliance and its job as the job list has them; None is unknown. Times in ns since 1970, UTC."""

    certificate_id: str
    job_id: str
    appliance_id: str
    work_type: str | None = None
    earthing: str | None = None
    device: str | None = None
    device_rating_a: float | None = None
    rcd_rated_ma: float | None = None
    construction_class: str | None = None
    arrived_at_ns: int | None = None
    left_at_ns: int | None = None


Accuracies = Mapping[tuple[str, str], tuple[Accuracy, ...]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """One appliance: its readings by step (earliest first), what was attested, planned and decided, and the pack.

    ``chosen`` is the governing reading of each step: the last valid one, unless a retest is looked at the other way.
    ``uncertain`` are readings that may belong here but wait for a person. ``needs``: planned step to its need.
    ``retests``: check to ``accepted`` or ``refused``.
    """

    appliance: Appliance
    readings: Mapping[str, tuple[Reading, ...]]
    chosen: Mapping[str, Reading]
    uncertain: tuple[Reading, ...]
    attested: Mapping[str, tuple[Attested, ...]]
    needs: Mapping[str, str]
    retests: Mapping[str, str]
    accuracies: Accuracies
    pack: Pack

    def of(self, step: str) -> Reading | None:
        """The governing reading of the step, where there is a valid one."""
        return self.chosen.get(step)

    def valid(self, step: str) -> tuple[Reading, ...]:
        """All valid readings of the step, earliest first."""
        return tuple(reading for reading in self.readings.get(step, ()) if reading.is_valid)

    def ids(self, *steps: str) -> tuple[str, ...]:
        """The ids of all readings of those steps, valid or not, the governing ones first."""
        first = [self.chosen[step].reading_id for step in steps if step in self.chosen]
        rest = [reading.reading_id for step in steps for reading in self.readings.get(step, ())]
        return tuple(dict.fromkeys(first + rest))

    def needs_step(self, step: str) -> bool:
        """True where the plan requires the step."""
        return self.needs.get(step) == "required"

    def says(self, item: str) -> str | None:
        """What was stated last about the item, in small letters; None where nothing was."""
        found = self.attested.get(item)
        return found[-1].value.strip().casefold() if found else None

    def contradicted(self) -> tuple[str, ...]:
        """The items stated in two ways of which nobody can know the later one: in two files, not both with a time."""
        return tuple(
            item
            for item, rows in sorted(self.attested.items())
            if len({row.value for row in rows}) > 1 and not one_after_other(rows)
        )

    def says_number(self, item: str) -> float | None:
        """What was stated last about the item, as a number above zero; None where it is none."""
        said = self.says(item)
        if said is None:
            return None
        try:
            number = float(said)
        except ValueError:
            return None
        return number if isfinite(number) and number > 0.0 else None

    def choosing(self, readings: Mapping[str, Reading]) -> Case:
        """The same case with other governing readings for some steps."""
        return replace(self, chosen={**self.chosen, **readings})


def one_after_other(rows: tuple[Attested, ...]) -> bool:
    """True where it is known which statement came last: by time, or by the lines of one list."""
    times = [row.attested_at_ns for row in rows]
    if None not in times and len(set(times)) == len(times):
        return True
    return len({row.place[0] for row in rows}) == 1


def in_order(readings: tuple[Reading, ...]) -> bool:
    """True where it is known which of the readings came first: by time, or by the numbers of one meter's memory."""
    times = [reading.taken_at_ns for reading in readings]
    if None not in times and len(set(times)) == len(times):
        return True
    if None in times and any(time is not None for time in times):
        return False
    numbers = [reading.memory_no for reading in readings]
    one_meter = len({(reading.meter_serial, reading.evidence_sha256) for reading in readings}) == 1
    return one_meter and None not in numbers and len(set(numbers)) == len(numbers)


def order_key(reading: Reading) -> tuple[bool, int, int, tuple[str, int, int]]:
    """Sorts readings by time, then memory number, then their place in the evidence; unknown times come last."""
    return (reading.taken_at_ns is None, reading.taken_at_ns or 0, reading.memory_no or 0, reading.place)
