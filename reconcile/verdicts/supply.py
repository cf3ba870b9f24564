"""Supply voltage and polarity from the three pairs, before the work and again after it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from reconcile.case import Case, Reading
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.compare import compare
from reconcile.verdicts.signatures import Explanation, Volts, explain

PAIRS: Final = ("L-N", "L-E", "N-E")
BEFORE: Final = ("supply_ln", "supply_le", "supply_ne")
RESTORED: Final = ("restored_ln", "restored_le", "restored_ne")
BLIND_SPOT: Final = (
    "three pairs cannot show neutral and earth swapped, nor a broken combined neutral and earth of the supply"
)
NO_METAL_LIVE: Final = "the detector found no voltage on the exposed metal, which speaks against line and earth swapped"
METAL_LIVE: Final = "the detector found voltage on the exposed metal, which speaks for line and earth swapped"
CANNOT_TELL: Final = "voltages alone cannot tell these apart, so the most dangerous is taken"
INDICATED: Final = {"reversed": "line_neutral_reversed", "no earth": "earth_open", "no neutral": "neutral_open"}


def find_volts(case: Case, reading: Reading | None) -> float | None:
    """The voltage that a reading stands for [V], where it can be told for a pattern.

    ``lt`` counts where even the bound is no indication, ``gt`` where the bound is already the supply.
    """
    if reading is None or reading.value is None or reading.value < 0.0:
        return None
    if reading.comparator == "lt" and reading.value > case.pack.number("no_indication"):
        return None
    if reading.comparator == "gt" and reading.value < case.pack.number("supply_present"):
        return None
    return reading.value


def volts_of(case: Case, steps: tuple[str, str, str]) -> Volts:
    """The voltages of L-N, L-E and N-E [V], None where there is no usable number."""
    line_neutral, line_earth, neutral_earth = (find_volts(case, case.of(step)) for step in steps)
    return line_neutral, line_earth, neutral_earth


def assess_voltage(case: Case, *, check: str, step: str) -> Part:
    """Line to neutral against the band of the supply."""
    reading = case.of(step)
    low, high = case.pack.limit("supply_voltage_low"), case.pack.limit("supply_voltage_high")
    base = Part(
        check=check,
        kind="voltage",
        steps=(step,),
        reading_ids=case.ids(step),
        low=low,
        high=high,
    )
    if reading is None:
        return replace(base, why="missing")
    answer = compare(reading, low=low.value, high=high.value)
    outcome = {"passes": "satisfactory", "fails": "unsatisfactory", "cannot tell": "inconclusive"}[answer]
    why = {"passes": "", "fails": "out of band", "cannot tell": "no number"}[answer]
    return replace(base, outcome=outcome, why=why, reading=reading)


def assess_polarity(
    case: Case, *, check: str, steps: tuple[str, str, str], indication_step: str, metalwork_step: str
) -> Part:
    """The pattern of the three pairs, settled by a polarity indication and the exposed metalwork where they help."""
    volts = volts_of(case, steps)
    indication = case.of(indication_step)
    shown = None if indication is None else indication.indication
    base = Part(
        check=check,
        kind="triple",
        reading=case.of(steps[2]) or case.of(steps[1]) or indication,
        reading_ids=case.ids(*reversed(steps), indication_step),
        steps=(*steps, indication_step),
        high=case.pack.limit("neutral_earth_high"),
        indication=shown,
        note=BLIND_SPOT,
    )
    if indication is None and all(case.of(step) is None for step in steps):
        return replace(base, why="missing")
    known = [volt for volt in volts if volt is not None]
    live = bool(known) and max(known) >= case.pack.number("supply_present")
    found = explain(volts, isolated=False, pack=case.pack) if live else None
    if found is not None and not found.is_normal:
        settled, against = separate(case, found, shown, metalwork_step)
        part = replace(base, outcome="unsatisfactory", why=settled.governing(), against=against)
        return replace(part, causes=settled.words(), also=settled.also)
    if shown in INDICATED:
        return replace(base, outcome="unsatisfactory", why=INDICATED[shown], causes=(f"the meter indicated {shown!r}",))
    outcome, why = judge_normal(case, volts, found, shown)
    return replace(base, outcome=outcome, why=why)


def separate(case: Case, found: Explanation, shown: str | None, metalwork_step: str) -> tuple[Explanation, str]:
    """The causes that are left where voltages cannot separate them, and what spoke against the others, in words.

    Line and earth swapped makes exposed metal live, so a metalwork test that showed none speaks for an open neutral;
    so does an indication of no neutral. Without either the more dangerous cause governs.
    """
    if {"line_earth_reversed", "neutral_open"} <= set(found.causes):
        metalwork = case.of(metalwork_step)
        shown_on_metal = None if metalwork is None else metalwork.indication
        if shown_on_metal == "absent":
            return found.without("line_earth_reversed"), NO_METAL_LIVE
        if shown_on_metal == "present":
            return found, METAL_LIVE
        if shown == "no neutral":
            return found.without("line_earth_reversed"), "the meter indicated that the neutral is missing"
    return found, CANNOT_TELL if len(found.causes) > 1 else ""


def judge_normal(case: Case, volts: Volts, found: Explanation | None, shown: str | None) -> tuple[str, str]:
    """Outcome and why for three pairs in which no fault of polarity was found."""
    line_neutral, line_earth, neutral_earth = volts
    limit = case.pack.number("neutral_earth_high")
    if found is not None and neutral_earth is not None and neutral_earth > limit:
        return "unsatisfactory", "neutral high"
    if line_neutral is None or line_earth is None or neutral_earth is None:
        return "inconclusive", "pair missing"
    if found is None:
        return "inconclusive", "no supply"
    if shown == "fault":
        return "inconclusive", "indication disagrees"
    if abs(line_neutral - line_earth) > neutral_earth + case.pack.number("triangle_tolerance"):
        return "inconclusive", "triangle"
    return "satisfactory", ""


def assess_supply_voltage(case: Case) -> Iterator[Part]:
    """The check ``supply_voltage``."""
    yield assess_voltage(case, check="supply_voltage", step="supply_ln")


def assess_supply_polarity(case: Case) -> Iterator[Part]:
    """The check ``supply_polarity``."""
    yield assess_polarity(
        case, check="supply_polarity", steps=BEFORE, indication_step="supply_polarity", metalwork_step="metalwork"
    )
