"""What a meter's clock said while the computer listened: sessions before that are read by it.

In a conversation with the meter its clock was compared with the computer's. As long as it was not set or lost between
the readings and that moment, the difference is known far better than any job list could tell.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from reconcile.matching.order import Session

LATEST_S: Final = 3 * 86400.0
"""A comparison later than this after the last reading is not relied on: clocks drift and are set."""

EARLY_MARGIN_S: Final = 60.0
MOST_UNSURE_S: Final = 60.0


def read_by_exchanges(sessions: list[Session], clock_readings: pd.DataFrame) -> list[Session]:
    """The sessions, those that a comparison of clocks followed with times in UTC (schemas.meters.ClockReadings)."""
    usable = clock_readings[clock_readings["uncertainty_s"] <= MOST_UNSURE_S]
    if usable.empty:
        return sessions
    heard: dict[str, list[tuple[float, float]]] = {}
    usable = usable.sort_values("observed_at")
    observed_s = usable["observed_at"].to_numpy(dtype="datetime64[ns]").astype(np.int64) / 1e9
    for serial, moment_s, offset_s in zip(usable["meter_serial"], observed_s, usable["offset_s"], strict=True):
        heard.setdefault(str(serial), []).append((float(moment_s), float(offset_s)))
    found = list(sessions)
    later_start_s: dict[str, float] = {}
    for number in range(len(sessions) - 1, -1, -1):
        session = sessions[number]
        if not session.timed:
            continue
        last_s, first_s = float(np.nanmax(session.time_s)), float(np.nanmin(session.time_s))
        name = session.meter_serial or ""
        followed_s = later_start_s.get(name, np.inf)
        known_s = _offset_after(last_s, heard.get(name, [])) if last_s <= followed_s else None
        if known_s is not None:
            found[number] = _shifted(session, known_s)
        # A later session that begins earlier by the meter means that the clock was set or lost in between.
        later_start_s[name] = min(first_s, followed_s)
    return found


def _offset_after(last_s: float, heard: list[tuple[float, float]]) -> float | None:
    """The difference [s] that was observed soonest after the last reading by the meter's own clock; nothing if none."""
    for observed_s, offset_s in heard:
        if -EARLY_MARGIN_S <= observed_s + offset_s - last_s <= LATEST_S:
            return offset_s
    return None


def _shifted(session: Session, offset_s: float) -> Session:
    return replace(
        session,
        time_s=session.time_s - offset_s,
        beat_s=session.beat_s - offset_s,
        dated=True,
        exchanged_s=offset_s,
    )
