"""The earth fault loop impedance at the appliance, before the work and, where it was measured again, after it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from reconcile.case import Case, Reading
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.compare import compare
from reconcile.verdicts.loop_limit import LoopLimit, loop_limit


def assess_loop(case: Case, *, check: str, step: str) -> Part:
    """One loop reading against the limit of its device or RCD, then against what the supply makes likely."""
    reading = case.of(step)
    found = loop_limit(case.pack, case.appliance, fitted_a=case.says_number("fuse_rating_a"))
    base = Part(
        check=check,
        kind="loop",
        steps=(step,),
        reading_ids=case.ids(step),
        reading=reading,
        high=found.limit,
        factor=found.factor,
    )
    if reading is None:
        return replace(base, why="missing")
    outcome, why = judge_loop(case, reading, found)
    return replace(base, outcome=outcome, why=why, note=note_loop(case, reading, found))


def judge_loop(case: Case, reading: Reading, found: LoopLimit) -> tuple[str, str]:
    """Outcome and why of one loop reading."""
    if has_no_earth(case, reading, found):
        return "unsatisfactory", "no earth"
    if found.value_ohm is None:
        return "inconclusive", found.why
    answer = compare(reading, high=found.value_ohm)
    if answer == "fails":
        return "unsatisfactory", "high"
    unstable = case.appliance.earthing == "TT" and compare(reading, high=case.pack.number("electrode_unstable"))
    if unstable == "fails":
        return "unsatisfactory", "unstable"
    if answer == "cannot tell" or unstable == "cannot tell":
        return "inconclusive", "no number"
    return judge_likely(case, reading)


def has_no_earth(case: Case, reading: Reading, found: LoopLimit) -> bool:
    """True where the tester ran over its range: no return path was found, or none that any arrangement may have.

    A bound below the limit of the arrangement says nothing of the kind: ">20 ohm" is what a good electrode shows on a
    small range.
    """
    if reading.value is None:
        return reading.is_over_range
    if reading.comparator != "gt":
        return False
    least = case.pack.number("no_earth_above") if found.value_ohm is None else found.value_ohm
    return reading.value >= least


def judge_likely(case: Case, reading: Reading) -> tuple[str, str]:
    """Outcome and why of a loop reading that is within its limit: is it one that this arrangement can have?"""
    assert reading.value is not None
    pack, earthing = case.pack, case.appliance.earthing
    if reading.comparator == "eq" and reading.value < pack.number("lowest_plausible_loop"):
        return "inconclusive", "implausibly low"
    above, below = (pack.find_limit(f"unlikely_{side}/{earthing}") for side in ("above", "below"))
    if above is not None and reading.value > above.value:
        return "inconclusive", "unlikely"
    if below is not None and reading.value < below.value:
        return "inconclusive", "unlikely"
    return "satisfactory", ""


def note_loop(case: Case, reading: Reading, found: LoopLimit) -> str:
    """What else the reading tells: how the limit was chosen, and the prospective earth fault current."""
    notes = [found.why] if found.limit is not None and found.why else []
    if found.limit is not None and found.factor != 1.0:
        notes.append(f"limit taken at {found.factor:g} of {found.limit.value:.4g} ohm for cold conductors")
    if reading.value and reading.comparator == "eq":
        notes.append(f"prospective earth fault current {fault_current_a(case, reading.value):.3g} A")
    return "; ".join(notes)


def fault_current_a(case: Case, loop_ohm: float) -> float:
    """U0 / Z [A] at nominal voltage. Source: BS 7671 Guidance Note 3 (secondary)."""
    return case.pack.number("nominal_line_to_earth") / loop_ohm


def assess_earth_fault_loop(case: Case) -> Iterator[Part]:
    """The check ``earth_fault_loop``."""
    loop = assess_loop(case, check="earth_fault_loop", step="earth_loop")
    beside = case.of("line_neutral_loop")
    if beside is None:
        yield loop
        return
    note = loop.note
    if beside.value and beside.comparator == "eq":
        current = f"prospective short-circuit current {fault_current_a(case, beside.value):.3g} A"
        note = "; ".join(filter(None, [note, current]))
    yield replace(loop, note=note, reading_ids=(*loop.reading_ids, *case.ids("line_neutral_loop")))
