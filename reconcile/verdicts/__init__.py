"""The verdict of each check: what its readings and statements show, judged part by part, retests both ways."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from reconcile.case import Case, Reading, in_order
from reconcile.verdicts.assessment import RANK, Part, worst
from reconcile.verdicts.dead import assess_proof_after, assess_proof_before, assess_proved_dead, assess_secured
from reconcile.verdicts.dead_tests import assess_earth_continuity, assess_insulation, assess_rcd
from reconcile.verdicts.earth_loop import assess_earth_fault_loop
from reconcile.verdicts.restored import assess_supply_restored
from reconcile.verdicts.seen import assess_exposed_metalwork, assess_fuse_rating, assess_visual
from reconcile.verdicts.supply import assess_supply_polarity, assess_supply_voltage
from schemas.steps import STEPS

ASSESS: Final[Mapping[str, Callable[[Case], Iterator[Part]]]] = {
    "visual": assess_visual,
    "exposed_metalwork": assess_exposed_metalwork,
    "supply_voltage": assess_supply_voltage,
    "supply_polarity": assess_supply_polarity,
    "earth_fault_loop": assess_earth_fault_loop,
    "fuse_rating": assess_fuse_rating,
    "rcd": assess_rcd,
    "indicator_proved_before": assess_proof_before,
    "proved_dead": assess_proved_dead,
    "indicator_proved_after": assess_proof_after,
    "isolation_secured": assess_secured,
    "earth_continuity": assess_earth_continuity,
    "insulation": assess_insulation,
    "supply_restored": assess_supply_restored,
}

STEPS_OF: Final[Mapping[str, tuple[str, ...]]] = {
    check: tuple(step.name for step in STEPS.values() if step.check == check) for check in ASSESS
} | {"supply_polarity": ("supply_ln", "supply_le", "supply_ne", "supply_polarity")}
"""The steps that a check rests on. Polarity needs all three pairs, also the one that feeds the voltage check."""


STATED_FOR: Final[Mapping[str, tuple[str, ...]]] = {
    "isolation_point_secured": ("isolation_secured",),
    "caution_notice": ("isolation_secured",),
    "fuse_rating_a": ("fuse_rating", "earth_fault_loop"),
    "required_fuse_rating_a": ("fuse_rating",),
    "visual_condition": ("visual",),
    "test_leads_condition": ("visual",),
    "responsible_person_told": (),
    "connections_remade": (),
}
"""The checks that a statement feeds by itself."""


DECIDED_ONLY: Final = ("exposed_metalwork",)
"""Checks whose worse reading no statement about remade connections explains: metal that was live before anybody touched
the appliance may be live from the supply or from elsewhere in the building, and may be so again. A person decides."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """The verdict of one check: its parts and how a retest was taken.

    ``retest``: empty (nothing was tested twice, or it made no difference), ``explained``, ``unexplained`` or
    ``worst governs`` (the order cannot be known, or a person refused the retest). ``earlier`` are the superseded
    readings whose verdict would have been worse.
    """

    check: str
    parts: tuple[Part, ...]
    retest: str = ""
    earlier: tuple[Reading, ...] = ()

    @property
    def outcome(self) -> str:
        """The outcome of the worst part."""
        return worst(self.parts)


def assess(case: Case, check: str) -> Verdict:
    """The verdict of one check, with every earlier reading of its steps tried as the governing one.

    The last valid reading governs where a worse earlier one is explained: the connections were remade (which does not
    explain live metalwork), or a person accepted the retest. Where it is not, the check cannot pass. Where the order of
    the readings cannot be known, or a person refused the retest, the worse one governs.
    """
    base = Verdict(check=check, parts=tuple(ASSESS[check](case)))
    repeated = {step: valid for step in STEPS_OF[check] if len(valid := case.valid(step)) > 1}
    if not repeated:
        return base
    others = [
        (earlier, tuple(ASSESS[check](case.choosing({step: earlier}))))
        for step, valid in repeated.items()
        for earlier in valid
    ]
    worse = [(earlier, parts) for earlier, parts in others if RANK[worst(parts)] > RANK[base.outcome]]
    if not worse:
        return base
    earlier = tuple(reading for reading, _ in worse)
    if case.retests.get(check) == "refused" or not all(in_order(valid) for valid in repeated.values()):
        governing = max((parts for _, parts in worse), key=lambda parts: RANK[worst(parts)])
        return Verdict(check=check, parts=governing, retest="worst governs", earlier=earlier)
    remade = check not in DECIDED_ONLY and remade_since(case, earlier)
    explained = remade or case.retests.get(check) == "accepted"
    return Verdict(check=check, parts=base.parts, retest="explained" if explained else "unexplained", earlier=earlier)


def remade_since(case: Case, earlier: tuple[Reading, ...]) -> bool:
    """True where it was stated that connections were remade, and not before one of the earlier readings was taken."""
    if case.says("connections_remade") != "yes":
        return False
    stated = case.attested["connections_remade"][-1].attested_at_ns
    taken = [reading.taken_at_ns for reading in earlier if reading.taken_at_ns is not None]
    return stated is None or all(stated >= moment for moment in taken)


CHECKS_OF_STEP: Final[Mapping[str, tuple[str, ...]]] = {
    step: tuple(check for check, steps in STEPS_OF.items() if step in steps) for step in STEPS
}


def checks_of_step(step: str) -> tuple[str, ...]:
    """The checks that rest on a step."""
    return CHECKS_OF_STEP[step]


def checks_of_reading(reading: Reading) -> tuple[str, ...]:
    """The checks that a reading could bear on: those of its step, or of every step that measures the same thing."""
    if reading.step is not None and reading.fits_step:
        return checks_of_step(reading.step)
    steps = [
        step.name for step in STEPS.values() if step.quantity == reading.quantity and fits(step.conductors, reading)
    ]
    return tuple(dict.fromkeys(check for step in steps for check in checks_of_step(step)))


def fits(conductors: tuple[str, ...], reading: Reading) -> bool:
    """True where the reading was taken between one of those conductors, or nobody knows between which."""
    return not reading.conductors or reading.conductors in conductors
