"""Sightings in the order they were taken, cut into sessions: runs of one meter's memory with one clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.matching.stopped_clocks import has_stopped
from schemas.quantities import QUANTITIES

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

SESSION_GAP_S: Final = 5 * 3600.0
"""A pause in the meter time longer than this ends a session: common practice is a night or a break between days."""

FILES_APART: Final = 1_000_000_000
"""Added to the numbers of records a file: no two files share one."""

CLOCK_STEP_BACK_S: Final = 90.0
"""Meter time that runs back by more than this between two records means that the clock was set or lost."""

SHORT_START_S: Final = 3600.0

KINDS: Final[dict[tuple[str, str], int]] = {
    pair: place
    for place, pair in enumerate(
        (name, conductors) for name, quantity in QUANTITIES.items() for conductors in quantity.conductors or ("",)
    )
}
"""Every kind of sighting: a quantity and the conductors it was measured between."""

PROOF_KIND: Final = KINDS["voltage_indicator_proof", ""]
VOLTAGE_KINDS: Final = tuple(KINDS["voltage", pair] for pair in QUANTITIES["voltage"].conductors)


@dataclass(frozen=True, kw_only=True)
class Session:
    """One run of readings of one meter with one clock, in the order they were taken.

    ``rows`` are row positions in the sightings table; ``time_s`` [s since 1970, by the meter] is NaN where the meter
    gave none, and ``dated`` says that it was stamped in UTC; ``kind`` places in ``KINDS``; ``record`` numbers the
    records, so that the cells of one wide row share one number. ``source`` is the file. ``beat_s`` [s] tells pauses
    apart, and ``start`` numbers the starts of the clock: a pause is known within one start only. Of several meters in
    one session (see crews.py) ``meter`` numbers the meter of each reading, ``serials`` their serial numbers and
    ``emission`` (T, D) weighs each stage by what its meter is used for. ``exchanged_s``: what was taken off the times
    because the clock was compared with a computer's later on [s], NaN where it was not.
    """

    meter_serial: str | None
    source: str
    rows: Places
    time_s: Numbers
    dated: bool
    kind: Places
    label: list[str | None]
    record: Places
    beat_s: Numbers
    start: Places
    meter: Places | None = None
    serials: tuple[str | None, ...] = ()
    emission: Numbers | None = None
    exchanged_s: float = np.nan

    @property
    def meter_of(self) -> Places:
        """The number of the meter of each reading, all 0 where there is one meter only."""
        return np.zeros(len(self.rows), dtype=np.int64) if self.meter is None else self.meter

    @property
    def serial_of_meter(self) -> tuple[str | None, ...]:
        """The serial number of each meter, in the numbers of ``meter_of``; nothing where it is not known."""
        return self.serials or (self.meter_serial,)

    @property
    def timed(self) -> bool:
        """True where the meter gave a time with any of the readings."""
        return not bool(np.isnan(self.time_s).all())


def order_sightings(sightings: pd.DataFrame) -> pd.DataFrame:
    """The sightings with ``time_s``, ``dated``, ``kind`` and ``session``, sorted into the order they were taken.

    Shape: one row a sighting, key ``reading_id``, ``row`` is the place in the table given. The order is the meter's
    own: memory number where every record of a file has one, else the lines of the file (turned round where its times
    run backwards). Times of a clock that stands still are left out. Nothing depends on the order of the rows given.
    """
    table = sightings.assign(row=np.arange(len(sightings)))
    table["meter"] = table["meter_serial"].fillna("")
    table["meter_no"], table["file"] = _number_files(table)
    table["time_s"], table["dated"] = _meter_seconds(table)
    table = _sort_files(table)
    pairs = pd.MultiIndex.from_arrays([table["quantity"], table["conductors"].fillna("")])
    table["kind"] = pd.MultiIndex.from_tuples(list(KINDS)).get_indexer(pairs)
    stopped = has_stopped(table)
    table["time_s"], table["dated"] = table["time_s"].mask(stopped), table["dated"] & ~stopped
    table["session"] = _number_sessions(table)
    return table


def find_sessions(ordered: pd.DataFrame) -> list[Session]:
    """The sessions of an ordered table (see ``order_sightings``), in its order."""
    if ordered.empty:
        return []
    bounds = np.flatnonzero(np.diff(ordered["session"].to_numpy(), prepend=-1))
    ends = np.append(bounds[1:], len(ordered))
    rows, time_s = ordered["row"].to_numpy(), ordered["time_s"].to_numpy()
    dated, kind = ordered["dated"].to_numpy(), ordered["kind"].to_numpy()
    record = (ordered["record_no"] + FILES_APART * ordered["file"]).to_numpy()
    label = ordered["label"].astype(object).where(ordered["label"].notna(), None).to_numpy()
    meter, source = ordered["meter"].to_numpy(dtype=object), ordered["evidence_sha256"].to_numpy(dtype=object)
    return [
        Session(
            meter_serial=meter[start] or None,
            source=f"{meter[start]} {source[start]}",
            rows=rows[start:end],
            time_s=time_s[start:end],
            dated=bool(dated[start:end].any()),
            kind=kind[start:end],
            label=list(label[start:end]),
            record=record[start:end],
            beat_s=time_s[start:end],
            start=np.zeros(end - start, dtype=np.int64),
        )
        for start, end in zip(bounds, ends, strict=True)
    ]


def join_restarts(sessions: list[Session], lost: list[bool]) -> list[Session]:
    """The sessions, with those of a clock that starts again and again joined: their order and pauses are all it tells.

    ``lost``: whether the clock of each session lost its date. Three starts in a row of one file, or one that saw too
    little to be placed on its own, make a clock that cannot be followed.
    """
    joined: list[Session] = []
    place = 0
    while place < len(sessions):
        end = place + 1
        while end < len(sessions) and lost[place] and lost[end] and _restarted(sessions[end - 1], sessions[end]):
            end += 1
        run = sessions[place:end]
        short = any(np.nanmax(one.time_s) - np.nanmin(one.time_s) < SHORT_START_S for one in run if one.timed)
        joined += [_join(run)] if len(run) > 2 or (len(run) > 1 and short) else run
        place = end
    return joined


def _restarted(before: Session, after: Session) -> bool:
    """True where the clock began anew between two sessions of one file: a night's pause is no restart."""
    if before.source != after.source or not before.timed or not after.timed:
        return False
    return bool(np.nanmin(after.time_s) < np.nanmax(before.time_s))


