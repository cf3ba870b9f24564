"""How the work on one appliance goes on: from which step to which, after what pause, and when it ends."""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.order import KINDS
from schemas.steps import PHASES, STEPS

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

STEP_NAMES: Final = tuple(STEPS)
STEP_COUNT: Final = len(STEPS)
MOST_STEPS_A_KIND: Final = 3

SKIPPED: Final[dict[str, float]] = {
    "metalwork_proof_before": 0.6, "metalwork": 0.25, "supply_ln": 0.12, "supply_le": 0.12, "supply_ne": 0.12,
    "supply_polarity": 0.6, "earth_loop": 0.25, "line_neutral_loop": 0.85, "rcd_trip": 0.8, "proof_before": 0.2,
    "dead_ln": 0.1, "dead_le": 0.1, "dead_ne": 0.1, "proof_after": 0.25, "earth_continuity": 0.6,
    "insulation": 0.6, "restored_ln": 0.12, "restored_le": 0.15, "restored_ne": 0.15, "restored_polarity": 0.8,
    "restored_metalwork": 0.8, "restored_loop": 0.8, "load_current": 0.8,
}  # fmt: skip
"""How often a step is left out although the next ones follow: common practice, softened for missing readings."""

TRIPLES: Final = (
    ("supply_ln", "supply_le", "supply_ne"),
    ("dead_ln", "dead_le", "dead_ne"),
    ("restored_ln", "restored_le", "restored_ne"),
)
FORWARD, AGAIN, SAME_TRIPLE, SAME_PHASE, ANYWHERE = 0.78, 0.07, 0.07, 0.05, 0.03
LEAVES_BY_PHASE: Final = {"before": 0.06, "isolation": 0.03, "dead": 0.04, "restored": 0.12}
LEAVES_BY_STEP: Final = {"earth_loop": 0.12, "line_neutral_loop": 0.12, "rcd_trip": 0.12, "proof_after": 0.08}
RESUMED_WITH: Final = {
    "proof_before": 0.35, "dead_ln": 0.12, "dead_le": 0.03, "dead_ne": 0.03, "earth_continuity": 0.05,
    "insulation": 0.05, "restored_ln": 0.1, "restored_polarity": 0.04, "metalwork": 0.03,
}  # fmt: skip
ODD_START: Final = {"before": 1.0, "isolation": 0.4, "dead": 0.4, "restored": 0.05}
"""Weight of beginning an appliance out of order, by the phase it begins in."""

WITHIN, TO_ISOLATE, TO_RESTORE, TO_APPLIANCE, TO_JOB, TO_STRAY, TO_RETEST = range(7)
"""What a pause may lie between."""

PAUSES: Final[dict[int, tuple[tuple[float, float, float], ...]]] = {
    WITHIN: ((0.92, 40.0, 0.9), (0.08, 400.0, 1.3)),
    TO_ISOLATE: ((0.9, 150.0, 1.1), (0.1, 600.0, 1.4)),
    TO_RESTORE: ((0.5, 120.0, 1.0), (0.5, 1500.0, 1.1)),
    TO_APPLIANCE: ((0.8, 180.0, 1.0), (0.2, 900.0, 1.2)),
    TO_JOB: ((0.9, 1500.0, 0.7), (0.1, 500.0, 1.2)),
    TO_STRAY: ((1.0, 200.0, 2.0),),
    TO_RETEST: ((0.95, 45.0, 1.0), (0.05, 300.0, 1.0)),
}
"""Mixtures of log-normal pauses: share, median [s], spread of the logarithm. Wide on purpose: engineers differ."""

SHORTEST_PAUSE_S: Final = 3.0


@cache
def steps_of_kind() -> Places:
    """Steps that each kind of sighting can be; shape (kinds, 3), −1 where there are fewer."""
    table = np.full((len(KINDS), MOST_STEPS_A_KIND), -1, dtype=np.int64)
    for (quantity, conductors), kind in KINDS.items():
        fitting = [
            place
            for place, step in enumerate(STEPS.values())
            if step.quantity == quantity and conductors in step.conductors
        ]
        table[kind, : len(fitting)] = fitting
    return table


