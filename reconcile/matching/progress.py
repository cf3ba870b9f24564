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

    Shapes (steps, steps), (steps,), (steps,). Source: common practice for the order; the weights of odd orders are
    wide on purpose, as engineers differ.
    """
    forward = np.array([_onward(place) for place in range(-1, STEP_COUNT)])
    kernel = np.zeros((STEP_COUNT, STEP_COUNT))
    leave = np.zeros(STEP_COUNT)
    phase = np.array([PHASES.index(step.phase) for step in STEPS.values()])
    for place, name in enumerate(STEP_NAMES):
        row = FORWARD * forward[place + 1][:STEP_COUNT]
        row[place] += AGAIN
        mates = [STEP_NAMES.index(mate) for triple in TRIPLES if name in triple for mate in triple if mate != name]
        row[mates or [place]] += SAME_TRIPLE / max(len(mates), 1)
        row += SAME_PHASE * (phase == phase[place]) / (phase == phase[place]).sum() + ANYWHERE / STEP_COUNT
        leave[place] = max(LEAVES_BY_PHASE[STEPS[name].phase], FORWARD * forward[place + 1][STEP_COUNT])
        kernel[place] = row * (1.0 - leave[place]) / row.sum()
    first = 0.85 * forward[0][:STEP_COUNT] / forward[0][:STEP_COUNT].sum() + 0.15 / STEP_COUNT
    return kernel, leave, first


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
def pause_class() -> Places:
    """Which pause lies between two steps; shape (steps, steps): 0 within the tests, 1 to isolate, 2 to restore."""
    phase = np.array([PHASES.index(step.phase) for step in STEPS.values()])
    restored, isolation = PHASES.index("restored"), PHASES.index("isolation")
    into_restored = (phase[None, :] == restored) & (phase[:, None] != restored)
    into_isolation = (phase[None, :] == isolation) & (phase[:, None] < isolation)
    return np.where(into_restored, 2, np.where(into_isolation, 1, 0)).astype(np.int64)


def pause_densities(pause_s: Numbers) -> dict[str, Numbers]:
    """Density [1/s] of a pause before the next reading, by what lies between; 1 for all where it is unknown.

    Median and spread in logarithm, wide on purpose: ``within`` tests 40 s, to ``isolate`` 150 s, to ``restore`` from
    minutes to the length of the work, to the next ``appliance`` 200 s, to the next ``job`` 25 min, ``stray`` any.
    """
    pause = np.maximum(np.nan_to_num(pause_s, nan=1.0), 0.0) + 3.0
    known = ~np.isnan(pause_s)
    densities = {
        "within": 0.92 * _spread(pause, 40.0, 0.9) + 0.08 * _spread(pause, 400.0, 1.3),
        "isolate": 0.9 * _spread(pause, 150.0, 1.1) + 0.1 * _spread(pause, 600.0, 1.4),
        "restore": 0.5 * _spread(pause, 120.0, 1.0) + 0.5 * _spread(pause, 1500.0, 1.1),
        "appliance": 0.8 * _spread(pause, 180.0, 1.0) + 0.2 * _spread(pause, 900.0, 1.2),
        "job": 0.9 * _spread(pause, 1500.0, 0.7) + 0.1 * _spread(pause, 500.0, 1.2),
        "stray": _spread(pause, 200.0, 2.0),
    }
    return {name: np.where(known, density, 1.0) for name, density in densities.items()}


def _spread(pause_s: Numbers, median_s: float, sigma: float) -> Numbers:
    """Log-normal density [1/s]."""
    z = np.log(pause_s / median_s) / sigma
    return np.asarray(np.exp(-0.5 * z * z) / (pause_s * sigma * np.sqrt(2.0 * np.pi)), dtype=np.float64)
