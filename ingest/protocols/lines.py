"""Conversations with a meter of text lines, as generators: what to send, what to wait for, what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from ingest.profiles.device_lines import Command, LinesProfile
from ingest.protocols.frames import Answer, Damage, Decoder, Script, Send, Wait
from ingest.protocols.line_decoder import LineDecoder
from ingest.protocols.meter import Identity, MeterRefused, NoAnswer, Silence, at_once, runs

TRIES = 3


class LinesMeter:
    """The conversations of ``kind = "lines"``. ``numbered``: records are asked for by their position."""

    numbered = "position"
    probes_beyond = True

    def __init__(self, profile: LinesProfile) -> None:
        self.profile = profile
        self.first_number = profile.lines.first_number
        self.frame_end = profile.lines.end.encode()
        self._silence = Silence()

    def decoder(self) -> Decoder:
        """A fresh decoder."""
        return LineDecoder(self.profile)

    def identify(self) -> Script[Identity]:
        """Model and serial number, as far as the meter tells them."""
        command = self.profile.commands.identify
        if command is None:
            return Identity(serial=self.profile.meter.serial)
        answer = yield from self._ask("identify", command)
        return Identity(serial=answer.values["serial"].strip(), model=answer.values.get("model", "").strip())

    def count(self, since: int | None = None) -> Script[int | None]:
        """How many records the meter says it holds."""
        command = self.profile.commands.count
        if command is None:
            return None
        answer = yield from self._ask("count", command)
        digits = answer.values["count"]
        return int(digits) if digits.isdigit() and len(digits) < 10 else None

    def fetch(self, positions: Sequence[int]) -> Script[None]:
        """Ask for these records; what arrives are events. Raises NoAnswer where nothing at all arrives."""
        commands = self.profile.commands
        if commands.records is not None:
            for first, last in runs(positions, at_once(self.profile.lines.at_once, self.profile.lines.numbers_wrap_at)):
                text = commands.records.send.replace("{first}", str(first)).replace("{last}", str(last))
                self._silence.note((yield from self._collect(text, last - first + 1)))
        elif commands.record is not None:
            for position in positions:
                self._silence.note(
                    (yield from self._collect(commands.record.send.replace("{number}", str(position)), 1))
                )

    def clock(self) -> Script[Answer | None]:
        """What the meter's clock says."""
        command = self.profile.commands.clock
        return None if command is None else (yield from self._ask("clock", command))

    def set_clock(self, local: datetime) -> Script[bool]:
        """Set the clock; False where the meter has no such command."""
        command = self.profile.commands.set_clock
        if command is None:
            return False
        yield from self._ask(
            "set_clock", command, command.send.replace("{clock}", local.strftime(self.profile.clock_format))
        )
        return True

    def erase(self) -> Script[bool]:
        """Delete all stored records; False where the meter has no such command."""
        command = self.profile.commands.erase
        if command is None:
            return False
        yield from self._ask("erase", command)
        return True

    def live(self) -> Script[None]:
        """Readings as they are made, for ever: the caller stops."""
        command = self.profile.commands.live
        if command is not None:
            yield self._line(command.send)
        while True:
            yield Wait(quiet_s=0.5, limit_s=0.5)

    def stop_live(self) -> Script[None]:
        """Tell the meter that nobody listens any more."""
        command = self.profile.commands.stop_live
        if command is not None:
            yield self._line(command.send)
            yield from self._quiet()

    def _line(self, text: str) -> Send:
        return Send(data=(text + self.profile.lines.send_end).encode(self.profile.lines.encoding))

    def _ask(self, kind: str, command: Command, text: str | None = None) -> Script[Answer]:
        for _ in range(TRIES):
            yield self._line(command.send if text is None else text)
            while (event := (yield Wait(quiet_s=self.profile.quiet_s))) is not None:
                if isinstance(event, Answer) and event.kind == kind:
                    return event
                if isinstance(event, Answer) and event.kind == "error":
                    raise MeterRefused(kind, event.values.get("text", ""))
                if not command.answer:
                    break
            if not command.answer:
                return Answer(frame=0, at_s=0.0, kind=kind)
        raise NoAnswer(kind)

    def _collect(self, text: str, expected: int) -> Script[bool]:
        """True where anything was answered."""
        yield self._line(text)
        arrived = 0
        while (event := (yield Wait(quiet_s=self.profile.quiet_s))) is not None:
            arrived += 1
            if isinstance(event, Answer) and event.kind in ("end", "error"):
                return True
            if expected == 1 and not self.profile.commands.records and not isinstance(event, Damage):
                return True
            if arrived > 2 * expected + 20:
                break
        yield from self._quiet()
        return arrived > 0

    def _quiet(self) -> Script[None]:
        for _ in range(1000):
            if (yield Wait(quiet_s=min(self.profile.quiet_s, 0.3))) is None:
                return
