"""What a meter's clock said in a conversation, as evidence for the matcher. Pure: the same bytes, the same rows."""

from __future__ import annotations

import io
from collections.abc import Mapping
from zoneinfo import ZoneInfo

import pandas as pd

from ingest.clock_exchange import ClockExchange, clock_offset
from ingest.meter_time import ISO, parse_local, to_utc
from ingest.profiles.device import DeviceProfile
from ingest.protocols.frames import Answer
from ingest.transcripts import Heard, hear
from schemas.check import conform_table
from schemas.errors import InputError
from schemas.meters import ClockReadings


def clock_readings(
    content: bytes, *, sha256: str, profiles: Mapping[str, DeviceProfile], zone: ZoneInfo
) -> pd.DataFrame:
    """What the meter's clock said in a transcript (schemas.meters.ClockReadings): one row, or none.

    None where the meter told no time or no serial number, or where its local time has no one moment.
    """
    try:
        return clock_table(hear(io.BytesIO(content), profiles), sha256, zone)
    except InputError:
        return clock_table(None, sha256, zone)


def clock_table(heard: Heard | None, sha256: str, zone: ZoneInfo) -> pd.DataFrame:
    """The same from events that are already decoded; no row where there are none."""
    exchanges = clock_exchanges(heard, zone) if heard is not None else []
    if heard is None or heard.serial is None or not exchanges:
        return conform_table(ClockReadings, pd.DataFrame())
    found = clock_offset(exchanges)
    row = {
        "meter_serial": heard.serial, "observed_at": pd.Timestamp(found.observed_at), "offset_s": found.offset_s,
        "uncertainty_s": found.uncertainty_s, "evidence_sha256": sha256,
    }  # fmt: skip
    frame = pd.DataFrame([row])
    frame["observed_at"] = frame["observed_at"].astype("datetime64[ns, UTC]")
    return conform_table(ClockReadings, frame)


def clock_exchanges(heard: Heard, zone: ZoneInfo) -> list[ClockExchange]:
    """The questions for the time whose answers name one moment, in order."""
    found = (_exchange(answer, asked_s, heard, heard.zone(zone)) for asked_s, answer in heard.clocks)
    return [exchange for exchange in found if exchange is not None]


def _exchange(answer: Answer, asked_s: float, heard: Heard, zone: ZoneInfo) -> ClockExchange | None:
    """One question for the time and its answer; None where the answer names no single moment."""
    local = parse_local(answer.values.get("local", ""), f"{ISO}.%f")
    moment = to_utc(local, zone)[0] if local else None
    if moment is None:
        return None
    return ClockExchange(
        asked_at=heard.head.utc_at(asked_s), answered_at=heard.head.utc_at(answer.at_s), meter_said_at=moment,
        resolution_s=float(answer.values.get("resolution_s", heard.profile.time.resolution_s)),
    )  # fmt: skip
