"""Habits: in which order the steps are done and how long the pauses are, as usual or as learnt from the readings.

Engineers differ in order and pace but each keeps to his own ways. So a first pass over some sessions counts, with
probabilities, which step followed which and after what pause; the counts then shift the usual habits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.progress import (
    PAUSES,
    SHORTEST_PAUSE_S,
    STAGE_COUNT,
    pause_between,
    stage_kernel,
    triple_places,
)

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

BIN: Final = 0.25
BINS: Final = 56
USUAL_STEPS: Final = 12.0
"""How many moves from a step the usual habits count for, against those seen."""

USUAL_PAUSES: Final = 12.0
USUAL_READINGS: Final = 150.0
USUAL_STRAY: Final = 0.008
SMOOTHED_OVER: Final = 1.5


@dataclass(frozen=True, kw_only=True)
class Habits:
    """``kernel`` (S + 1, S + 1): next stage given the last; ``leave`` (S + 1), ``first`` (S + 1); the last place is no
    stage and zero. ``pause`` (kinds of pause, bins): density [1/s] by logarithm of the pause. ``stray``: share.
    """

    kernel: Numbers
    leave: Numbers
    first: Numbers
    pause: Numbers
    stray: float


@dataclass(frozen=True, kw_only=True)
class Moves:
    """Expected counts: ``step`` (S + 1, S + 1) from step to step, ``done`` (S + 1) of each step, ``pause`` (kinds,
    bins); ``strays`` of ``readings``.
    """

    step: Numbers
    done: Numbers
    pause: Numbers
    strays: float
    readings: float


@cache
def usual_habits() -> Habits:
    """The habits assumed before anything is seen (reconcile.matching.progress)."""
    kernel, leave, first = stage_kernel()
    return Habits(kernel=kernel, leave=leave, first=first, pause=_usual_pauses(), stray=USUAL_STRAY)


def _usual_pauses() -> Numbers:
    middle = (np.arange(BINS) + 0.5) * BIN + np.log(SHORTEST_PAUSE_S)
    density = np.empty((len(PAUSES), BINS))
    for between, mixture in PAUSES.items():
        exponents = [
            np.log(share / (sigma * np.sqrt(2.0 * np.pi))) - 0.5 * ((middle - np.log(median_s)) / sigma) ** 2
            for share, median_s, sigma in mixture
        ]
        density[between] = np.exp(np.logaddexp.reduce(exponents, axis=0) - middle)
    return density


def pause_bin(pause_s: Numbers) -> Places:
    """The bin of each pause [s]; unknown pauses are in bin 0."""
    logarithm = np.log(np.maximum(np.nan_to_num(pause_s), 0.0) + SHORTEST_PAUSE_S) - np.log(SHORTEST_PAUSE_S)
    return np.asarray(np.minimum(logarithm / BIN, BINS - 1), dtype=np.int64)


def pause_densities(pause_s: Numbers, habits: Habits) -> Numbers:
    """Density [1/s] of pauses [s] by what lies between (last axis); 1 where a pause is unknown."""
    density = habits.pause.T[pause_bin(pause_s)]
    return np.where(np.isnan(pause_s)[..., None], 1.0, density)


def learn_habits(moves: Moves) -> Habits:
    """The usual habits shifted by what was seen, each by the weight of its count."""
    usual = usual_habits()
    seen = moves.step.sum(axis=1)
    leaves = np.maximum(moves.done - seen, 0.0)
    total = (USUAL_STEPS + seen + leaves)[:, None]
    kernel = (USUAL_STEPS * usual.kernel + moves.step) / total
    leave = (USUAL_STEPS * usual.leave + leaves) / total[:, 0]
    kernel, leave = _alike_in_triples(kernel, leave, moves)
    arrivals = np.maximum(moves.done - moves.step.sum(axis=0), 0.0)
    first = (USUAL_STEPS * usual.first + arrivals) / (USUAL_STEPS + arrivals.sum())
    kernel[STAGE_COUNT], kernel[:, STAGE_COUNT], leave[STAGE_COUNT], first[STAGE_COUNT] = 0.0, 0.0, 0.0, 0.0
    stray = (USUAL_READINGS * usual.stray + moves.strays) / (USUAL_READINGS + moves.readings)
    return Habits(kernel=kernel, leave=leave, first=first, pause=_learnt_pauses(moves.pause), stray=float(stray))


def _alike_in_triples(kernel: Numbers, leave: Numbers, moves: Moves) -> tuple[Numbers, Numbers]:
    """Kernel and leavings with the order inside the triples of voltages learnt from all three of them together."""
    usual, places = usual_habits().kernel, triple_places()
    inside = np.zeros((len(places), 3, 3))
    for row, triple in enumerate(places):
        inside[row] = moves.step[np.ix_(triple, triple)]
    seen, done = inside.sum(axis=0), moves.done[places].sum(axis=0)
    kernel, leave = kernel.copy(), leave.copy()
    for triple in places:
        expected = usual[np.ix_(triple, triple)]
        pooled = (USUAL_STEPS * expected + seen) / (USUAL_STEPS + done[:, None])
        for row, place in enumerate(triple):
            rest = kernel[place].sum() - kernel[place, triple].sum() + leave[place]
            left = (1.0 - pooled[row].sum()) / max(rest, 1e-12)
            kernel[place] *= left
            leave[place] *= left
            kernel[place, triple] = pooled[row]
    return kernel, leave


def _learnt_pauses(counts: Numbers) -> Numbers:
    """Usual densities and smoothed counts, mixed."""
    usual = usual_habits().pause
    width_s = SHORTEST_PAUSE_S * (np.exp((np.arange(BINS) + 1.0) * BIN) - np.exp(np.arange(BINS) * BIN))
    apart = np.arange(BINS)[:, None] - np.arange(BINS)[None, :]
    spread = np.exp(-0.5 * (apart / SMOOTHED_OVER) ** 2)
    smoothed = counts @ (spread / spread.sum(axis=1, keepdims=True))
    total = counts.sum(axis=1, keepdims=True)
    return np.asarray((USUAL_PAUSES * usual + smoothed / width_s) / (USUAL_PAUSES + total), dtype=np.float64)


def count_pauses(kind: Places, pause_s: Numbers, weight: Numbers) -> Numbers:
    """Weighted counts of known pauses, shape (kinds of pause, bins)."""
    known = ~np.isnan(pause_s)
    cell = kind[known] * BINS + pause_bin(pause_s[known])
    counts = np.bincount(cell, weights=weight[known], minlength=len(PAUSES) * BINS)
    return counts.reshape(len(PAUSES), BINS).astype(np.float64)


def no_moves() -> Moves:
    """Nothing counted yet."""
    size = STAGE_COUNT + 1
    return Moves(
        step=np.zeros((size, size)), done=np.zeros(size), pause=np.zeros((len(PAUSES), BINS)), strays=0.0, readings=0.0
    )


def add_moves(one: Moves, other: Moves) -> Moves:
    """Both counts together."""
    return Moves(
        step=one.step + other.step,
        done=one.done + other.done,
        pause=one.pause + other.pause,
        strays=one.strays + other.strays,
        readings=one.readings + other.readings,
    )


def lies_between(earlier: Places, later: Places) -> Places:
    """Which pause lies between two stages (places, ``STAGE_COUNT`` for none)."""
    return np.asarray(pause_between()[earlier, later], dtype=np.int64)
