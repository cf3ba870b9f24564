"""Isolation: secured, the indicator proved before and after, and proved dead between the two proofs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from reconcile.case import NS_PER_MINUTE, Case, Reading, order_key
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.compare import compare
from reconcile.verdicts.signatures import explain
from reconcile.verdicts.supply import assess_supply_polarity, volts_of
from schemas.jobs import ATTESTED

NO_INDICATOR: Final = ("non-contact detector", "proving unit")
"""Roles of instruments that cannot prove three pairs dead, whatever they show."""
DEAD: Final = ("dead_ln", "dead_le", "dead_ne")
WAS_RIGHT: Final = (
    "before isolation the supply was connected as it should be, which speaks for a switch or fuse in the neutral"
)
SECURED: Final = "locked, or the fuse or plug kept by the person who works; caution notice left"


def dead_readings(case: Case) -> tuple[Reading, ...]:
    """The governing readings of the three pairs, those there are."""
    return tuple(reading for step in DEAD if (reading := case.of(step)) is not None)


def assess_proof(case: Case, *, check: str, step: str) -> Part:
    """One proof of the voltage indicator: it indicated, before or after the dead tests, in time, the same meter."""
    reading = case.of(step)
    base = Part(
        check=check,
        kind="proof",
        accepts="the indicator responds to a known source",
        steps=(step,),
        reading=reading,
        reading_ids=case.ids(step),
    )
    if reading is None:
        return replace(base, why="missing")
    if reading.indication != "present":
        return replace(base, outcome="inconclusive", why="not proved")
    why = doubt_proof(case, reading, before=step == "proof_before")
    return replace(base, outcome="inconclusive" if why else "satisfactory", why=why)


def doubt_proof(case: Case, proof: Reading, *, before: bool) -> str:
    """Why a proof does not cover the dead tests; empty where it does."""
    window = case.pack.number("proof_window")
    for test in dead_readings(case):
        if test.meter_serial != proof.meter_serial:
            return "another meter"
        first, second = (proof, test) if before else (test, proof)
        order = came_first(first, second)
        if order is not True:
            return "wrong order" if order is False else "order unknown"
        if not before and failed_since(case, test):
            return "failed before"
        apart = minutes_apart(proof, test)
        if apart is None or apart > window:
            return "time unknown" if apart is None else "too long"
    return ""


def failed_since(case: Case, test: Reading) -> bool:
    """True where a proof of the indicator failed that is not known to be older than the dead test.

    What a new battery puts right afterwards was still wrong during the test.
    """
    proofs = (*case.valid("proof_before"), *case.valid("proof_after"))
    return any(proof.indication == "absent" and came_first(test, proof) is not False for proof in proofs)


def minutes_apart(one: Reading, other: Reading) -> float | None:
    """The time between two readings [min], by their times or by what one meter's own clock said; None where neither
    is known. Cells of one record are taken together.
    """
    if one.taken_at_ns is not None and other.taken_at_ns is not None:
        return abs(one.taken_at_ns - other.taken_at_ns) / NS_PER_MINUTE
    if one.place[:2] == other.place[:2]:
        return 0.0
    one_clock = one.meter_serial == other.meter_serial and one.evidence_sha256 == other.evidence_sha256
    if one_clock and one.meter_time_ns is not None and other.meter_time_ns is not None:
        return abs(one.meter_time_ns - other.meter_time_ns) / NS_PER_MINUTE
    return None


def came_first(first: Reading, second: Reading) -> bool | None:
    """True where ``first`` was taken before ``second`` or with it, False where after; None where nobody can know.

    Without times, or with one time for both, the numbers of one meter's memory decide; cells of one record count as
    taken together. Where no memory tells more, one time for both counts as together: many meters stamp whole minutes.
    """
    one, other = first.taken_at_ns, second.taken_at_ns
    if one is not None and other is not None:
        if one < other:
            return True
        if one > other:
            return False
    if first.place[:2] == second.place[:2]:
        return True
    same_meter = first.meter_serial == second.meter_serial and first.evidence_sha256 == second.evidence_sha256
    if same_meter and first.memory_no is not None and second.memory_no is not None:
        return first.memory_no < second.memory_no
    return None if one is None or other is None else True


def assess_pairs(case: Case) -> Part:
    """The three pairs: no indication on any of them, and each tested since the last one that was live."""
    readings = [case.of(step) for step in DEAD]
    shown = max(dead_readings(case), key=lambda r: (r.value is None, abs(r.value or 0.0), order_key(r)), default=None)
    limit = case.pack.limit("no_indication")
    base = Part(
        check="proved_dead",
        kind="dead",
        steps=DEAD,
        reading=shown,
        reading_ids=case.ids(*DEAD),
        high=limit,
    )
    if shown is None:
        return replace(base, why="missing")
    volts = volts_of(case, DEAD)
    known = [volt for volt in volts if volt is not None]
    if known and max(known) >= case.pack.number("supply_present"):
        found = explain(volts, isolated=True, pack=case.pack)
        code = found.governing()
        part = replace(base, outcome="unsatisfactory", why=code, causes=found.words(), also=found.also)
        return replace(part, against=WAS_RIGHT if code == "isolated_in_neutral" and was_right(case) else "")
    if any(r is not None and is_live(case, r) for r in readings):
        return replace(base, outcome="unsatisfactory", why="not_dead")
    if any(r is not None and is_indicating(case, r) for r in readings):
        return replace(base, outcome="inconclusive", why="induced")
    if any(r is None or compare(r, high=limit.value) != "passes" for r in readings):
        return replace(base, outcome="inconclusive", why="pair missing")
    if stale_steps(case):
        return replace(base, outcome="inconclusive", why="not all again")
    if any(r is not None and r.meter_role in NO_INDICATOR for r in readings):
        return replace(base, outcome="inconclusive", why="no indicator")
    return replace(base, outcome="satisfactory")


def was_right(case: Case) -> bool:
    """True where the supply was connected as it should be before it was isolated."""
    return all(part.outcome == "satisfactory" for part in assess_supply_polarity(case))


def is_live(case: Case, reading: Reading) -> bool:
    """True where the pair shows more than extra-low voltage."""
    return reading.is_over_range or compare(reading, high=case.pack.number("extra_low_voltage")) == "fails"


def is_indicating(case: Case, reading: Reading) -> bool:
    """True where the pair shows more than no indication."""
    return compare(reading, high=case.pack.number("no_indication")) == "fails"


def stale_steps(case: Case) -> tuple[str, ...]:
    """Pairs last tested before another pair was found live: what was isolated has changed since."""
    earlier = [r for step in DEAD for r in case.valid(step) if is_indicating(case, r) or is_live(case, r)]
    return tuple(
        step
        for step in DEAD
        if (governing := case.of(step)) is not None
        and any(live.step != step and came_first(live, governing) is not True for live in earlier)
    )


def assess_proved_dead(case: Case) -> Iterator[Part]:
    """The check ``proved_dead``: the pairs, and both proofs of the indicator that they rest on."""
    pairs = assess_pairs(case)
    yield pairs
    if pairs.outcome != "not tested":
        for proof in (*assess_proof_before(case), *assess_proof_after(case)):
            if proof.outcome != "satisfactory":
                yield Part(
                    check="proved_dead",
                    kind="dead proof",
                    outcome="inconclusive",
                    why=proof.why,
                    steps=proof.steps,
                    reading_ids=proof.reading_ids,
                )


def assess_proof_before(case: Case) -> Iterator[Part]:
    """The check ``indicator_proved_before``."""
    yield assess_proof(case, check="indicator_proved_before", step="proof_before")


def assess_proof_after(case: Case) -> Iterator[Part]:
    """The check ``indicator_proved_after``."""
    yield assess_proof(case, check="indicator_proved_after", step="proof_after")


def assess_secured(case: Case) -> Iterator[Part]:
    """The check ``isolation_secured``: by a lock, or by a retained fuse or plug while the person keeps it; and the
    caution notice that goes with it.
    """
    how = case.says("isolation_point_secured")
    base = Part(check="isolation_secured", kind="secured", indication=how, accepts=SECURED)
    if how is None:
        worked_dead = any(case.needs_step(step) or case.valid(step) for step in DEAD)
        outcome, why = ("not tested", "missing") if worked_dead else ("not applicable", "")
        yield replace(base, outcome=outcome, why=why)
        return
    if how == "none":
        yield replace(base, outcome="unsatisfactory", why="not secured")
        return
    if how not in ATTESTED["isolation_point_secured"]:
        yield replace(base, outcome="inconclusive", why="not understood")
        return
    kept = "" if how == "locked" else "holds only while the person who did it stays in control of it"
    notice = case.says("caution_notice")
    yield replace(base, outcome="satisfactory", note=kept)
    if notice != "yes":
        yield Part(
            check="isolation_secured",
            kind="notice",
            outcome="inconclusive",
            why="missing" if notice is None else "no notice",
        )
