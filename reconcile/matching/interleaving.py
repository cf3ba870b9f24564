"""The readings of a meter without a clock laid between those of another: the likeliest order of both.

A lattice of the two memories, walked reading by reading: each step takes the next reading of one of the two, and is
weighed like a move of the work (relative_clocks.Ground). Where the first meter has times, a run of the second stands
either soon after the reading before it or shortly before the reading after it; the long pause lies on the other side.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.progress import STAGE_COUNT, stages_of_kind
from reconcile.matching.relative_clocks import LABEL_CHANGED, Ground, Track, bins_of

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

SOON_S: Final = 40.0
"""Pause assumed between readings of two meters where one of them has no time."""

OUT: Final = -1e9
IN_FIRST, AFTER, AHEAD = range(3)
"""What was taken last: a reading of the first meter; one of the second, soon after the first meter's last, or shortly
before its next.
"""


def interleave(first: Track, second: Track, ground: Ground) -> tuple[float, Places, Numbers]:
    """Log likelihood of the likeliest order of the readings of both meters, the order (places in first and then
    second), and the time of each in it [s], NaN where the first meter gave none.
    """
    score, back, end = _walk(first, second, ground)
    taken = _trace(back, end, len(first.kind), len(second.kind))
    order = np.array([place if last == IN_FIRST else len(first.kind) + place for last, place in taken])
    return score, order, _times(first, second, taken)


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


def _walk(first: Track, second: Track, ground: Ground) -> tuple[float, Places, tuple[int, int]]:
    """Best log weight over the lattice, from where each state was come to, and the state at the end.

    Shape of the latter: (readings of first + 1, of second + 1, 3, D): coded last·D + stage.
    """
    one, two = _stages(first), _stages(second)
    rows, columns, width = len(one), len(two), one.shape[1]
    last, next_ = _last_label(first.label), _next_label(first.label)
    gap_s = np.append(np.diff(first.time_s), np.nan)
    gap, soon = bins_of(gap_s), bins_of(np.full(1, SOON_S))[0]
    soon_bins = np.full((rows, columns), soon if np.isfinite(first.time_s).all() else bins_of(np.full(1, np.nan))[0])
    a_to_a = _moves(one[:-1], one[1:], first.emission[1:], gap[:-1], *_by_label(last[:-1], first.label[1:]), ground)
    pause_b = bins_of(np.diff(second.time_s))
    b_to_b = _moves(
        two[:-1], two[1:], second.emission[1:], pause_b, *_by_label(second.label[:-1], second.label[1:]), ground
    )
    grid_a, grid_b = np.broadcast_arrays(one[:, None], two[None, :])
    plain = _by_label(*np.broadcast_arrays(last[:, None], second.label[None, :]))
    across = _by_label(last, np.append(next_[1:], -1))
    emission_b = np.broadcast_to(second.emission[None], (rows, columns, width))
    entry_soon = _moves(grid_a, grid_b, emission_b, soon_bins, *plain, ground)
    long_bins = np.broadcast_to(gap[:, None], (rows, columns))
    entry_late = _moves(
        grid_a, grid_b, emission_b, long_bins, plain[0] * across[0][:, None], plain[1] * across[1][:, None], ground
    )
    # Back to the first meter: to its reading i, after its reading i − 1 and reading j of the second.
    back_label = _by_label(*np.broadcast_arrays(second.label[None, :], first.label[:, None]))
    since = _by_label(np.append(-1, last[:-1]), first.label)
    emission_a = np.broadcast_to(first.emission[:, None], (rows, columns, width))
    before_gap = np.broadcast_to(np.append(bins_of(np.full(1, np.nan)), gap[:-1])[:, None], (rows, columns))
    exit_late = _moves(
        grid_b,
        grid_a,
        emission_a,
        before_gap,
        back_label[0] * since[0][:, None],
        back_label[1] * since[1][:, None],
        ground,
    )
    exit_soon = _moves(grid_b, grid_a, emission_a, soon_bins, *back_label, ground)
    best = np.full((rows + 1, columns + 1, 3, width), OUT)
    back = np.full((rows + 1, columns + 1, 3, width), -1, dtype=np.int64)
    start = np.log(ground.first + 1e-6)
    best[1, 0, IN_FIRST] = start[one[0]]
    best[0, 1, AFTER] = best[0, 1, AHEAD] = start[two[0]]
    for diagonal in range(2, rows + columns + 1):
        i = np.arange(max(0, diagonal - columns), min(rows, diagonal) + 1)
        j = diagonal - i
        _take_first(best, back, i[i > 0], j[i > 0], a_to_a, exit_late, exit_soon)
        _take_second(best, back, i[j > 0], j[j > 0], b_to_b, entry_soon, entry_late)
    final = best[rows, columns]
    place = int(final.argmax())
    return float(final.max()), back, (place // width, place % width)


def _take_first(
    best: Numbers, back: Places, i: Places, j: Places, a_to_a: Numbers, exit_late: Numbers, exit_soon: Numbers
) -> None:
    """The cells whose last reading is of the first meter."""
    width = best.shape[3]
    ways = np.full((len(i), 3, width, width), OUT)
    again = i > 1
    ways[again, IN_FIRST] = best[i[again] - 1, j[again], IN_FIRST][:, :, None] + a_to_a[i[again] - 2]
    over = j > 0
    ways[over, AFTER] = best[i[over] - 1, j[over], AFTER][:, :, None] + exit_late[i[over] - 1, j[over] - 1]
    ways[over, AHEAD] = best[i[over] - 1, j[over], AHEAD][:, :, None] + exit_soon[i[over] - 1, j[over] - 1]
    flat = ways.reshape(len(i), 3 * width, width)
    found = flat.max(axis=1)
    keep = best[i, j, IN_FIRST] < found
    best[i, j, IN_FIRST] = np.where(keep, found, best[i, j, IN_FIRST])
    back[i, j, IN_FIRST] = np.where(keep, flat.argmax(axis=1), back[i, j, IN_FIRST])


def _take_second(
    best: Numbers, back: Places, i: Places, j: Places, b_to_b: Numbers, entry_soon: Numbers, entry_late: Numbers
) -> None:
    """The cells whose last reading is of the second meter."""
    width = best.shape[3]
    for state, entry in ((AFTER, entry_soon), (AHEAD, entry_late)):
        ways = np.full((len(i), 3, width, width), OUT)
        again, over = j > 1, i > 0
        ways[again, state] = best[i[again], j[again] - 1, state][:, :, None] + b_to_b[j[again] - 2]
        ways[over, IN_FIRST] = best[i[over], j[over] - 1, IN_FIRST][:, :, None] + entry[i[over] - 1, j[over] - 1]
        flat = ways.reshape(len(i), 3 * width, width)
        found = flat.max(axis=1)
        keep = best[i, j, state] < found
        best[i, j, state] = np.where(keep, found, best[i, j, state])
        back[i, j, state] = np.where(keep, flat.argmax(axis=1), back[i, j, state])


def _trace(back: Places, end: tuple[int, int], i: int, j: int) -> list[tuple[int, int]]:
    """What was taken, from the first reading to the last: (what, place in its meter)."""
    width = back.shape[3]
    last, stage = end
    taken: list[tuple[int, int]] = []
    while i + j > 0:
        taken.append((last, i - 1 if last == IN_FIRST else j - 1))
        code = int(back[i, j, last, stage])
        i, j = (i - 1, j) if last == IN_FIRST else (i, j - 1)
        if code >= 0:
            last, stage = code // width, code % width
    return taken[::-1]


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
        length = float(pauses.sum())
        room = high - low
        scale = min(1.0, 0.8 * room / (length + 2 * SOON_S)) if np.isfinite(room) else 1.0
        at = np.concatenate([[0.0], np.cumsum(pauses)]) * scale
        ahead = kind[begin] == AHEAD and np.isfinite(high)
        if ahead or not np.isfinite(low):
            time_s[begin:end] = high - SOON_S * scale - (at[-1] - at)
        else:
            time_s[begin:end] = low + SOON_S * scale + at
    return time_s
