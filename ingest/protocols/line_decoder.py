"""Lines of text into events: records, answers, damage. Fed with every frame of both directions."""

from __future__ import annotations

import re

from ingest.foreign_text import show_foreign
from ingest.meter_time import parse_local
from ingest.profiles.device_lines import Command, LinesProfile
from ingest.protocols.checksums import CHECKSUMS
from ingest.protocols.frames import NO_RECORDS, Answer, Cell, Damage, Event, Frame, Record
from ingest.protocols.line_splitter import Line, LineSplitter

ANSWERED = ("identify", "count", "clock", "set_clock", "erase", "live", "stop_live")


class LineDecoder:
    """The decoder of ``kind = "lines"``."""

    def __init__(self, profile: LinesProfile) -> None:
        self._profile = profile
        self._layout = profile.lines
        self._splitter = LineSplitter(profile.lines.end.encode(), profile.lines.longest)
        self._pattern = re.compile(profile.lines.pattern) if profile.lines.pattern else None
        self._error = re.compile(profile.commands.error) if profile.commands.error else None
        self._commands = [
            (name, command, template_pattern(command.send))
            for name in (*ANSWERED, "record", "records")
            if isinstance(command := getattr(profile.commands, name), Command)
        ]
        self._prompt = profile.lines.prompt.encode()
        self._asked: tuple[str, Command] | None = None
        self._range: tuple[int, int] | None = None
        self._echo = ""
        self._live = True

    def feed(self, frame: Frame) -> list[Event]:
        """The events that this frame completes."""
        if frame.direction == "out":
            self._note_command(frame)
            return []
        return [event for line in self._splitter.feed(frame) for event in self._events(line)]

    def finish(self) -> list[Event]:
        """A line that was cut off, if there is one."""
        return [event for line in self._splitter.finish() for event in self._events(line)]

    def _note_command(self, frame: Frame) -> None:
        text = self._decode(frame.data).removesuffix(self._layout.send_end)
        self._echo = text
        for name, command, pattern in self._commands:
            found = pattern.fullmatch(text)
            if found:
                self._asked = (name, command)
                numbers = [int(part) for part in found.groupdict().values() if part.isdigit()]
                self._range = (numbers[0], numbers[-1]) if name.startswith("record") and numbers else None
                self._live = name in ("live", "stop_live")
                return

    def _decode(self, data: bytes) -> str:
        return data.decode(self._layout.encoding, errors="backslashreplace")

    def _events(self, line: Line) -> list[Event]:
        data = line.data
        while self._prompt and data.startswith(self._prompt):
            data = data.removeprefix(self._prompt)
        text = self._decode(data)
        if not text.strip() or (text == self._echo and self._asked):
            return []
        if not line.whole:
            return [self._damage(line, text, "cut off", "the line has no end")]
        if self._layout.checksum != "none":
            body, mark, digits = data.rpartition(self._layout.checksum_mark.encode())
            if not mark or digits.decode("latin-1").upper() != CHECKSUMS[self._layout.checksum](body):
                return [self._damage(line, text, "bad checksum", "the checksum of the line does not fit its bytes")]
            text = self._decode(body)
        return [self._classify(line, text)]

    def _classify(self, line: Line, text: str) -> Event:
        if self._error and (found := self._error.fullmatch(text)):
            return Answer(frame=line.frame, at_s=line.at_s, kind="error", values=_groups(found, text))
        if self._asked:
            name, command = self._asked
            if command.end and re.fullmatch(command.end, text):
                return Answer(frame=line.frame, at_s=line.at_s, kind="end", values=self._asked_for())
            if name in ANSWERED and command.answer and (found := re.fullmatch(command.answer, text)):
                values = _groups(found, text)
                if name == "clock":
                    values |= iso_clock(values["clock"], self._profile.clock_format)
                return Answer(frame=line.frame, at_s=line.at_s, kind=name, values=values)
        return self._record(line, text)

    def _asked_for(self) -> dict[str, str]:
        """The records that were asked for, where some were: they end here."""
        return {} if self._range is None else {"first": str(self._range[0]), "last": str(self._range[1])}

    def _record(self, line: Line, text: str) -> Event:
        cells = self._cells(text)
        if cells is None:
            return self._damage(line, text, "unreadable", "the line is no record, and no answer to what was asked")
        if self._range is None:
            return Record(frame=line.frame, at_s=line.at_s, raw=text, cells=cells, stored=False)
        position = self._position(cells)
        if position is None:
            return self._damage(line, text, "unreadable", "the line is a record that was not asked for")
        return Record(frame=line.frame, at_s=line.at_s, raw=text, cells=cells, position=position)

    def _cells(self, text: str) -> dict[str, Cell] | None:
        if self._pattern:
            found = self._pattern.fullmatch(text)
            return found and {name: Cell(part or "", (part or "").strip()) for name, part in found.groupdict().items()}
        parts = text.split(self._layout.separator)
        if self._layout.first_field:
            if parts[0] != self._layout.first_field:
                return None
            parts = parts[1:]
        if len(parts) != len(self._layout.fields):
            return None
        return {name: Cell(part, part.strip()) for name, part in zip(self._layout.fields, parts, strict=True)}

    def _position(self, cells: dict[str, Cell]) -> int | None:
        assert self._range is not None
        first, last = self._range
        if "record" not in cells:
            return first if first == last else None
        return asked_position(cells["record"].text, first, last, self._layout.numbers_wrap_at)

    def _damage(self, line: Line, text: str, reason: str, message: str) -> Damage:
        asked = self._range or (None if self._live else NO_RECORDS)
        return Damage(
            frame=line.frame, at_s=line.at_s, raw=show_foreign(text), reason=reason, message=message, asked=asked
        )  # fmt: skip


def asked_position(own: str, first: int, last: int, wrap: int | None) -> int | None:
    """The position from ``first`` to ``last`` that a record with its ``own`` number has, where there is one."""
    if not re.fullmatch(r"[0-9]{1,9}", own):
        return None
    number = int(own)
    if wrap:
        number = first + (number - first) % wrap
    return number if first <= number <= last else None


def iso_clock(text: str, pattern: str) -> dict[str, str]:
    """``local`` with the time of a clock answer as ISO 8601, or nothing where it does not fit the profile."""
    local = parse_local(text, pattern) if pattern else None
    return {"local": local.isoformat(timespec="microseconds")} if local else {}


def template_pattern(send: str) -> re.Pattern[str]:
    """The pattern of what is sent for a command with places such as ``{number}``."""
    parts = re.split(r"\{(number|first|last|count|clock)\}", send)
    text = "".join(
        re.escape(part) if at % 2 == 0 else f"(?P<{part}>.+)" if part == "clock" else f"(?P<{part}>[0-9]+)"
        for at, part in enumerate(parts)
    )
    return re.compile(text)


def _groups(found: re.Match[str], text: str) -> dict[str, str]:
    return {name: part or "" for name, part in found.groupdict().items()} | {"text": text}