@cache
def step_kernel() -> tuple[Numbers, Numbers, Numbers]:
    """Probability of the next step given the last, of leaving the appliance after a step, and of the first step.

    Shapes (steps + 1, steps + 1), (steps + 1,), (steps + 1,); the last place stands for no step and is zero. Source:
    common practice for the order; the weights of odd orders are wide on purpose.
    """
    forward = np.array([_onward(place) for place in range(-1, STEP_COUNT)])
    kernel = np.zeros((STEP_COUNT + 1, STEP_COUNT + 1))
    leave = np.zeros(STEP_COUNT + 1)
    phase = _phases()
    for place, name in enumerate(STEP_NAMES):
        row = FORWARD * forward[place + 1][:STEP_COUNT]
        row[place] += AGAIN
        mates = [STEP_NAMES.index(mate) for triple in TRIPLES if name in triple for mate in triple if mate != name]
        row[mates or [place]] += SAME_TRIPLE / max(len(mates), 1)
        row += SAME_PHASE * (phase == phase[place]) / (phase == phase[place]).sum() + ANYWHERE / STEP_COUNT
        leave[place] = max(
            LEAVES_BY_STEP.get(name, LEAVES_BY_PHASE[STEPS[name].phase]), FORWARD * forward[place + 1][STEP_COUNT]
        )
        kernel[place, :STEP_COUNT] = row * (1.0 - leave[place]) / row.sum()
    first = np.zeros(STEP_COUNT + 1)
    odd = np.array([ODD_START[STEPS[name].phase] for name in STEP_NAMES])
    first[:STEP_COUNT] = 0.9 * forward[0][:STEP_COUNT] / forward[0][:STEP_COUNT].sum() + 0.1 * odd / odd.sum()
    return kernel, leave, first


@cache
def resumed_step() -> Numbers:
    """Probability of the first step when an appliance is gone back to; shape (steps + 1,).

    Common practice where several appliances are done together: all are tested live, then each is isolated.
    """
    share = np.zeros(STEP_COUNT + 1)
    for place, name in enumerate(STEP_NAMES):
        share[place] = RESUMED_WITH.get(name, 0.01)
    return np.asarray(share / share.sum(), dtype=np.float64)


def _phases() -> Places:
    return np.array([PHASES.index(step.phase) for step in STEPS.values()], dtype=np.int64)


def _onward(place: int) -> Numbers:
    """Distribution of the next step when the order is kept, from step ``place`` (−1: the start); last entry: none."""
    spread = np.zeros(STEP_COUNT + 1)
    rest = 1.0
    for later in range(place + 1, STEP_COUNT):
        taken = 1.0 - SKIPPED[STEP_NAMES[later]]
        spread[later] = rest * taken
        rest *= 1.0 - taken
    spread[STEP_COUNT] = rest
    return spread


@cache
def pause_between() -> Places:
    """What lies between two steps of one appliance; shape (steps + 1, steps + 1)."""
    phase = np.append(_phases(), 0)
    restored, isolation = PHASES.index("restored"), PHASES.index("isolation")
    into_restored = (phase[None, :] == restored) & (phase[:, None] != restored)
    into_isolation = (phase[None, :] == isolation) & (phase[:, None] < isolation)
    back = np.arange(STEP_COUNT + 1)[:, None] >= np.arange(STEP_COUNT + 1)[None, :]
    ahead = np.where(into_restored, TO_RESTORE, np.where(into_isolation, TO_ISOLATE, WITHIN))
    return np.where(back & ~_mates(), TO_RETEST, ahead).astype(np.int64)


def _mates() -> NDArray[np.bool_]:
    """True for two steps of one triple of voltages, which may be taken in any order; shape (steps + 1, steps + 1)."""
    mates = np.zeros((STEP_COUNT + 1, STEP_COUNT + 1), dtype=bool)
    for triple in TRIPLES:
        places = [STEP_NAMES.index(name) for name in triple]
        mates[np.ix_(places, places)] = True
    mates[np.arange(STEP_COUNT), np.arange(STEP_COUNT)] = False
    return mates
