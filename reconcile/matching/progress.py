"""How the work on one appliance goes on: from which stage to which, after what pause, and when it ends.

A stage is a step at its time in the work: ``metalwork`` before the supply voltages were taken is another stage than
after them, so that the chain, which remembers the last stage only, knows what stands behind it. The grammar: live
tests, proof, dead test, proof, dead tests, live again. Once an appliance was isolated, a live test is one of the
supply restored, whatever else it begins with.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.order import KINDS
from schemas.steps import PHASES, STEPS

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

STEP_NAMES: Final = tuple(STEPS)
PHASE_OF_STEP: Final = np.array([PHASES.index(step.phase) for step in STEPS.values()])
"""The phase (a place in PHASES) of each step."""

MOST_STAGES_A_KIND: Final = 4


@dataclass(frozen=True, kw_only=True)
class Stage:
    """A step in a part of the work, and how often it is left out although the part goes on past it."""

    step: str
    part: str
    skipped: float


PARTS: Final = ("untested", "supply", "tested", "proving", "isolated", "proved", "dead", "restored")
UNTESTED, SUPPLY, TESTED, PROVING, ISOLATED, PROVED, DEAD, RESTORED = range(8)

SKIPPED: Final[dict[str, dict[str, float]]] = {
    "untested": {
        "metalwork_proof_before": 0.6, "metalwork": 0.4, "supply_polarity": 0.93, "earth_loop": 0.85,
        "line_neutral_loop": 0.96, "rcd_trip": 0.96, "earth_continuity": 0.95, "insulation": 0.96,
    },
    "supply": {"supply_ln": 0.12, "supply_le": 0.12, "supply_ne": 0.12},
    "tested": {
        "metalwork_proof_before": 0.92, "metalwork": 0.88, "supply_polarity": 0.6, "earth_loop": 0.25,
        "line_neutral_loop": 0.85, "rcd_trip": 0.8, "earth_continuity": 0.93, "insulation": 0.95,
    },
    "proving": {"proof_before": 0.2},
    "isolated": {"dead_ln": 0.1, "dead_le": 0.1, "dead_ne": 0.1},
    "proved": {"proof_after": 0.25},
    "dead": {"earth_continuity": 0.6, "insulation": 0.6},
    "restored": {
        "restored_ln": 0.12, "restored_le": 0.15, "restored_ne": 0.15, "restored_polarity": 0.8,
        "restored_metalwork": 0.85, "restored_loop": 0.8, "line_neutral_loop": 0.96, "rcd_trip": 0.95,
        "load_current": 0.8,
    },
}  # fmt: skip
"""Common practice, softened for missing readings; the order inside a part is the usual one."""

STAGES: Final = tuple(
    Stage(step=step, part=part, skipped=skipped) for part, steps in SKIPPED.items() for step, skipped in steps.items()
)
STAGE_COUNT: Final = len(STAGES)
STEP_OF_STAGE: Final = np.array([STEP_NAMES.index(stage.step) for stage in STAGES], dtype=np.int64)
PART_OF_STAGE: Final = np.array([PARTS.index(stage.part) for stage in STAGES], dtype=np.int64)

STYLES: Final[dict[str, dict[tuple[str, str], float]]] = {
    "usual": {},
    "loop first": {("untested", "earth_loop"): 0.15, ("tested", "earth_loop"): 0.9},
    "metalwork late": {
        ("untested", "metalwork_proof_before"): 0.95, ("untested", "metalwork"): 0.93,
        ("tested", "metalwork_proof_before"): 0.6, ("tested", "metalwork"): 0.3,
    },
    "earth first": {("tested", "earth_continuity"): 0.4, ("tested", "insulation"): 0.5, ("dead", "insulation"): 0.9},
}  # fmt: skip
"""Orders that engineers keep to all day, by what they change in the shares above (common practice)."""

FORWARD, AGAIN, SAME_TRIPLE, SAME_PART = 0.8, 0.05, 0.06, 0.05
STAYS: Final = {"untested": 0.35, "tested": 0.5}
"""Share of moves that stay in a part whose order is free."""

LEAPS: Final[dict[tuple[str, str], float]] = {
    ("untested", "restored"): 0.006, ("untested", "tested"): 1e-4, ("untested", "isolated"): 0.01,
    ("untested", "proving"): 0.006,
    ("supply", "untested"): 1e-4, ("supply", "restored"): 0.006,
    ("tested", "supply"): 0.005, ("tested", "restored"): 0.01, ("tested", "untested"): 1e-4,
    ("proving", "untested"): 0.01, ("proving", "supply"): 0.003, ("proving", "tested"): 0.03,
    ("proving", "restored"): 0.002,
    ("isolated", "proving"): 0.004, ("isolated", "supply"): 1e-4, ("isolated", "untested"): 1e-4,
    ("isolated", "tested"): 1e-4,
    ("proved", "proving"): 0.03, ("proved", "isolated"): 0.006, ("proved", "supply"): 1e-4,
    ("proved", "tested"): 1e-4, ("proved", "untested"): 1e-4,
    ("dead", "proving"): 0.03, ("dead", "isolated"): 0.005, ("dead", "proved"): 0.015, ("dead", "supply"): 1e-4,
    ("dead", "tested"): 1e-4, ("dead", "untested"): 1e-4,
    ("restored", "proving"): 0.008, ("restored", "isolated"): 0.001, ("restored", "dead"): 0.004,
    ("restored", "supply"): 1e-4, ("restored", "tested"): 1e-4, ("restored", "untested"): 1e-4,
}  # fmt: skip
"""Moves against the usual order. Live again after a dead test is the supply restored, not a fresh start."""

TRIPLES: Final = (
    ("supply_ln", "supply_le", "supply_ne"),
    ("dead_ln", "dead_le", "dead_ne"),
    ("restored_ln", "restored_le", "restored_ne"),
)
LEAVES_BY_PART: Final = {
    "untested": 0.03, "supply": 0.04, "tested": 0.08, "proving": 0.01, "isolated": 0.02, "proved": 0.06,
    "dead": 0.04, "restored": 0.12,
}  # fmt: skip
LEAVES_BY_STEP: Final = {"earth_loop": 0.12, "line_neutral_loop": 0.12, "rcd_trip": 0.12}

BEGINS_ODDLY: Final = {
    "untested": 0.3, "supply": 0.2, "tested": 0.02, "proving": 0.2, "isolated": 0.08, "proved": 0.01, "dead": 0.1,
    "restored": 0.015,
}  # fmt: skip
BEGINS_BY_ORDER: Final = 0.93
ENTERS_RESTORED: Final = {
    "restored_ln": 0.45, "restored_le": 0.12, "restored_ne": 0.08, "restored_metalwork": 0.14, "restored_loop": 0.07,
    "restored_polarity": 0.08, "load_current": 0.03, "line_neutral_loop": 0.01, "rcd_trip": 0.02,
}  # fmt: skip
BY_ORDER_INTO_RESTORED: Final = 0.5

RESUMED_BEGUN: Final = {
    "untested": 0.02, "supply": 0.02, "tested": 0.12, "proving": 0.45, "isolated": 0.15, "proved": 0.02, "dead": 0.1,
    "restored": 0.12,
}  # fmt: skip
RESUMED_DONE: Final = {
    "untested": 0.001, "supply": 0.001, "tested": 0.005, "proving": 0.3, "isolated": 0.1, "proved": 0.03, "dead": 0.15,
    "restored": 0.413,
}  # fmt: skip
"""With which part an appliance is gone back to: one that was tested live only, and one that was isolated already."""

WITHIN, TO_ISOLATE, TO_RESTORE, TO_APPLIANCE, TO_JOB, TO_STRAY, TO_RETEST, TO_DEAD_TESTS = range(8)
"""What a pause may lie between."""

PAUSES: Final[dict[int, tuple[tuple[float, float, float], ...]]] = {
    WITHIN: ((0.92, 40.0, 0.9), (0.08, 400.0, 1.3)),
    TO_ISOLATE: ((0.9, 150.0, 1.1), (0.1, 600.0, 1.4)),
    TO_RESTORE: ((0.5, 120.0, 1.0), (0.5, 1500.0, 1.1)),
    TO_APPLIANCE: ((0.8, 180.0, 1.0), (0.2, 900.0, 1.2)),
    TO_JOB: ((0.9, 1500.0, 0.7), (0.1, 500.0, 1.2)),
    TO_STRAY: ((1.0, 200.0, 2.0),),
    TO_RETEST: ((0.95, 45.0, 1.0), (0.05, 300.0, 1.0)),
    TO_DEAD_TESTS: ((0.75, 60.0, 1.0), (0.25, 1200.0, 1.0)),
}
"""Mixtures of log-normal pauses: share, median [s], spread of the logarithm. Wide on purpose: engineers differ."""

SHORTEST_PAUSE_S: Final = 3.0


@cache
def stages_of_kind() -> Places:
    """Stages that each kind of sighting can be; shape (kinds, 4), −1 where there are fewer."""
    table = np.full((len(KINDS), MOST_STAGES_A_KIND), -1, dtype=np.int64)
    for (quantity, conductors), kind in KINDS.items():
        fitting = [
            place
            for place, stage in enumerate(STAGES)
            if STEPS[stage.step].quantity == quantity and conductors in STEPS[stage.step].conductors
        ]
        table[kind, : len(fitting)] = fitting
    return table


@cache
def stage_kernel(style: str = "usual") -> tuple[Numbers, Numbers, Numbers]:
    """Probability of the next stage given the last, of leaving the appliance after a stage, and of the first stage.

    Shapes (stages + 1, stages + 1), (stages + 1,), (stages + 1,); the last place stands for no stage and is zero.
    ``style`` is one of STYLES.
    Source: common practice for the order; the weights of odd orders are wide on purpose.
    """
    kernel = np.zeros((STAGE_COUNT + 1, STAGE_COUNT + 1))
    leave = np.zeros(STAGE_COUNT + 1)
    for place, stage in enumerate(STAGES):
        onward = _onward(place, style)
        row = FORWARD * _within(place, onward[:STAGE_COUNT], style)
        row[place] += AGAIN
        mates = [other for other in range(STAGE_COUNT) if triple_mates()[place, other]]
        row[mates or [place]] += SAME_TRIPLE / max(len(mates), 1)
        row += SAME_PART * _share_of_part(stage.part, style)
        for (source, target), weight in LEAPS.items():
            if source == stage.part:
                row += weight * _entry(target, style)
        leave[place] = max(
            LEAVES_BY_STEP.get(stage.step, 0.0) if stage.part in ("untested", "tested") else 0.0,
            LEAVES_BY_PART[stage.part],
            FORWARD * onward[STAGE_COUNT],
        )
        kernel[place, :STAGE_COUNT] = row * (1.0 - leave[place]) / row.sum()
    first = np.zeros(STAGE_COUNT + 1)
    by_order = _onward(-1, style)[:STAGE_COUNT]
    odd = sum(weight * _entry(part, style) for part, weight in BEGINS_ODDLY.items())
    first[:STAGE_COUNT] = BEGINS_BY_ORDER * by_order / by_order.sum() + (1.0 - BEGINS_BY_ORDER) * odd / np.sum(odd)
    return kernel, leave, first


@cache
def resumed_stage() -> Numbers:
    """Probability of the first stage when an appliance is gone back to; shape (2, stages + 1): tested live only, and
    isolated already. Common practice where several appliances are done together: all are tested live, then each is
    isolated.
    """
    share = np.zeros((2, STAGE_COUNT + 1))
    for row, by_part in enumerate((RESUMED_BEGUN, RESUMED_DONE)):
        share[row, :STAGE_COUNT] = sum(weight * _entry(part, "usual") for part, weight in by_part.items())
    return np.asarray(share / share.sum(axis=1, keepdims=True), dtype=np.float64)


@cache
def was_isolated() -> Places:
    """Whether an appliance left after each stage was isolated already (1) or tested live only (0); (stages + 1)."""
    return np.append((PART_OF_STAGE >= ISOLATED).astype(np.int64), 0)


@cache
def _skipped(style: str) -> Numbers:
    other = STYLES[style]
    return np.array([other.get((stage.part, stage.step), stage.skipped) for stage in STAGES])


def _within(place: int, onward: Numbers, style: str) -> Numbers:
    """Where the order is free, a set share stays in the part and the rest goes on, whatever was done already."""
    part = PARTS[PART_OF_STAGE[place]]
    if part not in STAYS:
        return onward
    here = PART_OF_STAGE[place] == PART_OF_STAGE
    ahead, beyond = np.where(here, onward, 0.0), np.where(here, 0.0, onward)
    free = _share_of_part(part, style)
    inside = 0.6 * ahead / ahead.sum() + 0.4 * free if ahead.sum() > 0.0 else free
    return np.asarray(STAYS[part] * inside + (1.0 - STAYS[part]) * beyond / beyond.sum(), dtype=np.float64)


def _share_of_part(part: str, style: str) -> Numbers:
    skipped = _skipped(style)
    share = np.array([1.0 - skipped[at] if stage.part == part else 0.0 for at, stage in enumerate(STAGES)])
    return np.asarray(share / share.sum(), dtype=np.float64)


@cache
def _entry(part: str, style: str) -> Numbers:
    """With which stage a part of the work begins."""
    if part == "restored":
        share = np.array([ENTERS_RESTORED[stage.step] if stage.part == part else 0.0 for stage in STAGES])
        return np.asarray(share / share.sum(), dtype=np.float64)
    spread, rest = np.zeros(STAGE_COUNT), 1.0
    for place, stage in enumerate(STAGES):
        if stage.part == part:
            skipped = _skipped(style)[place]
            spread[place], rest = rest * (1.0 - skipped), rest * skipped
    return np.asarray(spread / spread.sum(), dtype=np.float64)


def _onward(place: int, style: str) -> Numbers:
    """Distribution of the next stage when the order is kept, from stage ``place`` (−1: the start); last entry: none."""
    spread = np.zeros(STAGE_COUNT + 1)
    rest = 1.0
    supplied = place >= 0 and PART_OF_STAGE[place] in (SUPPLY, TESTED)
    for later in range(place + 1, STAGE_COUNT):
        if PART_OF_STAGE[later] == TESTED and not supplied:
            continue
        taken = 1.0 - _skipped(style)[later]
        spread[later] = rest * taken
        rest *= 1.0 - taken
    into = PART_OF_STAGE == RESTORED
    if place < 0 or PART_OF_STAGE[place] != RESTORED:
        mass = spread[:STAGE_COUNT][into].sum()
        spread[:STAGE_COUNT] = np.where(into, BY_ORDER_INTO_RESTORED * spread[:STAGE_COUNT], spread[:STAGE_COUNT])
        spread[:STAGE_COUNT] += (1.0 - BY_ORDER_INTO_RESTORED) * mass * _entry("restored", style)
    spread[STAGE_COUNT] = rest
    return spread


@cache
def pause_between() -> Places:
    """What lies between two stages of one appliance; shape (stages + 1, stages + 1)."""
    part = np.append(PART_OF_STAGE, 0)
    into_restored = (part[None, :] == RESTORED) & (part[:, None] != RESTORED)
    isolating = (part == PROVING) | (part == ISOLATED)
    into_isolation = isolating[None, :] & ~isolating[:, None]
    back = np.arange(STAGE_COUNT + 1)[:, None] >= np.arange(STAGE_COUNT + 1)[None, :]
    into_dead = (part[None, :] == DEAD) & ((part[:, None] == ISOLATED) | (part[:, None] == PROVED))
    # The work itself may lie between isolation and the dead tests, or between two isolations.
    worked = into_dead | (isolating[None, :] & (part[:, None] >= PROVED))
    ahead = np.where(into_restored, TO_RESTORE, np.where(into_isolation, TO_ISOLATE, WITHIN))
    ahead = np.where(worked, TO_DEAD_TESTS, ahead)
    return np.where(back & ~triple_mates() & ~into_isolation & ~worked, TO_RETEST, ahead).astype(np.int64)


@cache
def triple_places() -> Places:
    """Stages of the three triples of voltages, each in the order L-N, L-E, N-E; shape (3, 3)."""
    steps = [stage.step for stage in STAGES]
    return np.array([[steps.index(name) for name in triple] for triple in TRIPLES], dtype=np.int64)


@cache
def triple_mates() -> NDArray[np.bool_]:
    """True for two steps of one triple of voltages, which may be taken in any order; shape (stages + 1, stages + 1)."""
    mates = np.zeros((STAGE_COUNT + 1, STAGE_COUNT + 1), dtype=bool)
    for triple in TRIPLES:
        places = [place for place, stage in enumerate(STAGES) if stage.step in triple]
        mates[np.ix_(places, places)] = True
    mates[np.arange(STAGE_COUNT), np.arange(STAGE_COUNT)] = False
    return mates
