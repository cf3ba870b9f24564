"""One more session laid over a crew: the differences of the clocks, or the orders of the readings, worth keeping."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.clock import HOUR_S
from reconcile.matching.belief import Belief, Case, Lacing, has_lost
from reconcile.matching.interleaving import Interleaving, interleave
from reconcile.matching.relative_clocks import Ground, Track, lay_over, score_alone, score_differences
from reconcile.matching.roles import with_roles
from reconcile.matching.same_memory import began_anew, between_sessions, pauses_between

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

OFFSET_APART_S: Final = 300.0
TOGETHER: Final = 0.9
ARRIVES_ANY_TIME: Final = 1.0 / 43200.0
FINE_S: Final = 20.0
COARSE_S: Final = 60.0
REACH_S: Final = 1500.0
MOST_TRIED: Final = 900
MOST_VARIANTS: Final = 10
MOST_OF_CUT_MEMORY: Final = 12
LEAST_VARIANT: Final = 0.003
WITHOUT_CLOCK: Final = 12.0
"""What a likeliest order falls short of all orders together [log likelihood]."""

ANY_PAUSE: Final = 0.02
"""Weight of each pause between two sessions of one memory, against what each alone says of its clock."""

ONE_HOUR_APART: Final = 0.05
DRIFTS: Final = 0.1
"""Share of pairs of clocks of which one drifts noticeably."""

DRIFT_STEPS: Final = np.array([-60, -50, -40, -30, -22, -15, -9, 9, 15, 22, 30, 40, 50, 60]) / 3600.0


@dataclass(frozen=True, kw_only=True)
class Laid:
    """A crew while it grows: members (number, difference of clock to the anchor, drift, middle, unsureness) and
    their track, in the order they were taken. ``counted``: the part of ``log_weight`` that the chain counts once more.
    """

    members: tuple[tuple[int, float, float, float, float], ...]
    track: Track
    log_weight: float
    counted: float = 0.0
    laced: tuple[Lacing, ...] = ()


def lay(
    laid: list[Laid], other: int, cases: list[Case], beliefs: list[Belief | None], track: Track,
    grounds: tuple[Ground, ...], anchor: int,
) -> list[Laid]:  # fmt: skip
    """The best ways of laying one more session over a crew; none where it explains itself better alone."""
    belief, base = beliefs[other], beliefs[anchor]
    assert belief is not None
    assert base is not None
    alone = score_alone(track, grounds) + float(np.log(ARRIVES_ANY_TIME * (1.0 - TOGETHER) / TOGETHER))
    found: list[Laid] = []
    for way in laid:
        gained = -score_alone(way.track, grounds) - alone
        first, second = with_roles(way.track, track)
        if not cases[other].session.timed or np.isnan(first.time_s).any():
            most = 1 if len(laid) > MOST_VARIANTS else None
            found += _laced_in(way, other, first, second, interleave(first, second, grounds)[:most], gained)
        else:
            after = between_sessions(way.members, way.track, cases, other)
            tried = _differences(first, second, base, belief, grounds, after)
            found += _laid_over(way, other, first, second, tried, grounds, after, gained)
    if not found or max(way.log_weight for way in found) < max(way.log_weight for way in laid):
        return []
    found.sort(key=lambda way: -way.log_weight)
    least = found[0].log_weight + np.log(LEAST_VARIANT)
    several = len({cases[number].session.source for number, *_ in found[0].members}) < len(found[0].members)
    return [way for way in found[: MOST_OF_CUT_MEMORY if several else MOST_VARIANTS] if way.log_weight > least]


def _laced_in(
    way: Laid, other: int, first: Track, second: Track, orders: list[Interleaving], gained: float
) -> list[Laid]:  # fmt: skip
    """A crew with a session whose clock tells nothing, in each of these orders."""
    return [
        Laid(
            members=(*way.members, (other, 0.0, 0.0, 0.0, np.inf)),
            track=replace(lay_over(first, second).sorted_by(laced.order), time_s=laced.time_s),
            log_weight=way.log_weight + laced.score + gained + WITHOUT_CLOCK,
            counted=way.counted,
            laced=(*way.laced, _lacing(len(way.members), laced, first)),
        )
        for laced in orders
    ]


def _laid_over(
    way: Laid, other: int, first: Track, second: Track, tried: tuple[Numbers, Numbers, Numbers],
    grounds: tuple[Ground, ...], after: tuple[float, float] | None, gained: float,
) -> list[Laid]:  # fmt: skip
    """A crew with a session laid over it by its clock, one way for each order that the differences ``tried`` give.

    Between sessions of one memory the pause is all that the difference changes, and the chain weighs it: it is counted
    once.
    """
    difference_s, drift, log_prior = tried
    middle_s = 0.5 * float(second.time_s[0] + second.time_s[-1])
    score_s, orders = score_differences(first, second, difference_s, drift, grounds)
    tags = np.zeros(len(orders), dtype=np.int64)
    if after:
        shown = second.time_s[[0, -1]] - difference_s[:, None] - drift[:, None] * (second.time_s[[0, -1]] - middle_s)
        log_prior = np.where((shown[:, 0] < after[0]) | (shown[:, 1] > after[1]), -np.inf, log_prior)
        if not np.isfinite(log_prior).any():
            return []
        tags = np.round(difference_s / OFFSET_APART_S).astype(np.int64)
    log_weight = score_s + log_prior + gained
    unsure_s = _spread(difference_s, log_weight)
    found: list[Laid] = []
    for places in _distinct(orders, tags, log_weight):
        best = places[log_weight[places].argmax()]
        mass = float(np.logaddexp.reduce(log_weight[places]))
        shown_s = second.time_s - difference_s[best] - drift[best] * (second.time_s - middle_s)
        joined = lay_over(first, replace(second, time_s=shown_s))
        found.append(
            Laid(
                members=(*way.members, (other, float(difference_s[best]), float(drift[best]), middle_s, unsure_s)),
                track=joined.sorted_by(np.argsort(joined.time_s, kind="stable")),
                log_weight=way.log_weight + mass,
                counted=way.counted + (mass - float(np.logaddexp.reduce(log_prior[places])) if after else 0.0),
                laced=way.laced,
            )
        )
    return found


def _spread(difference_s: Numbers, log_weight: Numbers) -> float:
    """How unsure a difference of clocks is [s]."""
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return float(np.sqrt(weight @ (difference_s - weight @ difference_s) ** 2))


def _lacing(member: int, laced: Interleaving, first: Track) -> Lacing:
    return Lacing(member=member, share=laced.share, gap=laced.gap, beside=first.member, row=first.row)


def _distinct(order: Places, tags: Places, log_weight: Numbers) -> list[Places]:
    """Places of the differences that give one and the same order (and tag), the most probable orders first."""
    keep = np.flatnonzero(log_weight > log_weight.max() + np.log(LEAST_VARIANT) - 2.0)
    groups: dict[bytes, list[int]] = {}
    for place in keep:
        groups.setdefault(order[place].tobytes() + tags[place].tobytes(), []).append(int(place))
    ranked = sorted(groups.values(), key=lambda places: -float(np.logaddexp.reduce(log_weight[places])))
    most = MOST_OF_CUT_MEMORY if tags.any() else MOST_VARIANTS
    return [np.array(places, dtype=np.int64) for places in ranked[:most]]


def _differences(
    first: Track, second: Track, base: Belief, belief: Belief, grounds: tuple[Ground, ...],
    after: tuple[float, float] | None,
) -> tuple[Numbers, Numbers, Numbers]:  # fmt: skip
    """Differences of the clocks worth scoring [s], drifts, and their log prior."""
    centres, weights = _centres(base, belief)
    if after is not None:
        any_pause_s = pauses_between(second.time_s, after)
        centres = np.concatenate([centres, any_pause_s])
        weights = np.concatenate([weights, np.full(len(any_pause_s), ANY_PAUSE)])
    grid = _grid(centres, FINE_S)
    if len(grid) > MOST_TRIED:
        grid = _grid(centres, COARSE_S)
        score, _ = score_differences(first, second, grid, np.zeros(len(grid)), grounds)
        score = score + _log_prior(grid, centres, weights)
        best = grid[np.argsort(-score)[:24]]
        grid = np.unique(np.round((best[:, None] + np.arange(-60.0, 61.0, FINE_S)) / FINE_S) * FINE_S)
    still, prior = np.zeros(len(grid)), _log_prior(grid, centres, weights)
    score = score_differences(first, second, grid, still, grounds)[0] + prior
    span_s = second.time_s[-1] - second.time_s[0]
    differences, drifts, priors = [grid], [still], [prior + np.log(1.0 - DRIFTS)]
    if span_s > 5400.0:
        top = grid[score.argmax()]
        around = top + np.arange(-300.0, 301.0, 30.0)
        table = np.stack(np.meshgrid(around, DRIFT_STEPS, indexing="ij"), axis=-1).reshape(-1, 2)
        differences.append(table[:, 0])
        drifts.append(table[:, 1])
        share = DRIFTS / len(DRIFT_STEPS) * 30.0 / FINE_S
        priors.append(_log_prior(table[:, 0], centres, weights) + np.log(share))
    every_s, every_drift, log_prior = (np.concatenate(parts) for parts in (differences, drifts, priors))
    if after is not None and has_lost(belief):
        log_prior = log_prior + began_anew(second.time_s[0] - every_s - after[0], second.time_s[0])
    return every_s, every_drift, log_prior


def _grid(centres: Numbers, step_s: float) -> Numbers:
    around = np.arange(-REACH_S, REACH_S + 1.0, step_s)
    return np.asarray(np.unique(np.round((centres[:, None] + around).ravel() / step_s)) * step_s, dtype=np.float64)


def _centres(base: Belief, belief: Belief) -> tuple[Numbers, Numbers]:
    """Differences of the clocks as each session alone sees them, with their weight."""
    difference_s = (belief.offset_s[None, :] - base.offset_s[:, None]).ravel()
    weight = (belief.weight[None, :] * base.weight[:, None]).ravel()
    centres, place = np.unique(np.round(difference_s / 60.0) * 60.0, return_inverse=True)
    total = np.bincount(place, weights=weight)
    keep = total > 0.003
    centres, total = centres[keep], total[keep]
    # Summer time may be set in one of them only, whatever the job list could tell.
    around = [centres + shift_s for shift_s in (-HOUR_S, HOUR_S)]
    return np.concatenate([centres, *around]), np.concatenate([total, *[ONE_HOUR_APART * total] * 2]) / total.sum()


def _log_prior(difference_s: Numbers, centres: Numbers, weights: Numbers) -> Numbers:
    """Log prior of differences on the grid: near one of the centres, more so very near it."""
    apart = np.abs(difference_s[:, None] - centres[None, :])
    near = np.exp(-0.5 * (apart / 45.0) ** 2) * FINE_S / (45.0 * np.sqrt(2.0 * np.pi))
    rough = np.exp(-apart / 400.0) * FINE_S / 800.0
    share = 0.85 * near + 0.15 * rough + 1e-5
    return np.asarray(np.log((share * weights).sum(axis=1)), dtype=np.float64)
