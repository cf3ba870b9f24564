"""Meter clocks: which offsets are possible, how well each brings readings to the hours of the job list.

Times are seconds since 1970, offsets [s] are meter time minus true time: positive where the meter is ahead.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

HOUR_S: Final = 3600.0
GRID_S: Final = 300.0
NEAR_S: Final = 2.5 * HOUR_S
FAR_HOURS: Final = 13
BLOCK_PAUSE_S: Final = 6 * 60.0
MOST_OFFSETS: Final = 6
KEPT_WITHIN: Final = 6.0
"""Offsets whose likelihood falls short of the best by more than this [natural logarithm] are left out."""

EVEN_DAY_S: Final = 12 * HOUR_S
"""Readings of a working day spread over this long: what a job's hours are weighed against."""

ROUGH_S: Final = 600.0
LOST_FROM_S: Final = 26 * HOUR_S
DAY_S: Final = 24 * HOUR_S
KEPT_TIME_OF_DAY: Final = 100.0
NO_JOB: Final = 1e-4


@dataclass(frozen=True, kw_only=True)
class Blocks:
    """Runs of readings without a long pause: ``start_s``, ``end_s`` by the meter's clock, ``first`` reading of each."""

    start_s: Numbers
    end_s: Numbers
    first: Places


@dataclass(frozen=True, kw_only=True)
class Hours:
    """The hours of jobs: ``low_s`` to ``high_s`` (NaN unknown), ``weight`` of each, and ``fit`` (blocks, jobs): how
    well the labels of a block fit a job, at most 1.
    """

    low_s: Numbers
    high_s: Numbers
    weight: Numbers
    fit: Numbers


def find_blocks(time_s: Numbers) -> Blocks:
    """The blocks of a session; readings without a time belong to the block before them."""
    known = np.flatnonzero(~np.isnan(time_s))
    times = time_s[known]
    starts = np.flatnonzero(np.diff(times, prepend=-np.inf) > BLOCK_PAUSE_S) if len(known) else known
    ends = np.append(starts[1:], len(times)) - 1 if len(known) else known
    return Blocks(start_s=times[starts], end_s=times[ends], first=known[starts])


def hours_fit(time_s: Numbers, low_s: Numbers, high_s: Numbers) -> Numbers:
    """How well times fit the hours of a job, 1 inside, falling outside; 1 where hours or time are unknown.

    Hours in job lists are rough: most within minutes, some by half an hour, a few simply wrong (common practice).
    """
    outside_s = np.fmax(np.maximum(low_s - time_s, time_s - high_s), 0.0)
    far = np.exp(outside_s / -1800.0)
    near = far * (far * far) ** 2  # the fifth power: as exp(outside_s / -360)
    return np.asarray(0.8 * near + 0.197 * far + 0.003, dtype=np.float64)


def hours_density(low_s: Numbers, high_s: Numbers) -> Numbers:
    """How much more likely readings are within a job's hours than anywhere in the day: short visits weigh more."""
    width_s = np.maximum(high_s - low_s, ROUGH_S) + 2.0 * ROUGH_S
    return np.where(np.isfinite(width_s), EVEN_DAY_S / np.where(np.isfinite(width_s), width_s, 1.0), 0.5)


@cache
def near_offsets() -> tuple[Numbers, Numbers]:
    """Offsets of a clock that kept its date, with log prior: right, minutes off, whole hours off (common practice)."""
    near = np.arange(-NEAR_S, NEAR_S + 1.0, GRID_S)
    hours = np.arange(-FAR_HOURS, FAR_HOURS + 1.0) * HOUR_S
    offset_s = np.concatenate([near, hours[np.abs(hours) > NEAR_S]])
    whole_hour = np.abs(np.round(offset_s / HOUR_S) * HOUR_S - offset_s) < 1.0
    prior = (
        8.0 * (np.abs(offset_s) < 1.0)
        + 0.1 * np.exp(-0.5 * (offset_s / 600.0) ** 2)
        + 0.002 * np.exp(-np.abs(offset_s) / HOUR_S)
        + 0.5 * (np.abs(np.abs(offset_s) - HOUR_S) < 1.0)
        + 0.002 * whole_hour
        + 1e-4
    )
    log_prior = np.log(prior / prior.sum())
    offset_s.flags.writeable = log_prior.flags.writeable = False
    return offset_s, log_prior


