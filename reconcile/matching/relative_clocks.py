"""How the clocks of two meters stand to each other, told by the order of the work they recorded together.

One engineer is at one appliance at a time. Laid over each other with the right difference of their clocks, the readings
of the two meters make one sensible sequence: proof, dead test and proof between the live tests and the dead ones. Every
difference worth a look is scored by one pass of a small chain over the stages of the work, all of them at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.habits import BINS, Habits, lies_between, pause_bin
from reconcile.matching.progress import (
    STAGE_COUNT,
    STYLES,
    TO_APPLIANCE,
    TO_JOB,
    resumed_stage,
    stage_kernel,
    stages_of_kind,
)

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

LABEL_CHANGED: Final = 0.015
"""Staying at an appliance while another label is typed, leaving it while the same is."""

FLOOR: Final = 1e-9
"""Weight of any move at all: strays and habits nobody thought of."""


HOPELESS: Final = 40.0
"""Orders that fall short of the best by more than this [log likelihood] are scored in one style of work only."""

UNKNOWN_PAUSE: Final = 0.01
"""Density [1/s] of a pause that is not known: about that of a usual one."""


@dataclass(frozen=True, kw_only=True)
class Track:
    """The readings of one or more meters by one clock: ``time_s`` [s, NaN where there is none], ``kind``, ``label``
    (number, −1 none), ``emission`` (T, D): weight of each stage by the meter; ``member`` and ``row``: whose reading;
    ``at``: the appliance that its meter alone surely says (−1 open).
    """

    time_s: Numbers
    kind: Places
    label: Places
    emission: Numbers
    member: Places
    row: Places
    at: Places

    def sorted_by(self, order: Places) -> Track:
        """The readings in that order."""
        return Track(**{name: getattr(self, name)[order] for name in self.__dataclass_fields__})


@dataclass(frozen=True, kw_only=True)
class Ground:
    """Moves from stage to stage by length of pause (bins + 1, S + 1, S + 1), the last for a pause that is not known: at
    one appliance, and to another.
    """

    stay: Numbers
    leave: Numbers
    first: Numbers


def bins_of(pause_s: Numbers) -> Places:
    """Which length of pause in a Ground each is [s]."""
    return np.where(np.isnan(pause_s), BINS, pause_bin(np.maximum(pause_s, 0.0)))


def lay_grounds(habits: Habits) -> tuple[Ground, ...]:
    """The moves of engineers with these pauses, one for each style of work: the order is not learnt yet."""
    return tuple(_lay_ground(habits, style) for style in STYLES)


def _lay_ground(habits: Habits, style: str) -> Ground:
    kernel, leave_after, first = stage_kernel(style)
    size = STAGE_COUNT + 1
    places = np.arange(size)
    lies = lies_between(places[:, None], places[None, :])
    density = np.concatenate([habits.pause.T, np.full((1, len(habits.pause)), UNKNOWN_PAUSE)])
    stay = kernel[None] * density[:, lies]
    away = 0.6 * density[:, TO_APPLIANCE] + 0.4 * density[:, TO_JOB]
    begin = 0.85 * first + 0.15 * resumed_stage()[0]
    leave = leave_after[None, :, None] * begin[None, None, :] * away[:, None, None]
    assert stay.shape == (BINS + 1, size, size)
    return Ground(stay=stay, leave=leave, first=first)


def score_sequences(order: Places, time_s: Numbers, track: Track, grounds: tuple[Ground, ...]) -> Numbers:
    """Log likelihood of the readings in each of H orders, over all styles of work; shape (H,).

    ``order`` (H, T): places in ``track``; ``time_s`` (H, T): their times in that order [s].
    """
    usual = _score_in_style(order, time_s, track, grounds[0])
    # What is hopeless in the usual style is so in the others: they differ in what no order of two meters changes.
    close = np.flatnonzero(usual > usual.max() - HOPELESS)
    by_style = [_score_in_style(order[close], time_s[close], track, ground) for ground in grounds[1:]]
    usual[close] = np.logaddexp.reduce([usual[close], *by_style], axis=0)
    return np.asarray(usual - np.log(len(grounds)), dtype=np.float64)


def _score_in_style(order: Places, time_s: Numbers, track: Track, ground: Ground) -> Numbers:
    stages = np.where(stages_of_kind() < 0, STAGE_COUNT, stages_of_kind())[track.kind]
    bins = bins_of(np.diff(time_s, axis=1))
    stay, leave = _label_weights(track.label[order])
    now = stages[order[:, 0]]
    weight = ground.first[now] * track.emission[order[:, 0]] + FLOOR
    total = np.zeros(len(order))
    for place in range(1, order.shape[1]):
        before, now = now, stages[order[:, place]]
        cell = (bins[:, place - 1, None, None], before[:, :, None], now[:, None, :])
        move = ground.stay[cell] * stay[:, place, None, None] + ground.leave[cell] * leave[:, place, None, None]
        weight = (weight[:, :, None] * move).sum(axis=1)
        weight = weight * track.emission[order[:, place]] + FLOOR * (now < STAGE_COUNT) * 1e-4
        scale = weight.sum(axis=1)
        total += np.log(scale)
        weight /= scale[:, None]
    return total


def _label_weights(label: Places) -> tuple[Numbers, Numbers]:
    """Weight of staying and of leaving at each reading, by its label and the last one typed before (H, T)."""
    place = np.where(label >= 0, np.arange(label.shape[1]), -1)
    last = np.maximum.accumulate(place, axis=1)[:, :-1]
    before = np.where(last >= 0, np.take_along_axis(label, np.maximum(last, 0), axis=1), -1)
    before = np.concatenate([np.full((len(label), 1), -1), before], axis=1)
    known = (label >= 0) & (before >= 0)
    adjacent = np.concatenate([np.full((len(label), 1), False), place[:, 1:] - last == 1], axis=1)
    same = label == before
    stay = np.where(known & ~same & adjacent, LABEL_CHANGED, 1.0)
    leave = np.where(known & same, LABEL_CHANGED, 1.0)
    return stay, leave


def lay_over(first: Track, second: Track) -> Track:
    """Both tracks as one, the readings of the first before those of the second."""
    names = Track.__dataclass_fields__
    return Track(**{name: np.concatenate([getattr(first, name), getattr(second, name)]) for name in names})


def score_differences(
    first: Track, second: Track, difference_s: Numbers, drift: Numbers, grounds: tuple[Ground, ...]
) -> tuple[Numbers, Places]:
    """Log likelihood of each difference of the clocks (second minus first) [s], with its drift [s a s] about the middle
    of the second; and the order (H, T) of the readings under it.
    """
    both = lay_over(first, second)
    middle_s = 0.5 * (second.time_s[0] + second.time_s[-1])
    shown = second.time_s[None, :] - difference_s[:, None] - drift[:, None] * (second.time_s - middle_s)[None, :]
    times = np.concatenate([np.broadcast_to(first.time_s, (len(shown), len(first.time_s))), shown], axis=1)
    order = np.argsort(times, axis=1, kind="stable")
    return score_sequences(order, np.take_along_axis(times, order, axis=1), both, grounds), order


def score_alone(track: Track, grounds: tuple[Ground, ...]) -> float:
    """Log likelihood of one track alone."""
    order = np.arange(len(track.time_s))[None]
    return float(score_sequences(order, track.time_s[None], track, grounds)[0])