def _join(run: list[Session]) -> Session:
    first = run[0]
    rows = np.concatenate([one.rows for one in run])
    return Session(
        meter_serial=first.meter_serial,
        source=first.source,
        rows=rows,
        time_s=np.full(len(rows), np.nan),
        dated=all(one.dated for one in run),
        kind=np.concatenate([one.kind for one in run]),
        label=[text for one in run for text in one.label],
        record=np.concatenate([one.record for one in run]),
        beat_s=np.concatenate([one.time_s for one in run]),
        start=np.repeat(np.arange(len(run)), [len(one.rows) for one in run]),
    )


def _meter_seconds(table: pd.DataFrame) -> tuple[Numbers, NDArray[np.bool_]]:
    """Meter time in seconds [s since 1970]: UTC where it was stamped, else as the meter said it."""
    stamped = _seconds(table["stamped_at"])
    local = _seconds(table["meter_time"])
    return np.where(np.isnan(stamped), local, stamped), ~np.isnan(stamped)


def _seconds(moments: pd.Series) -> Numbers:
    nanoseconds = moments.to_numpy(dtype="datetime64[ns]").astype(np.int64).astype(np.float64)
    return np.where(moments.isna().to_numpy(), np.nan, nanoseconds / 1e9)


def _number_files(table: pd.DataFrame) -> tuple[Places, Places]:
    """A number for each meter and each file of a meter, in the order of their names: cheaper to sort by than texts."""
    meter, _ = pd.factorize(table["meter"], sort=True)
    evidence, names = pd.factorize(table["evidence_sha256"], sort=True)
    return np.asarray(meter, dtype=np.int64), np.asarray(meter * max(len(names), 1) + evidence, dtype=np.int64)


def _sort_files(table: pd.DataFrame) -> pd.DataFrame:
    """Rows sorted by meter, file and place in the memory; files of one meter by their first time."""
    files = table.groupby("file", sort=False)
    numbered = files["memory_no"].transform("count") == files["memory_no"].transform("size")
    place = np.where(numbered, table["memory_no"].fillna(0).astype("int64"), table["record_no"])
    first_s = files["time_s"].transform("min").fillna(np.inf)
    table = table.assign(place=place, numbered=numbered, first_s=first_s)
    keys = ["meter_no", "first_s", "file", "place", "record_no", "column_no"]
    table = _sorted(table, keys)
    runs_back = _runs_back(table) & ~table["numbered"]
    if runs_back.any():
        table["place"] = table["place"].where(~runs_back, -table["place"])
        table = _sorted(table, keys)
    return table.reset_index(drop=True)


def _sorted(table: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """The table in the order of its keys; nothing is moved where it stands so already, as exports mostly do."""
    order = np.lexsort([table[key].to_numpy() for key in reversed(keys)])
    return table if (np.diff(order) == 1).all() else table.iloc[order]


def _runs_back(table: pd.DataFrame) -> pd.Series:
    """True for the rows of files whose times mostly fall from record to record (newest first)."""
    step = table.groupby("file", sort=False)["time_s"].diff()
    sign = np.sign(step).fillna(0.0)
    total: pd.Series = sign.groupby(table["file"], sort=False).transform("sum")
    return total < -1.0


def _number_sessions(table: pd.DataFrame) -> Places:
    """The number of each row's session: a new file, a long pause or a clock that stepped starts another."""
    same_file = table["file"].eq(table["file"].shift())
    time_s = table["time_s"]
    step = time_s.groupby(table["file"], sort=False).ffill().diff()
    lost = time_s.isna() != time_s.isna().shift(fill_value=False)
    cut = (
        (~same_file & ~_next_file(table))
        | (step > SESSION_GAP_S)
        | (step < -CLOCK_STEP_BACK_S)
        | (lost & _long_blank(table))
    )
    return np.asarray(cut.cumsum() - 1, dtype=np.int64)


def _next_file(table: pd.DataFrame) -> pd.Series:
    """True where a file goes on where the one before it of the same meter ended: exports by the day cut a night."""
    same_meter = table["meter"].eq(table["meter"].shift()) & table["meter"].ne("")
    return same_meter & (table["time_s"] - table["time_s"].shift()).between(0.0, SESSION_GAP_S)


def _long_blank(table: pd.DataFrame) -> pd.Series:
    """True where a stretch without any time is long (more than 5 records): the clock was lost, not one cell."""
    blank = table["time_s"].isna()
    stretch = (blank != blank.shift()).cumsum()
    length = stretch.groupby(stretch).transform("size")
    return (blank & (length > 5)) | (~blank & (length.shift(fill_value=0) > 5))
