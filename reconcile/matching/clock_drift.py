"""How fast each clock runs away: a line through what several days tell of one clock, or nothing.

A day tells little: visits begin and end in the job list to minutes, and a clock loses seconds a day. Over days the
lag of a visit stays the same on the whole, so the way from day to day is known better than any offset. Where a sync
compared the clock with a computer's on three days, those comparisons are used alone: they are good to a second or two.

A drift is told only where three days and nearly all of them lie on one line, where the line is far from level, and
where it explains the days much better than a clock that somebody set once in between. No time is corrected by it.
Within a day the list tells no drift: only one of half an hour a day would stand out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.clock import DAY_S, span_text
from reconcile.matching.belief import Belief, Case
from reconcile.matching.clock_fit import WITHIN_S, visit_ends
from reconcile.matching.visits import Visits

Numbers = NDArray[np.float64]

LEAST_DAYS: Final = 3
LEAST_ENDS: Final = 3
"""A day with fewer beginnings and ends of visits tells nothing about the clock."""

SAME_SETTING_S: Final = 1800.0
"""Between two days a clock that nobody set moves by less than this (common practice)."""

LONGEST_GAP_S: Final = 14 * DAY_S
MOST_DAYS: Final = 60
"""A run is cut here: over longer times clocks are set, and run differently in winter and summer."""

DAY_UNSURE_S: Final = 30.0
COMPARED_UNSURE_S: Final = 2.0
"""What a day, or a comparison, is never surer than [s]: habits of a day; whole seconds and warmth (from memory)."""

ON_LINE: Final = 3.0
MOST_OFF_LINE: Final = 0.2
FAR_FROM_LEVEL: Final = 4.0
BETTER_THAN_SET: Final = 9.0
APART_DAYS: Final = 0.5
MEDIAN_UNSURE: Final = 1.2533
"""Spread of a median against that of a mean (normal errors)."""

SPREAD_OF_MEDIAN_DEVIATION: Final = 1.4826


@dataclass(frozen=True, kw_only=True)
class ClockDay:
    """What one session tells of the clock of ``meter``: when it was (``shown_s``, by that clock as the meter said it)
    [s since 1970], and meter time minus the list's at each visit's beginning or end (``apart_s``) [s], ``ending``.
    """

    meter: str
    shown_s: float
    apart_s: Numbers
    ending: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Drift:
    """A line through the offsets of one clock: by how much the offset grows [s a day], how unsure that is, how many
    ``days`` it rests on, and from when to when by that clock it holds [s since 1970]. ``level_s``: the offset on the
    line at ``first_s`` [s], true of comparisons with a computer's clock (``compared``), of visits but for their lag.
    """

    s_per_day: float
    unsure_s_per_day: float
    days: int
    first_s: float
    last_s: float
    level_s: float
    compared: bool = False


def clock_day(case: Case, belief: Belief | None, visits: Visits) -> ClockDay | None:
    """What the session tells of its clock from day to day; nothing where it has no time or no visit."""
    session = case.session
    if belief is None or not session.timed:
        return None
    compared_s = float(np.nan_to_num(session.exchanged_s))
    apart_s, ending = visit_ends(session.time_s, belief, visits)
    return ClockDay(
        meter=session.meter_serial or session.source,
        shown_s=float(np.nanmean(session.time_s)) + compared_s,
        apart_s=apart_s + compared_s,
        ending=ending,
    )


def find_drifts(days: Sequence[ClockDay | None], clock_readings: pd.DataFrame) -> list[Drift | None]:
    """The drift of the clock of each session, in order; nothing where the days do not tell one.

    ``clock_readings``: comparisons with a computer's clock (schemas.meters.ClockReadings).
    """
    found: list[Drift | None] = [None for _ in days]
    told = [(day.meter, number) for number, day in enumerate(days) if day is not None]
    for meter, members in groupby(sorted(told), key=lambda pair: pair[0]):
        own = [(day, number) for _, number in members if (day := days[number]) is not None]
        drifts = _by_comparisons(clock_readings[clock_readings["meter_serial"] == meter])
        drifts = drifts or [drift for run in _runs([day for day, _ in own]) if (drift := _by_visits(run)) is not None]
        for day, number in own:
            holds = [one for one in drifts if one.first_s - DAY_S <= day.shown_s <= one.last_s + DAY_S]
            found[number] = holds[0] if len(holds) == 1 else None
    return found


def tell_drift(clock: dict[str, Any], day: ClockDay | None, drift: Drift | None) -> dict[str, Any]:
    """The row about a clock (schemas.matches.Clocks) with its drift.

    That a clock was right, or off by whole hours, was likely because most are; of one that runs away it holds on a few
    days at most, and the job list does not say on which. So nothing stands corrected by it any more, unless comparisons
    bear the offset out.
    """
    if day is None or drift is None:
        return clock
    way = "gains" if drift.s_per_day > 0.0 else "loses"
    about = f"{_seconds_text(abs(drift.s_per_day))} a day, give or take {_seconds_text(drift.unsure_s_per_day)}"
    pace = f"it {way} {about} ({drift.days} days)"
    told = {**clock, "drift_s_per_day": drift.s_per_day, "message": f"{clock['message']}; {pace}"}
    if clock["state"] == "uncertain" or _borne_out(float(clock["offset_s"]), day, drift):
        return told
    near = (
        "agrees with the job list"
        if clock["offset_s"] == 0.0
        else "is off by about " + span_text(abs(clock["offset_s"]))
    )
    message = f"the meter's clock {near} only roughly: {pace}, so that moments are not known to the minute"
    return {**told, "state": "uncertain", "offset_s": None, "offset_uncertainty_s": None, "message": message}


def without_moments(row: dict[str, Any], clock: dict[str, Any]) -> dict[str, Any]:
    """The columns of a session (outcome.session_rows), without the moments where its clock was found to run away."""
    if clock["state"] != "uncertain" or clock["drift_s_per_day"] is None:
        return row
    return {**row, "taken_s": np.full(len(row["taken_s"]), np.nan)}


def _borne_out(offset_s: float, day: ClockDay, drift: Drift) -> bool:
    """Whether comparisons with a computer's clock say the same as ``offset_s``, which was told of that day."""
    if not drift.compared:
        return False
    return abs(drift.level_s + drift.s_per_day * (day.shown_s - drift.first_s) / DAY_S - offset_s) < WITHIN_S


