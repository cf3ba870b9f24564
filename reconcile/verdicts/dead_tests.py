"""Tests on the dead appliance: earth continuity and insulation; and the RCD, which is tested live."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import inf

from reconcile.case import Case, Reading
from reconcile.pack import Limit
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.compare import compare


def assess_earth_continuity(case: Case) -> Iterator[Part]:
    """The check ``earth_continuity``: exposed metal to the earth of the supply, with the leads nulled."""
    readings = case.valid("earth_continuity")
    base = Part(
        check="earth_continuity",
        kind="continuity",
        steps=("earth_continuity",),
        reading_ids=case.ids("earth_continuity"),
        high=continuity_limit(case),
    )
    if case.appliance.construction_class == "II":
        yield replace(base, outcome="not applicable", why="class two tested" if readings else "")
        return
    reading = last_between(case, "earth_continuity", "E-case")
    if reading is None:
        yield replace(
            base,
            outcome="inconclusive" if readings else "not tested",
            why="not to the case" if readings else "missing",
        )
        return
    outcome, why = judge_continuity(case, reading)
    yield replace(base, reading=reading, outcome=outcome, why=why)


def continuity_limit(case: Case) -> Limit:
    """(0.1 + R) ohm with R of the usual cord."""
    base = case.pack.limit("continuity_part")
    return replace(base, id="continuity", value=base.value + case.pack.number("cord_resistance"))


def judge_continuity(case: Case, reading: Reading) -> tuple[str, str]:
    """Outcome and why of one resistance from the case to earth."""
    answer = compare(reading, high=case.pack.number("continuity_fail"))
    if answer == "fails" or reading.is_over_range:
        return "unsatisfactory", "high"
    if compare(reading, high=continuity_limit(case).value) == "passes":
        return ("satisfactory", "") if has_cord(case, reading) else ("inconclusive", "implausibly low")
    return "inconclusive", "doubtful" if answer == "passes" and reading.comparator == "eq" else "no number"


def has_cord(case: Case, reading: Reading) -> bool:
    """True where the reading, rounded to its last digit, can be that of the shortest cord: less than it is what two
    leads on one piece of metal show, or leads nulled while they made poor contact.
    """
    return (reading.value or 0.0) + (reading.resolution or 0.0) / 2.0 >= case.pack.number("shortest_cord")


def last_between(case: Case, step: str, conductors: str) -> Reading | None:
    """The governing reading among those of the step between those conductors."""
    chosen = case.of(step)
    if chosen is not None and chosen.conductors == conductors:
        return chosen
    found = [reading for reading in case.valid(step) if reading.conductors == conductors]
    return found[-1] if found else None


def assess_insulation(case: Case) -> Iterator[Part]:
    """The check ``insulation``: live conductors to earth, joined or each by itself; the lowest governs.

    Where the class of the appliance is not recorded, it fails by the limit of class I and passes by that of class II.
    """
    readings = case.valid("insulation")
    limit = case.pack.limit(
        "insulation_class_two" if case.appliance.construction_class == "II" else "insulation_wiring"
    )
    base = Part(
        check="insulation",
        kind="insulation",
        steps=("insulation",),
        reading_ids=case.ids("insulation"),
        low=limit,
    )
    if not readings:
        yield replace(base, why="missing")
        return
    found = {pair: r for pair in ("LN-E", "L-E", "N-E", "L-N") if (r := last_between(case, "insulation", pair))}
    judged = {pair: judge_insulation(case, reading, limit) for pair, reading in found.items()}
    governing = max(judged, key=lambda pair: (judged[pair][0], -highest(found[pair])))
    reading = found[governing]
    rank, why = judged[governing]
    to_earth = "LN-E" in found or {"L-E", "N-E"} <= set(found)
    if rank == 0 and not to_earth:
        yield replace(base, reading=reading, outcome="inconclusive", why="pair missing")
    else:
        yield replace(base, reading=reading, outcome=("satisfactory", "inconclusive", "unsatisfactory")[rank], why=why)


def highest(reading: Reading) -> float:
    """The value [unit of the reading]; without one, as over the range, it is above every number."""
    return inf if reading.value is None else reading.value


def judge_insulation(case: Case, reading: Reading, limit: Limit) -> tuple[int, str]:
    """How bad one insulation reading is (0 passes, 1 cannot tell, 2 fails), and why."""
    if compare(reading, low=limit.value) == "fails":
        return 2, "low"
    if not shows(case, reading, limit.value):
        return 1, "no number"
    volts = reading.test_voltage_v
    if volts is not None and volts < case.pack.number("insulation_test_voltage"):
        return 1, "test voltage"
    strict = case.pack.number("insulation_class_two")
    if case.appliance.construction_class is None and not shows(case, reading, strict):
        return 1, "class unknown"
    return 0, ""


def shows(case: Case, reading: Reading, least: float) -> bool:
    """True where the reading shows at least that much [ohm], also by running over the meter's range."""
    return compare(reading, low=least) == "passes" or (reading.is_over_range and shows_at_least(case, reading, least))


