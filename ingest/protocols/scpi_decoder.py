"""Answers to SCPI queries into events. Fed with every frame of both directions."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.foreign_text import show_foreign
from ingest.profiles.device_scpi import ScpiProfile
from ingest.protocols.frames import NO_RECORDS, Answer, Cell, Damage, Event, Frame, Record
from ingest.protocols.line_decoder import asked_position, iso_clock, template_pattern
from ingest.protocols.messages_488 import Datum, Malformed, Message, parse_message, special_number

RECORDS = ("record", "records")
QUERIES = ("identify", "count", "clock", "error", "done", "live", *RECORDS)


class ScpiDecoder:
    """The decoder of ``kind = "scpi"``: each answer belongs to the query before it."""

    def __init__(self, profile: ScpiProfile) -> None:
        self._profile = profile
        self._scpi = profile.scpi
        self._queries = [(name, template_pattern(query)) for name in QUERIES if (query := getattr(profile.scpi, name))]
        self._asked = ""
        self._range: tuple[int, int] | None = None
        self._held = b""
        self._began = 0
        self._at_s = 0.0

    def feed(self, frame: Frame) -> list[Event]:
        """The events that this frame completes."""
        if frame.direction == "out":
            events = self.finish()
            self._note_query(frame.data.decode("ascii", "replace").removesuffix(self._scpi.send_end))
            return events
        if not self._held:
            self._began = frame.number
        self._held += frame.data
        self._at_s = frame.at_s
        return self._take()

    def finish(self) -> list[Event]:
        """Half an answer is damage."""
        rest, self._held = self._held, b""
        return [self._damage(rest, "cut off", "the answer has no end")] if rest.strip() else []

    def _note_query(self, text: str) -> None:
        self._asked, self._range = "", None
        for name, pattern in self._queries:
            found = pattern.fullmatch(text)
            if found:
                numbers = [int(part) for part in found.groupdict().values()]
                self._asked = name
                self._range = (numbers[0], numbers[-1]) if name in RECORDS and numbers else None
                return

    def _take(self) -> list[Event]:
        events: list[Event] = []
        while self._held:
            try:
                message = parse_message(self._held)
            except Malformed as error:
                # Where the bytes make no sense, the next sound answer begins after the last line end seen.
                cut = self._held.rfind(b"\n") + 1 or len(self._held)
                spoiled, self._held = self._held[:cut], self._held[cut:]
                events.append(self._damage(spoiled, "unreadable", str(error)))
                continue
            if message is None:
                break
            raw, self._held = self._held[: message.length], self._held[message.length :]
            if raw.strip():
                events += self._events(raw, message)
        return events

    def _events(self, raw: bytes, message: Message) -> list[Event]:
        units = message.units
        if self._asked in RECORDS:
            return self._records(raw, units[0])
        if self._asked == "live":
            cells = self._cells(units[0], self._scpi.live_fields)
            if cells:
                return [Record(frame=self._began, at_s=self._at_s, raw=_text(raw), cells=cells, stored=False)]
        values = self._values(raw, units[0])
        if values is None:
            return [
                self._damage(raw, "unreadable", f"this is no answer to the question for {self._asked or 'nothing'}")
            ]
        return [Answer(frame=self._began, at_s=self._at_s, kind=self._asked, values=values)]

    def _values(self, raw: bytes, data: list[Datum]) -> dict[str, str] | None:
        texts = [_text(datum.data) for datum in data]
        if self._asked == "identify" and len(texts) == 4:
            serial = "" if texts[2] == "0" else texts[2]
            return {"serial": serial, "model": f"{texts[0]} {texts[1]}".strip(), "firmware": texts[3]}
        if self._asked == "count" and len(texts) == 1 and texts[0].lstrip("+").isdigit():
            return {"count": texts[0].lstrip("+")}
        if self._asked == "clock":
            text = _text(raw).strip()
            return {"clock": text} | iso_clock(text.replace('"', ""), self._profile.clock_format)
        if self._asked == "error" and len(texts) == 2:
            return {"code": texts[0].lstrip("+"), "text": texts[1]}
        if self._asked == "done" and texts == ["1"]:
            return {}
        return None

    def _records(self, raw: bytes, data: list[Datum]) -> list[Event]:
        if len(data) == 1 and data[0].kind == "block":
            events: list[Event] = []
            for line in data[0].data.split(b"\n"):
                if line.strip():
                    events += self._block_line(line + b"\n")
            return [*events, Answer(frame=self._began, at_s=self._at_s, kind="end")]
        return [self._record(raw, data)]

    def _block_line(self, line: bytes) -> list[Event]:
        try:
            message = parse_message(line)
        except Malformed as error:
            return [self._damage(line, "unreadable", str(error))]
        if message is None or len(message.units) != 1:
            return [self._damage(line, "unreadable", "this line of a block is no record")]
        return [self._record(line, message.units[0])]

    def _record(self, raw: bytes, data: list[Datum]) -> Event:
        cells = self._cells(data, self._scpi.fields)
        if cells is None or self._range is None:
            return self._damage(raw, "unreadable", f"{len(data)} data where a record has {len(self._scpi.fields)}")
        first, last = self._range
        own = cells.get("record")
        position = asked_position(own.text, first, last, self._scpi.numbers_wrap_at) if own else first
        if position is None:
            return self._damage(raw, "unreadable", "this is a record that was not asked for")
        text = _text(raw).rstrip("\r\n")
        return Record(frame=self._began, at_s=self._at_s, raw=text, cells=cells, position=position)

    def _cells(self, data: list[Datum], names: Sequence[str]) -> dict[str, Cell] | None:
        if len(data) != len(names):
            return None
        return {name: _cell(datum) for name, datum in zip(names, data, strict=True)}

    def _damage(self, raw: bytes, reason: str, message: str) -> Damage:
        asked = self._range or (None if self._asked == "live" else NO_RECORDS)
        return Damage(
            frame=self._began, at_s=self._at_s, raw=show_foreign(raw), reason=reason, message=message, asked=asked
        )


def _cell(datum: Datum) -> Cell:
    text = _text(datum.data)
    if datum.kind == "number":
        return Cell(text, text.lstrip("+"), special_number(datum.data))
    return Cell(text, text.strip())


def _text(data: bytes) -> str:
    return data.decode("utf-8", "backslashreplace")