def _seconds_text(seconds: float) -> str:
    return span_text(seconds) if seconds >= 10.0 else f"{seconds:.1f} s"


def fit_drift(shown_s: Numbers, offset_s: Numbers, unsure_s: Numbers) -> Drift | None:
    """The line through offsets of one clock (n) [s] with their standard uncertainties [s], or nothing (see above).

    The slope is the median of the slopes between all days (Theil and Sen), so that a day that is wrong moves it little.
    """
    day = shown_s / DAY_S
    first, second = np.triu_indices(len(day), k=1)
    apart = day[second] - day[first]
    far = np.abs(apart) > APART_DAYS
    if len(np.unique(np.floor(day))) < LEAST_DAYS or not far.any():
        return None
    slope = float(np.median((offset_s[second] - offset_s[first])[far] / apart[far]))
    level_s = float(np.median(offset_s - slope * day))
    off = (offset_s - slope * day - level_s) / unsure_s
    on_line = np.abs(off) <= ON_LINE
    days = len(np.unique(np.floor(day[on_line])))
    if days < LEAST_DAYS or (~on_line).mean() > MOST_OFF_LINE:
        return None
    day, offset, weight = day[on_line], offset_s[on_line], unsure_s[on_line] ** -2.0
    scale = max(1.0, float((off[on_line] ** 2).sum()) / (len(day) - 2.0))
    centred = day - np.average(day, weights=weight)
    unsure = float(np.sqrt(scale / (weight @ centred**2)))
    missed = float((off[on_line] ** 2).sum())
    if abs(slope) < FAR_FROM_LEVEL * unsure or _missed_if_set(offset, weight) < missed + BETTER_THAN_SET * scale:
        return None
    first_s, last_s = float(shown_s.min()), float(shown_s.max())
    return Drift(
        s_per_day=slope, unsure_s_per_day=unsure, days=days, first_s=first_s, last_s=last_s,
        level_s=level_s + slope * first_s / DAY_S,
    )  # fmt: skip