def lost_offsets(blocks: Blocks, hours: Hours) -> tuple[Numbers, Numbers]:
    """Offsets of a clock that lost its date, with log prior: those that bring some block to the beginning of some job.

    A date that was set wrong leaves the time of day right: whole days weigh more.
    """
    known = np.isfinite(hours.low_s)
    if not len(blocks.start_s) or not known.any():
        return np.zeros(1), np.zeros(1)
    differences = (blocks.start_s[:, None] - hours.low_s[None, known]).ravel()
    steps = np.unique(np.round(differences / GRID_S))
    whole_days_s = np.unique(np.round(differences / DAY_S)) * DAY_S
    offset_s = np.unique(np.concatenate([np.concatenate([steps, steps - 1.0, steps - 2.0]) * GRID_S, whole_days_s]))
    off_day_s = np.abs(offset_s - np.round(offset_s / DAY_S) * DAY_S)
    prior = 1.0 + KEPT_TIME_OF_DAY * np.exp(-0.5 * (off_day_s / 100.0) ** 2)
    return offset_s, np.log(prior / prior.sum())


def offset_fit(offset_s: Numbers, blocks: Blocks, hours: Hours) -> Numbers:
    """Log likelihood of the times of the blocks under each offset, each block on its own at any of the jobs."""
    if not len(blocks.start_s) or not len(hours.low_s):
        return np.zeros(len(offset_s))
    share = hours.weight / max(float(hours.weight.sum()), 1e-12) * hours_density(hours.low_s, hours.high_s)
    begin = hours_fit((blocks.start_s - offset_s[:, None])[:, :, None], hours.low_s, hours.high_s)
    finish = hours_fit((blocks.end_s - offset_s[:, None])[:, :, None], hours.low_s, hours.high_s)
    at_jobs = (begin * np.sqrt(finish) * (share * hours.fit)[None]).sum(axis=2)
    return np.asarray(np.log(at_jobs + NO_JOB).sum(axis=1), dtype=np.float64)


def best_offsets(score: Numbers) -> Places:
    """Places of the offsets worth a closer look, best first."""
    order = np.argsort(-score, kind="stable")[:MOST_OFFSETS]
    return np.asarray(order[score[order] > score[order[0]] - KEPT_WITHIN], dtype=np.int64)


def describe_clock(
    *, listed: bool, offset_s: float, spread_s: float, first_shown_s: float, known: bool, agreeing: int, checked: int
) -> str:
    """What was found about a clock, in plain words.

    ``listed``: whether any visit of the job list is in reach; ``first_shown_s``: the first time the meter said, NaN
    where it gave none; ``known``: whether the offset is known well enough to correct by it.
    """
    if not listed:
        return "no visit of the job list is in reach, so nothing is known about the clock"
    if np.isnan(first_shown_s):
        return "the meter gave no time: visits are told apart by labels and by the order of the readings"
    agree = f"; {agreeing} of {checked} readings agree" if checked else ""
    if offset_s == 0.0 and known:
        return f"the meter's clock agrees with the job list{agree}"
    if abs(offset_s) > LOST_FROM_S and offset_s % DAY_S:
        about = format_minute(first_shown_s - offset_s)
        said = format_minute(first_shown_s)
        return f"the meter had lost its date: it said {said} when it was about {about} UTC, by the job list{agree}"
    if not known and spread_s > 2.0 * ROUGH_S:
        return f"the meter's clock fits the job list in more than one way{agree}"
    about = "" if known and offset_s % HOUR_S == 0.0 else f", give or take {spread_s / 60.0:.0f} min"
    way = "ahead" if offset_s > 0 else "behind"
    return f"the meter ran {span_text(abs(offset_s))} {way}{about}{_cause(offset_s)}{agree}"


def _cause(offset_s: float) -> str:
    if abs(abs(offset_s) - HOUR_S) < ROUGH_S / 4.0:
        return ": summer time not set" if offset_s < 0 else ": summer time set when it was winter"
    if abs(offset_s) >= DAY_S and offset_s % DAY_S == 0.0:
        return ": its date was set wrong, its time of day was right"
    return ""


def span_text(seconds: float) -> str:
    """A span of time in days, hours, minutes and seconds, the parts that are not nought."""
    whole = round(seconds)
    parts = [(whole // 86400, "d"), (whole // 3600 % 24, "h"), (whole // 60 % 60, "min"), (whole % 60, "s")]
    return " ".join(f"{count} {unit}" for count, unit in parts if count) or "0 s"


def format_minute(moment_s: float) -> str:
    """A moment [s since 1970] to the minute."""
    return str(np.datetime64(int(moment_s // 60), "m")).replace("T", " ")