def shows_at_least(case: Case, reading: Reading, least: float) -> bool:
    """True where a meter over its range thereby shows at least that much: its register entry tells how far it reads."""
    specified = case.accuracies.get((reading.meter_serial or "", reading.quantity), ())
    return any(accuracy.range_high is not None and accuracy.range_high >= least for accuracy in specified)


def assess_rcd(case: Case) -> Iterator[Part]:
    """The check ``rcd``: each test current by itself, the last reading of each; the worst governs."""
    readings = case.valid("rcd_trip")
    base = Part(
        check="rcd",
        kind="rcd",
        steps=("rcd_trip",),
        reading_ids=case.ids("rcd_trip"),
    )
    chosen = case.of("rcd_trip")
    if chosen is None:
        wanted = case.needs_step("rcd_trip") or case.appliance.earthing == "TT"
        yield replace(base, outcome="not tested" if wanted else "not applicable", why="missing" if wanted else "")
        return
    last = {reading.rcd_multiple: reading for reading in readings}
    last[chosen.rcd_multiple] = chosen
    for multiple, reading in sorted(last.items(), key=lambda item: item[0] or 0.0):
        yield judge_rcd(case, base, multiple, reading)
    half = case.pack.number("rcd_no_trip_multiple")
    if all(multiple is not None and multiple <= half for multiple in last):
        yield replace(base, reading=chosen, outcome="inconclusive", why="rated not tested")


def judge_rcd(case: Case, base: Part, multiple: float | None, reading: Reading) -> Part:
    """One trip time at one multiple of the rated current; at half of it the RCD must not trip."""
    pack = case.pack
    tripped = reading.value is not None and reading.comparator != "gt"
    if multiple is not None and multiple <= pack.number("rcd_no_trip_multiple"):
        outcome, why = ("inconclusive", "trips at half") if tripped else ("satisfactory", "")
        return replace(base, reading=reading, outcome=outcome, why=why)
    limit = None if multiple is None else pack.find_limit(f"rcd/{multiple:g}")
    strict, longest = pack.limit("rcd/5"), pack.limit("rcd/1")
    held = limit or longest
    if not tripped and (reading.value is None or reading.value >= held.value):
        return replace(base, reading=reading, high=held, outcome="unsatisfactory", why="no trip")
    answer = compare(reading, high=held.value)
    if answer == "fails":
        return replace(base, reading=reading, high=held, outcome="unsatisfactory", why="slow")
    if reading.comparator == "eq" and 0.0 <= (reading.value or 0.0) < pack.number("rcd_shortest"):
        return replace(base, reading=reading, high=held, outcome="inconclusive", why="implausibly short")
    if limit is None:
        answer = compare(reading, high=strict.value)
        outcome, why = ("satisfactory", "") if answer == "passes" else ("inconclusive", "multiple unknown")
        return replace(base, reading=reading, high=strict, outcome=outcome, why=why)
    outcome, why = ("satisfactory", "") if answer == "passes" else ("inconclusive", "no number")
    return replace(base, reading=reading, high=limit, outcome=outcome, why=why)
