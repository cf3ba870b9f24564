"""How far each clock was off, once it is known who was where: offsets good enough to say when a reading was taken.

The job list says when visits began and ended, roughly; clocks are mostly right, or off by whole hours or days, and of
two meters used together one tells about the other. All of it is weighed on a fine grid of offsets. A moment is given
only where nearly all of the weight lies within two minutes; otherwise it stays open.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.clock import DAY_S
from reconcile.matching.belief import Belief, Case, ClockFit, Member
from reconcile.matching.visits import Visits

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

STEP_S: Final = 20.0
REACH_S: Final = 1200.0
WITHIN_S: Final = 110.0
SURE_FROM: Final = 0.95
"""Share of the weight that must lie within ``WITHIN_S`` of the offset told."""

EXACT_S: Final = 40.0
"""Spread of clocks that were set right, or set right but for whole hours (common practice, from memory)."""

MOST_UNSURE_S: Final = 70.0
MOST_DRIFT_S: Final = 100.0
HALF_HOUR_S: Final = 1800.0
BEGINS_AFTER_S, ENDS_BEFORE_S, LAG_S = 330.0, 330.0, 400.0
"""From arriving to the first reading, from the last to leaving, and how far that is spread (common practice)."""

LAG_TAIL: Final = 3.0
LEAST_ENDS: Final = 2
"""Without so many beginnings and ends of visits in the list nothing speaks for or against a clock."""

SURELY_THERE: Final = 0.9


def fit_clocks(unit: Case, belief: Belief, visits: Visits) -> list[ClockFit]:
    """The offset of the clock of each member of a unit (of its one session), in order."""
    members = unit.members or (_alone(unit, belief),)
    times = unit.session.time_s
    if np.isnan(times).all():
        return [ClockFit() for _ in members]
    best = int(belief.weight.argmax())
    variant = int(belief.variant[best])
    grid = _grid(belief)
    lost = bool(belief.lost[best])
    apart = np.array([member.difference_s[variant] for member in members])
    timed = np.array([member.timed for member in members])
    by_visits, ends = _visit_fit(grid, times, belief, visits)
    log_weight = np.log(_rough_weight(grid, belief)) + by_visits
    steady = _steady(members, variant, times) and (ends >= LEAST_ENDS or bool(np.isfinite(unit.session.exchanged_s)))
    for member, difference_s, is_timed in zip(members, apart, timed, strict=True):
        if is_timed and (member.dated or member is members[0]):
            own_lost = lost if member is members[0] else not member.dated
            blur_s = float(np.hypot(EXACT_S, member.unsure_s[variant]))
            log_weight += np.log(_usual(grid + difference_s, lost=own_lost, blur_s=blur_s))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    whole_s = [DAY_S if lost or not member.dated else HALF_HOUR_S for member in members]
    if any(member.timed and not member.dated for member in members) and unit.members:
        # A clock that was lost on the way, or beside another: what is told of the others must not hang on it.
        whole_s = [DAY_S for _ in members]
    return [
        _fit(grid, weight, float(difference_s), float(member.unsure_s[variant]), every_s=every_s)
        if is_timed and steady
        else ClockFit(offset_s=float(weight @ grid + difference_s))
        for member, difference_s, is_timed, every_s in zip(members, apart, timed, whole_s, strict=True)
    ]


def _alone(unit: Case, belief: Belief) -> Member:
    count = max(len(unit.variants), 1)
    zero = np.zeros(count)
    return Member(
        number=0, place=np.arange(len(unit.session.rows)), difference_s=zero, drift=zero, middle_s=0.0,
        unsure_s=zero, dated=not bool(belief.lost[belief.weight.argmax()]), timed=True,
    )  # fmt: skip


def _grid(belief: Belief) -> Numbers:
    """Offsets worth weighing: near every hypothesis that is not negligible, and the exact ones among them."""
    centres = np.unique(belief.offset_s[belief.weight > 0.01])
    around = np.arange(-REACH_S, REACH_S + 1.0, STEP_S)
    return np.asarray(np.unique(np.round((centres[:, None] + around).ravel() / STEP_S)) * STEP_S, dtype=np.float64)


def _rough_weight(grid: Numbers, belief: Belief) -> Numbers:
    """How well the chain likes each offset, spread over what its own steps leave open."""
    apart = np.abs(grid[:, None] - belief.offset_s[None, :])
    return np.asarray((np.exp(-apart / 600.0) * belief.weight).sum(axis=1) + 1e-12, dtype=np.float64)


def visit_ends(times: Numbers, belief: Belief, visits: Visits) -> tuple[Numbers, NDArray[np.bool_]]:
    """Meter time minus the list's at each beginning and end of a visit, the usual lag taken off [s]; whether an end.

    ``times`` [s since 1970] are those of the readings of the belief; only visits where they surely belong are asked.
    """
    at_appliance = belief.belongs.sum(axis=2)
    top = at_appliance.argmax(axis=1)
    job = visits.appliance_job[belief.appliances[top]]
    by_job = np.where(visits.appliance_job[belief.appliances] == job[:, None], at_appliance, 0.0).sum(axis=1)
    usable = (by_job > SURELY_THERE) & ~np.isnan(times)
    apart: list[float] = []
    ending: list[bool] = []
    for one in np.unique(job[usable]):
        seen = times[usable & (job == one)]
        for moment_s, listed_s, lag_s, is_end in (
            (seen.min(), visits.arrived_s[one], BEGINS_AFTER_S, False),
            (seen.max(), visits.left_s[one], -ENDS_BEFORE_S, True),
        ):
            if np.isfinite(listed_s):
                apart.append(float(moment_s - listed_s - lag_s))
                ending.append(is_end)
    return np.array(apart, dtype=np.float64), np.array(ending, dtype=bool)


def _visit_fit(grid: Numbers, times: Numbers, belief: Belief, visits: Visits) -> tuple[Numbers, int]:
    """Log likelihood of each offset by when the visits began and ended, and how many such ends the list tells."""
    apart_s, _ = visit_ends(times, belief, visits)
    off = (apart_s[:, None] - grid[None, :]) / LAG_S
    return -0.5 * (LAG_TAIL + 1.0) * np.log1p(off**2 / LAG_TAIL).sum(axis=0), len(apart_s)


def _usual(offset_s: Numbers, *, lost: bool, blur_s: float) -> Numbers:
    """Density [1/s] of offsets: right, or off by whole hours, days; or by any span."""
    peak = 1.0 / (blur_s * np.sqrt(2.0 * np.pi))
    if lost:
        off_day_s = offset_s - np.round(offset_s / DAY_S) * DAY_S
        return np.asarray(0.3 * peak * np.exp(-0.5 * (off_day_s / blur_s) ** 2) + 0.7 / DAY_S, dtype=np.float64)
    hours = np.round(offset_s / HALF_HOUR_S)
    share = np.where(hours == 0, 0.85, np.where(np.abs(hours) == 2, 0.04, np.where(hours % 2 == 0, 0.002, 0.0004)))
    exact = share * peak * np.exp(-0.5 * ((offset_s - hours * HALF_HOUR_S) / blur_s) ** 2)
    return np.asarray(exact + 0.05 / 1800.0 * np.exp(-np.abs(offset_s) / 900.0) + 1e-8, dtype=np.float64)


def _steady(members: tuple[Member, ...], variant: int, times: Numbers) -> bool:
    """Whether the clocks keep their distance over the session: else one of them drifts, and nobody knows which."""
    span_s = float(np.nanmax(times) - np.nanmin(times))
    return all(abs(float(member.drift[variant])) * span_s < MOST_DRIFT_S for member in members)


def _fit(grid: Numbers, weight: Numbers, difference_s: float, unsure_s: float, *, every_s: float) -> ClockFit:
    """The offset of one clock, rounded to what clocks are usually off by where that is likely.

    It is known only where it is a multiple of ``every_s``: minutes that a clock was off can be guessed, not known, from
    a job list.
    """
    offsets = grid + difference_s
    middle_s = float(offsets[weight.argmax()])
    near = np.abs(offsets - middle_s) < WITHIN_S
    mean_s = float(weight[near] @ offsets[near] / weight[near].sum())
    whole_s = round(mean_s / HALF_HOUR_S) * HALF_HOUR_S
    told_s = whole_s if abs(mean_s - whole_s) < WITHIN_S else mean_s
    share = float(weight[np.abs(offsets - told_s) < WITHIN_S].sum())
    spread_s = float(np.sqrt(weight @ (offsets - told_s) ** 2))
    if share < SURE_FROM or unsure_s > MOST_UNSURE_S or told_s % every_s != 0.0:
        return ClockFit(offset_s=mean_s, spread_s=max(spread_s, unsure_s))
    return ClockFit(offset_s=told_s, spread_s=max(unsure_s, EXACT_S), known=True)


def with_clocks(beliefs: list[Belief], fits: list[ClockFit]) -> list[Belief]:
    """The beliefs about the members of a unit with what is known of their clocks."""
    return [replace(belief, clock=fit) for belief, fit in zip(beliefs, fits, strict=True)]
