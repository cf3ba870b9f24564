"""A transcript into readings and refusals. Pure: the same bytes always give the same tables."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from ingest.extract import Extract, ReadingRow, RefusalRow, readings_table, refusals_table
from ingest.foreign_text import show_foreign
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import make_meter, parse_device_profile
from ingest.protocols.frames import Answer, Damage, Event, Frame, Record
from ingest.protocols.record_rows import RowMaker, clean_serial
from ingest.transcript_file import TranscriptHead, Unreadable, parse_frames, parse_head
from schemas.errors import InputError


@dataclass(kw_only=True)
class Heard:
    """What a conversation held, in its order."""

    head: TranscriptHead
    profile: DeviceProfile
    serial: str | None = None
    records: list[Record] = field(default_factory=list)
    damages: list[Damage] = field(default_factory=list)
    clocks: list[tuple[float, Answer]] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)

    def zone(self, otherwise: ZoneInfo) -> ZoneInfo:
        """The zone of the meter's clock: the one of its profile, else the one given."""
        return ZoneInfo(self.profile.time.zone) if self.profile.time.zone else otherwise

    def stored(self) -> dict[int, str]:
        """What the conversation knows for certain of each position of the memory, as received."""
        sound, _ = settle_stored([record for record in self.records if record.stored], self.profile.reads_twice)
        return {record.position: record.raw for record in sound if record.position is not None}


def hear(content: bytes, profiles: Mapping[str, DeviceProfile]) -> Heard:
    """All events of a transcript. A profile of the same name in ``profiles`` is used before the one kept inside.

    Raises InputError where the bytes are no transcript, ProfileError where its profile cannot be used.
    """
    head = parse_head(content)
    profile = profiles.get(head.profile) or parse_device_profile(head.profile_toml, "the profile in the transcript")
    heard = Heard(head=head, profile=profile, serial=profile.meter.serial)
    decoder = make_meter(profile).decoder()
    asked_s = 0.0
    for part in parse_frames(content, head):
        if isinstance(part, Frame):
            asked_s = part.at_s if part.direction == "out" else asked_s
            _sort_in(heard, decoder.feed(part), asked_s)
        elif isinstance(part, Unreadable):
            heard.unreadable.append(part)
        else:
            _sort_in(heard, decoder.finish(), asked_s)
    _sort_in(heard, decoder.finish(), asked_s)
    return heard


def _sort_in(heard: Heard, events: Iterable[Event], asked_s: float) -> None:
    for event in events:
        if isinstance(event, Record):
            heard.records.append(event)
        elif isinstance(event, Damage):
            heard.damages.append(event)
        elif event.kind == "clock":
            heard.clocks.append((asked_s, event))
        elif event.kind == "identify":
            heard.serial = clean_serial(event.values.get("serial", "")) or heard.serial


def read_transcript(
    content: bytes, *, sha256: str, profiles: Mapping[str, DeviceProfile], zone: ZoneInfo | None = None
) -> Extract:
    """Readings and refusals of a transcript, by frame; ``record_no`` is the frame in which the record began.

    ``column_no`` counts the values whose record began in that frame. A stored record that was sent several times
    stands once, at its first frame. Bytes that are no transcript give one refusal.
    """
    try:
        heard = hear(content, profiles)
    except InputError as error:
        refusal = RefusalRow(
            evidence_sha256=sha256, record_no=1, raw_text=show_foreign(content[:80]), reason="no profile",
            message=error.what,
        )  # fmt: skip
        return _extract([], [refusal], None)
    return read_heard(heard, sha256=sha256, zone=zone)


def read_heard(
    heard: Heard, *, sha256: str, zone: ZoneInfo | None, elsewhere: Mapping[int, str] | None = None
) -> Extract:  # fmt: skip
    """The same from events that are already decoded.

    ``elsewhere``: what another conversation has for certain of the same memory; spoiled copies of it are no refusals.
    """
    maker = RowMaker(
        profile=heard.profile, sha256=sha256, serial=heard.serial, zone=heard.zone(zone or ZoneInfo("UTC"))
    )
    sound, _ = settle_stored([record for record in heard.records if record.stored], heard.profile.reads_twice)
    live = [record for record in heard.records if not record.stored]
    rows = list(_rows(sorted(sound + live, key=lambda record: record.frame), maker, heard))
    refusals = [row for row in rows if isinstance(row, RefusalRow)]
    refusals += [_doubt(record, sha256) for record in doubtful_records(heard, elsewhere or {})]
    refusals += [_damage(damage, sha256) for damage in unsettled_damage(heard, elsewhere or {})]
    refusals += [
        RefusalRow(evidence_sha256=sha256, record_no=part.number, raw_text=show_foreign(part.text),
                   reason="unreadable", message=f"this line of the transcript cannot be read: {part.why}")
        for part in heard.unreadable
    ]  # fmt: skip
    refusals.sort(key=lambda row: row.record_no)
    return _extract([row for row in rows if isinstance(row, ReadingRow)], refusals, heard.profile.name)


def settle_stored(records: list[Record], reads_twice: bool) -> tuple[list[Record], list[Record]]:
    """Stored records that are certain, and those in doubt, each once and at the first frame where it stood.

    Where bytes are protected, each content counts once. Where they are not, a record must have been received
    at least twice alike, and no other content of its position as often.
    """
    if not reads_twice:
        first: dict[tuple[int | None, str], Record] = {}
        for record in records:
            first.setdefault((record.position, record.raw), record)
        return list(first.values()), []
    copies: dict[int | None, list[Record]] = defaultdict(list)
    for record in records:
        copies[record.position].append(record)
    sound: list[Record] = []
    doubtful: list[Record] = []
    for group in copies.values():
        counted = Counter(record.raw for record in group).most_common(2)
        certain = counted[0][1] >= 2 and (len(counted) == 1 or counted[1][1] < counted[0][1])
        (sound if certain else doubtful).append(next(record for record in group if record.raw == counted[0][0]))
    return sound, doubtful


def doubtful_records(heard: Heard, elsewhere: Mapping[int, str]) -> list[Record]:
    """Stored records that were not received twice alike, here or elsewhere."""
    stored = [record for record in heard.records if record.stored]
    _, doubtful = settle_stored(stored, heard.profile.reads_twice)
    return [record for record in doubtful if record.position not in elsewhere]


def unsettled_damage(heard: Heard, elsewhere: Mapping[int, str]) -> list[Damage]:
    """Damage behind which a record may be lost: not what was received whole when it was asked for again."""
    have = heard.stored().keys() | elsewhere.keys()
    return [
        damage
        for damage in heard.damages
        if damage.asked is None or not all(number in have for number in range(damage.asked[0], damage.asked[1] + 1))
    ]


def _rows(records: list[Record], maker: RowMaker, heard: Heard) -> Iterator[ReadingRow | RefusalRow]:
    columns: Counter[int] = Counter()
    for record in records:
        for row in maker.rows(record, columns[record.frame] + 1, heard.head.utc_at(record.at_s)):
            columns[record.frame] += 1
            yield row


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


def _extract(readings: list[ReadingRow], refusals: list[RefusalRow], profile: str | None) -> Extract:
    return Extract(
        readings=readings_table(readings), refusals=refusals_table(refusals), records=len(readings) + len(refusals),
        profile=profile,
    )  # fmt: skip
