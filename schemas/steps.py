"""The closed list of steps: planned tests of one appliance, in the order good practice asks for.

Common practice for the order: before the work (live), isolation, dead tests, then supply restored. Which of them a
work type asks for is data of the rule pack, not of this list.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Table, Text, Whole, required

PHASES: Final = ("before", "isolation", "dead", "restored")


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step: ``name``, ``phase``, what is measured (``quantity``, one of ``conductors``), the ``check`` it feeds,
    and its ``title`` for people.
    """

    name: str
    phase: str
    quantity: str
    conductors: tuple[str, ...] = ("",)
    check: str
    title: str


STEPS: Final[dict[str, Step]] = {
    step.name: step
    for step in (
        Step(name="metalwork_proof_before", phase="before", quantity="voltage_indicator_proof",
             check="exposed_metalwork", title="detector proved before touching"),
        Step(name="metalwork", phase="before", quantity="non_contact_voltage",
             check="exposed_metalwork", title="exposed metalwork"),
        Step(name="supply_ln", phase="before", quantity="voltage", conductors=("L-N",),
             check="supply_voltage", title="supply L-N"),
        Step(name="supply_le", phase="before", quantity="voltage", conductors=("L-E",),
             check="supply_polarity", title="supply L-E"),
        Step(name="supply_ne", phase="before", quantity="voltage", conductors=("N-E",),
             check="supply_polarity", title="supply N-E"),
        Step(name="supply_polarity", phase="before", quantity="polarity",
             check="supply_polarity", title="polarity indication"),
        Step(name="earth_loop", phase="before", quantity="earth_fault_loop_impedance", conductors=("L-E",),
             check="earth_fault_loop", title="earth fault loop"),
        Step(name="line_neutral_loop", phase="before", quantity="line_neutral_loop_impedance",
             conductors=("L-N",), check="earth_fault_loop", title="line-neutral loop"),
        Step(name="rcd_trip", phase="before", quantity="rcd_trip_time", check="rcd", title="RCD trip time"),
        Step(name="proof_before", phase="isolation", quantity="voltage_indicator_proof",
             check="indicator_proved_before", title="indicator proved before"),
        Step(name="dead_ln", phase="isolation", quantity="voltage", conductors=("L-N",),
             check="proved_dead", title="dead L-N"),
        Step(name="dead_le", phase="isolation", quantity="voltage", conductors=("L-E",),
             check="proved_dead", title="dead L-E"),
        Step(name="dead_ne", phase="isolation", quantity="voltage", conductors=("N-E",),
             check="proved_dead", title="dead N-E"),
        Step(name="proof_after", phase="isolation", quantity="voltage_indicator_proof",
             check="indicator_proved_after", title="indicator proved after"),
        Step(name="earth_continuity", phase="dead", quantity="continuity_resistance",
             conductors=("E-case", "R2", "R1R2"), check="earth_continuity", title="earth continuity"),
        Step(name="insulation", phase="dead", quantity="insulation_resistance",
             conductors=("LN-E", "L-E", "N-E", "L-N"), check="insulation", title="insulation"),
        Step(name="restored_ln", phase="restored", quantity="voltage", conductors=("L-N",),
             check="supply_restored", title="restored L-N"),
        Step(name="restored_le", phase="restored", quantity="voltage", conductors=("L-E",),
             check="supply_restored", title="restored L-E"),
        Step(name="restored_ne", phase="restored", quantity="voltage", conductors=("N-E",),
             check="supply_restored", title="restored N-E"),
        Step(name="restored_polarity", phase="restored", quantity="polarity",
             check="supply_restored", title="polarity after work"),
        Step(name="restored_metalwork", phase="restored", quantity="non_contact_voltage",
             check="supply_restored", title="metalwork after work"),
        Step(name="restored_loop", phase="restored", quantity="earth_fault_loop_impedance", conductors=("L-E",),
             check="supply_restored", title="earth fault loop after work"),
        Step(name="load_current", phase="restored", quantity="current",
             check="supply_restored", title="load current"),
    )
}  # fmt: skip

STEP_ORDER: Final[dict[str, int]] = {name: place for place, name in enumerate(STEPS)}


NEEDS: Final = ("required", "optional")


class PlannedSteps(Table):
    """The plan: one row an appliance and step that its work type and construction ask for or allow, in order.

    Conditional steps are already settled here (an RCD test is required where the job list names an RCD). ``position``
    counts from 0 for each appliance. ``source`` says who asks for the step.
    """

    job_id: Series[Text] = required()
    appliance_id: Series[Text] = required()
    step: Series[Text] = required(isin=list(STEPS))
    position: Series[Whole] = required(ge=0)
    need: Series[Text] = required(isin=list(NEEDS))
    source: Series[Text] = required()