def _missed_if_set(offset_s: Numbers, weight: Numbers) -> float:
    """Sum of squares, in uncertainties, that is left if the clock ran true and was set once between two of the days."""
    left = [_about_mean(offset_s[:cut], weight[:cut]) + _about_mean(offset_s[cut:], weight[cut:])
            for cut in range(1, len(offset_s))]  # fmt: skip
    return min(left)


def _about_mean(values: Numbers, weight: Numbers) -> float:
    return float(weight @ (values - np.average(values, weights=weight)) ** 2)


def _runs(days: list[ClockDay]) -> list[list[ClockDay]]:
    """The days of one meter cut where the clock was set or lost, or nothing is known for long."""
    runs: list[list[ClockDay]] = []
    for day in sorted((day for day in days if len(day.apart_s) >= LEAST_ENDS), key=lambda day: day.shown_s):
        last = runs[-1][-1] if runs else None
        if (
            last is None
            or len(runs[-1]) >= MOST_DAYS
            or day.shown_s - last.shown_s > LONGEST_GAP_S
            or abs(np.median(day.apart_s) - np.median(last.apart_s)) > SAME_SETTING_S
        ):
            runs.append([])
        runs[-1].append(day)
    return runs


def _by_visits(run: list[ClockDay]) -> Drift | None:
    """The drift by the beginnings and ends of the visits of several days."""
    if len(run) < LEAST_DAYS:
        return None
    number = np.repeat(np.arange(len(run)), [len(day.apart_s) for day in run])
    apart_s = np.concatenate([day.apart_s for day in run])
    ending = np.concatenate([day.ending for day in run])
    level = np.array([np.median(day.apart_s) for day in run])
    # Beginnings and ends lag differently; a day that has more of one kind must not look later for that.
    for kind in (False, True):
        if (ending == kind).any():
            apart_s = apart_s - np.where(ending == kind, np.median((apart_s - level[number])[ending == kind]), 0.0)
    offset_s = np.array([np.median(apart_s[number == place]) for place in range(len(run))])
    deviation_s = np.median(np.abs(apart_s - offset_s[number])) * SPREAD_OF_MEDIAN_DEVIATION
    spread_s = deviation_s * np.sqrt(len(apart_s) / max(len(apart_s) - len(run), 1))
    counts = np.bincount(number)
    unsure_s = np.hypot(MEDIAN_UNSURE * spread_s / np.sqrt(counts), DAY_UNSURE_S)
    return fit_drift(np.array([day.shown_s for day in run]), offset_s, unsure_s)


def _by_comparisons(heard: pd.DataFrame) -> list[Drift]:
    """The drifts between comparisons with a computer's clock, one a run without a setting in between."""
    heard = heard.sort_values(["observed_at", "evidence_sha256"])
    observed_s = heard["observed_at"].to_numpy(dtype="datetime64[ns]").astype(np.int64) / 1e9
    offset_s = heard["offset_s"].to_numpy(dtype=np.float64)
    unsure_s = np.hypot(heard["uncertainty_s"].to_numpy(dtype=np.float64), COMPARED_UNSURE_S)
    evidence = heard["evidence_sha256"].to_numpy(dtype=object)
    cut = (evidence[1:] == evidence[:-1]) | (np.abs(np.diff(offset_s)) > SAME_SETTING_S)
    run = np.concatenate([np.zeros(min(len(heard), 1), dtype=np.int64), np.cumsum(cut)])
    drifts = [
        fit_drift((observed_s + offset_s)[run == one], offset_s[run == one], unsure_s[run == one])
        for one in np.unique(run)
    ]
    return [replace(drift, compared=True) for drift in drifts if drift is not None]
