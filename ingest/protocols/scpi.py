"""Conversations with a SCPI meter, as generators."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from ingest.profiles.device_scpi import ScpiProfile
from ingest.protocols.frames import Answer, Damage, Decoder, Record, Script, Send, Wait
from ingest.protocols.meter import Identity, MeterRefused, NoAnswer, Silence, at_once, runs
from ingest.protocols.scpi_decoder import ScpiDecoder

TRIES = 3
ERRORS_READ = 20


class ScpiMeter:
    """The conversations of ``kind = "scpi"``."""

    numbered = "position"
    probes_beyond = False

    def __init__(self, profile: ScpiProfile) -> None:
        self.profile = profile
        self.first_number = profile.scpi.first_number
        self.frame_end = b""
        self._silence = Silence()

    def decoder(self) -> Decoder:
        """A fresh decoder."""
        return ScpiDecoder(self.profile)

    def identify(self) -> Script[Identity]:
        """Model and serial number (``*IDN?``); a meter that says 0 for its serial number has none."""
        answer = yield from self._ask("identify", self.profile.scpi.identify)
        serial = answer.values["serial"] or self.profile.meter.serial
        return Identity(serial=serial, model=answer.values["model"])

    def count(self, since: int | None = None) -> Script[int | None]:
        """How many records the meter says it holds."""
        if not self.profile.scpi.count:
            return None
        answer = yield from self._ask("count", self.profile.scpi.count)
        return int(answer.values["count"][:9])

    def fetch(self, positions: Sequence[int]) -> Script[None]:
        """Ask for these records. Raises NoAnswer where nothing at all arrives."""
        scpi = self.profile.scpi
        if scpi.records:
            for first, last in runs(positions, at_once(scpi.at_once, scpi.numbers_wrap_at)):
                query = scpi.records.replace("{first}", str(first)).replace("{last}", str(last))
                self._silence.note((yield from self._collect(query)))
        elif scpi.record:
            for position in positions:
                self._silence.note((yield from self._collect(scpi.record.replace("{number}", str(position)))))

    def clock(self) -> Script[Answer | None]:
        """What the meter's clock says."""
        return (yield from self._ask("clock", self.profile.scpi.clock)) if self.profile.scpi.clock else None

    def set_clock(self, local: datetime) -> Script[bool]:
        """Set the clock; False where the meter has no such command."""
        if not self.profile.scpi.set_clock:
            return False
        yield from self._command("set_clock", local.strftime(self.profile.scpi.set_clock))
        return True

    def erase(self) -> Script[bool]:
        """Delete all stored records; False where the meter has no such command."""
        if not self.profile.scpi.erase:
            return False
        yield from self._command("erase", self.profile.scpi.erase)
        return True

    def live(self) -> Script[None]:
        """Ask for a reading again and again, for ever: the caller stops."""
        while self.profile.scpi.live:
            yield self._line(self.profile.scpi.live)
            yield Wait(quiet_s=self.profile.quiet_s)
            yield Wait(quiet_s=0.5, limit_s=0.5)

    def stop_live(self) -> Script[None]:
        """A meter that is asked for each reading need not be stopped."""
        yield from self._quiet()

    def _line(self, text: str) -> Send:
        return Send(data=(text + self.profile.scpi.send_end).encode("ascii", "replace"))

    def _ask(self, kind: str, query: str) -> Script[Answer]:
        for _ in range(TRIES):
            yield self._line(query)
            event = yield Wait(quiet_s=self.profile.quiet_s)
            if isinstance(event, Answer) and event.kind == kind:
                return event
            # A late answer to an earlier question must not be taken for the answer to the next one.
            yield from self._quiet()
        raise NoAnswer(kind)

    def _collect(self, query: str) -> Script[bool]:
        """True where anything was answered, be it that the error queue says why not."""
        yield self._line(query)
        arrived = False
        while (event := (yield Wait(quiet_s=self.profile.quiet_s))) is not None:
            arrived = True
            if isinstance(event, Answer) and event.kind == "end":
                return True
            if isinstance(event, Record) and not self.profile.scpi.records:
                return True
            if isinstance(event, Damage):
                break
        yield from self._quiet()
        return arrived or bool((yield from self._errors()))

    def _command(self, kind: str, text: str) -> Script[None]:
        yield self._line(text)
        if self.profile.scpi.done:
            yield from self._ask("done", self.profile.scpi.done)
        errors = yield from self._errors()
        if errors:
            raise MeterRefused(kind, errors[0])

    def _errors(self) -> Script[list[str]]:
        """What stands in the meter's error queue, read until it is empty."""
        found: list[str] = []
        while self.profile.scpi.error and len(found) < ERRORS_READ:
            answer = yield from self._ask("error", self.profile.scpi.error)
            if answer.values["code"].strip("0-") == "":
                break
            found.append(f"{answer.values['code']} {answer.values['text']}")
        return found

    def _quiet(self) -> Script[None]:
        for _ in range(100):
            if (yield Wait(quiet_s=min(self.profile.quiet_s, 0.3))) is None:
                return
