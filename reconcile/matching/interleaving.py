"""The readings of a meter without a clock laid between those of another: the likeliest order of both.

A lattice of the two memories, walked reading by reading: each step takes the next reading of one of the two, and is
weighed like a move of the work (relative_clocks.Ground). Where the first meter has times, a run of the second stands
either soon after the reading before it or shortly before the reading after it; the long pause lies on the other side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.progress import STAGE_COUNT, stages_of_kind
from reconcile.matching.relative_clocks import LABEL_CHANGED, Ground, Track, bins_of

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

SOON_S: Final = 40.0
"""Pause assumed between readings of two meters where one of them has no time."""

CHANGE_S: Final = 45.0
"""Time that changing meters and measuring with the other takes (common practice): shorter gaps hardly hold that."""

CHANGES: Final = 0.4
LEAST_CHANGE: Final = 1e-4
DRAWN: Final = 64
MOST_ORDERS: Final = 10
OUT: Final = -1e9
IN_FIRST, AFTER, AHEAD = range(3)
"""What was taken last: a reading of the first meter; one of the second, soon after the first meter's last, or shortly
before its next.
"""


@dataclass(frozen=True, kw_only=True)
class Interleaving:
    """An order of the readings of two meters (places in first and then second), ``time_s`` in it [s], NaN where the
    first meter gave none, the log likelihood of all orders together, and of each reading of the second meter the gaps
    between the first's that it may stand in, ``share`` (readings of second, of first + 1), and the one it stands in,
    ``gap``.
    """

    order: Places
    time_s: Numbers
    score: float
    share: Numbers
    gap: Places


def interleave(first: Track, second: Track, grounds: tuple[Ground, ...]) -> list[Interleaving]:
    """A few orders that agree best with the likely ones, the best first, and how far the likely ones differ."""
    lattice = max((_walk(first, second, ground) for ground in grounds), key=lambda one: one.score)
    taken, gap = _draw(lattice, len(first.kind), len(second.kind))
    share = np.zeros((len(second.kind), len(first.kind) + 1))
    place = np.arange(len(second.kind))
    for one in gap:
        share[place, one] += 1.0 / len(gap)
    agreement = share[place[None, :], gap].sum(axis=1)
    found: dict[bytes, Interleaving] = {}
    for number in np.argsort(-agreement, kind="stable"):
        path = taken[number]
        order = np.array([at if last == IN_FIRST else len(first.kind) + at for last, at in path])
        laced = Interleaving(
            order=order, time_s=_times(first, second, path), score=lattice.score, share=share, gap=gap[number]
        )
        found.setdefault(order.tobytes(), laced)
        if len(found) == MOST_ORDERS:
            break
    return list(found.values())


@dataclass(frozen=True, kw_only=True)
class _Lattice:
    """Log weight of every state, (readings of first + 1, of second + 1, 3, D), and of the moves between them.

    ``split``: from a reading of the second soon after the first's last to one shortly before its next.
    """

    weight: Numbers
    first_on: Numbers
    second_on: Numbers
    split: Numbers
    enter: tuple[Numbers, Numbers]
    leave: tuple[Numbers, Numbers]
    score: float


def _stages(track: Track) -> Places:
    return np.where(stages_of_kind() < 0, STAGE_COUNT, stages_of_kind())[track.kind]


def _moves(
    source: Places, target: Places, emission: Numbers, bins: Places, stay: Numbers, leave: Numbers, ground: Ground
) -> Numbers:  # fmt: skip
    """Log weight of moves between stages (…, D, D), by pause and by what the labels say of staying and leaving."""
    cell = (bins[..., None, None], source[..., :, None], target[..., None, :])
    weight = ground.stay[cell] * stay[..., None, None] + ground.leave[cell] * leave[..., None, None]
    return np.asarray(np.log(weight * emission[..., None, :] + 1e-13), dtype=np.float64)


def _by_label(before: Places, after: Places) -> tuple[Numbers, Numbers]:
    """Weight of staying and of leaving between readings with these labels."""
    known = (before >= 0) & (after >= 0)
    stay = np.where(known & (before != after), LABEL_CHANGED, 1.0)
    leave = np.where(known & (before == after), LABEL_CHANGED, 1.0)
    return stay, leave


def _last_label(label: Places) -> Places:
    place = np.maximum.accumulate(np.where(label >= 0, np.arange(len(label)), -1))
    return np.where(place >= 0, label[np.maximum(place, 0)], -1)


def _next_label(label: Places) -> Places:
    return _last_label(label[::-1])[::-1]


def _walk(first: Track, second: Track, ground: Ground) -> _Lattice:
    """The lattice, summed over all ways to each state."""
    one, two = _stages(first), _stages(second)
    rows, columns, width = len(one), len(two), one.shape[1]
    last = _label_there(first)
    gap_s = np.append(np.diff(first.time_s), np.nan)
    gap, soon = bins_of(gap_s), bins_of(np.full(1, SOON_S))[0]
    soon_bins = np.full((rows, columns), soon if np.isfinite(first.time_s).all() else bins_of(np.full(1, np.nan))[0])
    stays, leaves = _over_gaps(first)
    a_to_a = _moves(one[:-1], one[1:], first.emission[1:], gap[:-1], stays[:-1], leaves[:-1], ground)
    pause_b = np.broadcast_to(bins_of(np.diff(second.time_s)), (rows + 1, columns - 1))
    within = _by_label(second.label[:-1], second.label[1:])
    b_to_b = _moves(
        two[None, :-1], two[None, 1:], second.emission[None, 1:], pause_b,
        np.broadcast_to(within[0], pause_b.shape), within[1] * np.append(1.0, leaves)[:, None], ground,
    )  # fmt: skip
    grid_a, grid_b = np.broadcast_arrays(one[:, None], two[None, :])
    plain = _by_label(*np.broadcast_arrays(last[:, None], second.label[None, :]))
    leaving = plain[1] * leaves[:, None]
    emission_b = np.broadcast_to(second.emission[None], (rows, columns, width))
    entry_soon = _moves(grid_a, grid_b, emission_b, soon_bins, plain[0], leaving, ground)
    long_bins = np.broadcast_to(gap[:, None], (rows, columns))
    entry_late = _moves(grid_a, grid_b, emission_b, long_bins, plain[0] * stays[:, None], leaving, ground)
    # A run of the second that the long pause cuts: its end belongs to what the first measured before, the rest to what
    # it measures next.
    cut = _by_label(
        *np.broadcast_arrays(second.label[None, :-1], np.broadcast_to(second.label[1:], (rows, columns - 1)))
    )
    split = _moves(
        grid_b[:, :-1], grid_b[:, 1:], emission_b[:, 1:], long_bins[:, 1:], cut[0], cut[1] * leaves[:, None], ground
    )
    split = np.where(np.isnan(gap_s)[:, None, None, None], OUT, split)
    change = _changes(gap_s)[:, None, None, None]
    entry_soon, entry_late = entry_soon + change, entry_late + change
    # Back to the first meter: to its reading i, after its reading i − 1 and reading j of the second.
    back_label = _by_label(*np.broadcast_arrays(second.label[None, :], first.label[:, None]))
    stayed, left = np.append(1.0, stays[:-1])[:, None], np.append(1.0, leaves[:-1])[:, None]
    emission_a = np.broadcast_to(first.emission[:, None], (rows, columns, width))
    before_gap = np.broadcast_to(np.append(bins_of(np.full(1, np.nan)), gap[:-1])[:, None], (rows, columns))
    exit_late = _moves(grid_b, grid_a, emission_a, before_gap, back_label[0] * stayed, back_label[1] * left, ground)
    exit_soon = _moves(grid_b, grid_a, emission_a, soon_bins, back_label[0], back_label[1] * left, ground)
    weight = np.full((rows + 1, columns + 1, 3, width), OUT)
    start = np.log(ground.first + 1e-6)
    weight[1, 0, IN_FIRST] = start[one[0]]
    weight[0, 1, AFTER] = weight[0, 1, AHEAD] = start[two[0]]
    lattice = _Lattice(
        weight=weight, first_on=a_to_a, second_on=b_to_b, split=split, enter=(entry_soon, entry_late),
        leave=(exit_late, exit_soon), score=0.0,
    )  # fmt: skip
    for diagonal in range(2, rows + columns + 1):
        i = np.arange(max(0, diagonal - columns), min(rows, diagonal) + 1)
        j = diagonal - i
        for taking, there in ((IN_FIRST, i > 0), (AFTER, j > 0), (AHEAD, j > 0)):
            cells = (i[there], j[there], taking)
            weight[cells] = np.maximum(weight[cells], _total(_ways(lattice, *cells)))
    return replace(lattice, score=float(_total(weight[rows, columns].reshape(1, -1, 1))[0, 0]))


def _label_there(first: Track) -> Places:
    """The label of the appliance at each reading of the first meter: typed there, or before at the same one (T)."""
    place = np.maximum.accumulate(np.where(first.label >= 0, np.arange(len(first.label)), -1))
    typed = place == np.arange(len(first.label))
    same = (place >= 0) & (first.at >= 0) & (first.at == first.at[np.maximum(place, 0)])
    return np.where(typed | same, first.label[np.maximum(place, 0)], -1)


def _over_gaps(first: Track) -> tuple[Numbers, Numbers]:
    """Weight of staying at an appliance over each gap after a reading of the first meter, and of leaving it (T), (T).

    A label that changes may have been typed some readings after the appliance was left; one that stays the same, and
    what the first meter alone says, hold for the whole gap.
    """
    before, after = _last_label(first.label), np.append(_next_label(first.label)[1:], -1)
    next_at, next_label = np.append(first.at[1:], -1), np.append(first.label[1:], -1)
    other = (first.label >= 0) & (next_label >= 0) & (first.label != next_label)
    known = (first.at >= 0) & (next_at >= 0)
    other |= known & (first.at != next_at)
    same = (before >= 0) & (before == after) | known & (first.at == next_at)
    return np.where(other, LABEL_CHANGED, 1.0), np.where(same, LABEL_CHANGED, 1.0)


def _changes(gap_s: Numbers) -> Numbers:
    """Log weight of using the other meter between two readings of the first with that gap [s], NaN where unknown."""
    share = np.maximum(1.0 - np.exp(-((gap_s / CHANGE_S) ** 3)), LEAST_CHANGE)
    return np.asarray(np.log(CHANGES * np.where(np.isnan(gap_s), 1.0, share)), dtype=np.float64)


def _total(ways: Numbers) -> Numbers:
    most = ways.max(axis=1)
    return np.asarray(most + np.log(np.exp(ways - most[:, None]).sum(axis=1)), dtype=np.float64)


def _ways(lattice: _Lattice, i: Places, j: Places, last: int) -> Numbers:
    """Log weight of coming to the states of these cells that took ``last``, from each state before (n, 3·D, D)."""
    weight, width = lattice.weight, lattice.weight.shape[3]
    ways = np.full((len(i), 3, width, width), OUT)
    if last == IN_FIRST:
        again, over = i > 1, j > 0
        ways[again, IN_FIRST] = weight[i[again] - 1, j[again], IN_FIRST][:, :, None] + lattice.first_on[i[again] - 2]
        for state, leave in ((AFTER, lattice.leave[0]), (AHEAD, lattice.leave[1])):
            ways[over, state] = weight[i[over] - 1, j[over], state][:, :, None] + leave[i[over] - 1, j[over] - 1]
    else:
        again, over = j > 1, i > 0
        enter = lattice.enter[last - AFTER]
        ways[again, last] = weight[i[again], j[again] - 1, last][:, :, None] + lattice.second_on[i[again], j[again] - 2]
        ways[over, IN_FIRST] = weight[i[over], j[over] - 1, IN_FIRST][:, :, None] + enter[i[over] - 1, j[over] - 1]
        if last == AHEAD:
            both = again & over
            ways[both, AFTER] = (
                weight[i[both], j[both] - 1, AFTER][:, :, None] + lattice.split[i[both] - 1, j[both] - 2]
            )
    return ways.reshape(len(i), 3 * width, width)


def _draw(lattice: _Lattice, rows: int, columns: int) -> tuple[list[list[tuple[int, int]]], Places]:
    """Paths drawn by their weight (always the same ones): what was taken, and the gap of each reading of the second."""
    chance = np.random.default_rng(20310506)
    width = lattice.weight.shape[3]
    i, j = np.full(DRAWN, rows), np.full(DRAWN, columns)
    state = _choose(np.broadcast_to(lattice.weight[rows, columns].reshape(-1), (DRAWN, 3 * width)), chance)
    last, stage = state // width, state % width
    taken: list[list[tuple[int, int]]] = [[] for _ in range(DRAWN)]
    gap = np.zeros((DRAWN, columns), dtype=np.int64)
    for step in range(rows + columns):
        for number in range(DRAWN):
            in_first = last[number] == IN_FIRST
            taken[number].append((int(last[number]), int(i[number] - 1 if in_first else j[number] - 1)))
        second = last != IN_FIRST
        gap[second, j[second] - 1] = i[second]
        if step == rows + columns - 1:
            break
        ways = np.full((DRAWN, 3 * width), OUT)
        for taking in (IN_FIRST, AFTER, AHEAD):
            chosen = np.flatnonzero(last == taking)
            if len(chosen):
                every = _ways(lattice, i[chosen], j[chosen], taking)
                ways[chosen] = every[np.arange(len(chosen)), :, stage[chosen]]
        i, j = np.where(second, i, i - 1), np.where(second, j - 1, j)
        state = _choose(ways, chance)
        last, stage = state // width, state % width
    return [path[::-1] for path in taken], gap


def _choose(log_weight: Numbers, chance: np.random.Generator) -> Places:
    """One place of each row, drawn by its weight."""
    share = np.exp(log_weight - log_weight.max(axis=1, keepdims=True)).cumsum(axis=1)
    return np.asarray((share < chance.random((len(share), 1)) * share[:, -1:]).sum(axis=1), dtype=np.int64)


def _times(first: Track, second: Track, taken: list[tuple[int, int]]) -> Numbers:
    """Times in that order: those of the first meter, and near them those of the second."""
    time_s = np.full(len(taken), np.nan)
    if np.isnan(first.time_s).any():
        return time_s
    kind = np.array([last for last, _ in taken])
    place = np.array([number for _, number in taken])
    own = kind == IN_FIRST
    time_s[own] = first.time_s[place[own]]
    run = np.flatnonzero(np.diff(own.astype(int), prepend=1) != 0)
    for begin, end in zip(run, np.append(run[1:], len(taken)), strict=True):
        if own[begin]:
            continue
        low = time_s[begin - 1] if begin else -np.inf
        high = time_s[end] if end < len(taken) else np.inf
        pauses = np.nan_to_num(np.diff(second.time_s[place[begin:end]]), nan=SOON_S)
        # Where the long pause cuts the run, the readings up to it follow the one before, the rest lead to the next.
        cut = np.flatnonzero(np.diff(kind[begin:end]) != 0)
        pauses[cut] = 0.0
        length = float(pauses.sum())
        room = high - low
        scale = min(1.0, 0.8 * room / (length + 2 * SOON_S)) if np.isfinite(room) else 1.0
        at = np.concatenate([[0.0], np.cumsum(pauses)]) * scale
        ahead = (kind[begin:end] == AHEAD) & np.isfinite(high) | ~np.isfinite(low)
        time_s[begin:end] = np.where(ahead, high - SOON_S * scale - (at[-1] - at), low + SOON_S * scale + at)
    return time_s
