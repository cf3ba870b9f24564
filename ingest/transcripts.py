"""A transcript into readings and refusals. Pure: the same bytes always give the same tables.

A transcript is gone through twice: first for what is certain of each position of the memory, then for the rows. Neither
time is more of it held than the line at hand, marks of the records, and the rows that result.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import BinaryIO, Final
from zoneinfo import ZoneInfo

import pandas as pd

from ingest.contents import Copies, Marks, content_mark
from ingest.extract import Extract, ReadingRow, RefusalRow, readings_table, refusals_table
from ingest.foreign_text import show_foreign
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import make_meter, parse_device_profile
from ingest.protocols.frames import Answer, Damage, Event, Frame, Record
from ingest.protocols.record_rows import RowMaker, clean_serial
from ingest.transcript_file import TranscriptHead, Unreadable, parse_frames, parse_head
from schemas.check import check_table
from schemas.errors import InputError
from schemas.readings import Readings

MOST_ASKED: Final = 1_000
ROWS_AT_ONCE: Final = 2_000
"""So many rows are held as Python objects before they become part of a table."""


@dataclass(kw_only=True)
class Heard:
    """What a conversation held: of its stored records only marks, so that its size does not matter.

    ``empty``: positions of which the meter said, with nothing spoiled meanwhile, that it has no record there.
    """

    head: TranscriptHead
    profile: DeviceProfile
    serial: str | None = None
    copies: Copies = field(default_factory=Copies)
    empty: Marks = field(default_factory=Marks)
    damages: list[Damage] = field(default_factory=list)
    clocks: list[tuple[float, Answer]] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)

    def zone(self, otherwise: ZoneInfo) -> ZoneInfo:
        """The zone of the meter's clock: the one of its profile, else the one given."""
        return ZoneInfo(self.profile.time.zone) if self.profile.time.zone else otherwise

    def certain(self, position: int) -> int:
        """The mark of what the conversation knows for certain of a position of the memory; 0 where it does not.

        Where bytes are protected, the last content counts. Where they are not, a record must have been received
        at least twice alike, and no other content of its position as often.
        """
        return self.copies.agreed(position) if self.profile.reads_twice else self.copies.newest(position)

    def stored(self) -> Marks:
        """The same for all positions."""
        found = Marks()
        for position in self.copies:
            found[position] = self.certain(position)
        return found


def hear(stream: BinaryIO, profiles: Mapping[str, DeviceProfile]) -> Heard:
    """What a transcript holds. A profile of the same name in ``profiles`` is used before the one kept inside.

    Raises InputError where the bytes are no transcript, ProfileError where its profile cannot be used.
    """
    stream.seek(0)
    head = parse_head(stream.readline())
    profile = profiles.get(head.profile) or parse_device_profile(head.profile_toml, "the profile in the transcript")
    heard = Heard(head=head, profile=profile, serial=profile.meter.serial)
    spoiled_s = -1.0
    for asked_s, event in _events(stream, head, profile):
        if isinstance(event, Record):
            if event.stored:
                heard.copies.add(event.position, content_mark(event.raw))
        elif isinstance(event, Damage):
            heard.damages.append(event)
            spoiled_s = asked_s
        elif isinstance(event, Unreadable):
            heard.unreadable.append(event)
        elif event.kind == "clock":
            heard.clocks.append((asked_s, event))
        elif event.kind == "identify":
            heard.serial = clean_serial(event.values.get("serial", "")) or heard.serial
        elif event.kind == "end" and asked_s != spoiled_s:
            _note_empty(heard, event)
    return heard


def _note_empty(heard: Heard, end: Answer) -> None:
    """Where an answer ends, the meter has none of the records that were asked for and did not come."""
    first, last = (int(end.values.get(name, "-1")) for name in ("first", "last"))
    if 0 <= first <= last < first + MOST_ASKED:
        for position in range(first, last + 1):
            heard.empty[position] = position not in heard.copies


def _events(
    stream: BinaryIO, head: TranscriptHead, profile: DeviceProfile
) -> Iterator[tuple[float, Event | Unreadable]]:
    """The events of a transcript behind its first line, each with the time of the question before it."""
    decoder = make_meter(profile).decoder()
    asked_s = 0.0
    for part in parse_frames(stream, head):
        if isinstance(part, Unreadable):
            yield asked_s, part
            continue
        if isinstance(part, Frame):
            asked_s = part.at_s if part.direction == "out" else asked_s
            found = decoder.feed(part)
        else:
            found = decoder.finish()
        for event in found:
            yield asked_s, event
    for event in decoder.finish():
        yield asked_s, event


def read_transcript(
    content: bytes, *, sha256: str, profiles: Mapping[str, DeviceProfile], zone: ZoneInfo | None = None
) -> Extract:
    """Readings and refusals of a transcript, by frame; ``record_no`` is the frame in which the record began.

    ``column_no`` counts the values whose record began in that frame. A stored record that was sent several times
    stands once, at its first frame. Bytes that are no transcript give one refusal.
    """
    stream = io.BytesIO(content)
    try:
        heard = hear(stream, profiles)
    except InputError as error:
        return no_transcript(stream, error, sha256)
    return read_heard(heard, stream, sha256=sha256, zone=zone)


def no_transcript(stream: BinaryIO, error: InputError, sha256: str) -> Extract:
    """The one refusal for bytes that are no transcript."""
    stream.seek(0)
    refusal = RefusalRow(
        evidence_sha256=sha256, record_no=1, raw_text=show_foreign(stream.read(80)), reason="no profile",
        message=error.what,
    )  # fmt: skip
    return Extract(readings=readings_table([]), refusals=refusals_table([refusal]), records=1, profile=None)


def read_heard(
    heard: Heard, stream: BinaryIO, *, sha256: str, zone: ZoneInfo | None, elsewhere: Marks | None = None
) -> Extract:
    """The same from a transcript that was heard already, now read for its rows.

    ``elsewhere``: what another conversation has for certain of the same memory; spoiled copies of it are no refusals.
    """
    readings: list[ReadingRow] = []
    refusals: list[RefusalRow] = []
    tables: list[pd.DataFrame] = []
    for row in heard_rows(heard, stream, sha256=sha256, zone=zone, elsewhere=elsewhere):
        if isinstance(row, RefusalRow):
            refusals.append(row)
            continue
        readings.append(row)
        if len(readings) == ROWS_AT_ONCE:
            tables.append(readings_table(readings))
            readings.clear()
    if readings or not tables:
        tables.append(readings_table(readings))
    table = check_table(Readings, pd.concat(tables, ignore_index=True)) if len(tables) > 1 else tables[0]
    refusals.sort(key=lambda row: row.record_no)
    return Extract(
        readings=table, refusals=refusals_table(refusals), records=len(table) + len(refusals),
        profile=heard.profile.name,
    )  # fmt: skip


def heard_rows(
    heard: Heard, stream: BinaryIO, *, sha256: str, zone: ZoneInfo | None, elsewhere: Marks | None = None
) -> Iterator[ReadingRow | RefusalRow]:
    """Rows one by one: readings in the order of the transcript; refusals are not in order."""
    elsewhere = elsewhere or Marks()
    maker = RowMaker(
        profile=heard.profile, sha256=sha256, serial=heard.serial, zone=heard.zone(zone or ZoneInfo("UTC"))
    )
    frame, column = 0, 0
    for record, sound in settled_records(heard, stream):
        if not sound:
            if record.position is None or record.position not in elsewhere:
                yield _doubt(record, sha256)
            continue
        frame, column = record.frame, column if record.frame == frame else 0
        for row in maker.rows(record, column + 1, heard.head.utc_at(record.at_s)):
            column += 1
            yield row
    for damage in unsettled_damage(heard, elsewhere):
        yield _damage(damage, sha256)
    for part in heard.unreadable:
        yield RefusalRow(
            evidence_sha256=sha256, record_no=part.number, raw_text=show_foreign(part.text), reason="unreadable",
            message=f"this line of the transcript cannot be read: {part.why}",
        )  # fmt: skip


def settled_records(heard: Heard, stream: BinaryIO) -> Iterator[tuple[Record, bool]]:
    """The records of a transcript as ``settle`` gives them."""
    stream.seek(0)
    stream.readline()
    events = (event for _, event in _events(stream, heard.head, heard.profile))
    return settle((event for event in events if isinstance(event, Record)), heard.copies, heard.profile.reads_twice)


def settle(records: Iterable[Record], copies: Copies, reads_twice: bool) -> Iterator[tuple[Record, bool]]:
    """Every live record, and every stored one once, at the first frame where it stood; whether it is certain.

    ``copies`` counts all stored ones. Where bytes are protected, each content of a position counts. Where they are not,
    the one most often received stands for its position.
    """
    taken = Copies()
    for record in records:
        if not record.stored:
            yield record, True
            continue
        mark = content_mark(record.raw)
        if taken.add(record.position, mark) > 1:
            continue
        if not reads_twice:
            yield record, True
        elif copies.of(record.position)[0][0] == mark:
            yield record, copies.agreed(record.position) == mark


def in_doubt(heard: Heard) -> bool:
    """True where a stored record was not received twice alike, or may be lost behind damage."""
    if unsettled_damage(heard, Marks()):
        return True
    return heard.profile.reads_twice and any(not heard.copies.agreed(position) for position in heard.copies)


def unsettled_damage(heard: Heard, elsewhere: Marks) -> list[Damage]:
    """Damage behind which a record may be lost: not what was received whole when it was asked for again."""
    return [
        damage
        for damage in heard.damages
        if damage.asked is None
        or not all(
            heard.certain(number) or number in heard.empty or number in elsewhere
            for number in range(damage.asked[0], damage.asked[1] + 1)
        )
    ]


def _doubt(record: Record, sha256: str) -> RefusalRow:
    return RefusalRow(
        evidence_sha256=sha256, record_no=record.frame, raw_text=show_foreign(record.raw), reason="unreadable",
        message=f"record {record.position}: not received twice alike, and the line has no checksum; sync again",
    )  # fmt: skip


def _damage(damage: Damage, sha256: str) -> RefusalRow:
    return RefusalRow(
        evidence_sha256=sha256, record_no=damage.frame, raw_text=damage.raw, reason=damage.reason,
        message=damage.message,
    )  # fmt: skip
