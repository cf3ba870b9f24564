"""``kind = "lines"``: a meter that speaks lines of text, on a serial line, a socket or a Bluetooth byte stream."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, field_validator, model_validator

from ingest.profiles.device import DeviceProfile, Section, Uuid


class SerialSection(Section):
    """``[serial]``: settings of the line."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts", "xon-xoff"] = "none"


class StreamSection(Section):
    """``[bluetooth]``: a byte stream over two characteristics, where the meter offers its lines that way."""

    receive: Uuid
    send: Uuid


class Command(Section):
    """One command: what is sent, and the pattern of the answer line (named groups are its values)."""

    send: str = Field(max_length=200)
    answer: str = ""
    end: str = ""

    @field_validator("answer", "end")
    @classmethod
    def pattern_compiles(cls, value: str) -> str:
        """A regular expression for the whole line."""
        try:
            re.compile(value)
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from error
        return value


class Commands(Section):
    """``[commands]``: all optional; a meter without any is only listened to."""

    identify: Command | None = None
    count: Command | None = None
    record: Command | None = None
    records: Command | None = None
    clock: Command | None = None
    set_clock: Command | None = None
    erase: Command | None = None
    live: Command | None = None
    stop_live: Command | None = None
    error: str = ""

    @model_validator(mode="after")
    def placeholders_are_there(self) -> Commands:
        """Each command names what it needs and its answer gives what is wanted."""
        wanted = {
            "record": ("{number}",), "records": ("{first}", "{last}"), "set_clock": ("{clock}",),
        }  # fmt: skip
        groups = {"identify": "serial", "count": "count", "clock": "clock"}
        for name, places in wanted.items():
            command = getattr(self, name)
            missing = [place for place in places if command and place not in command.send]
            if missing:
                raise ValueError(f"{name}.send lacks {missing[0]}")
        for name, group in groups.items():
            command = getattr(self, name)
            if command and f"(?P<{group}>" not in command.answer:
                raise ValueError(f"{name}.answer lacks the group (?P<{group}>...)")
        if self.records and not self.records.end:
            raise ValueError("records.end is missing: the pattern of the line that ends the list")
        return self


class LineLayout(Section):
    """``[lines]``: how lines end, what a record line looks like, and its checksum.

    ``pattern`` (named groups) or ``separator`` with ``fields``. With ``checksum`` every line of the meter ends in
    ``checksum_mark`` and hexadecimal digits over all bytes before the mark.
    """

    end: str = Field(default="\r\n", min_length=1, max_length=4)
    send_end: str = Field(default="\r\n", max_length=4)
    encoding: Literal["ascii", "latin-1", "utf-8", "cp1252"] = "ascii"
    prompt: str = Field(default="", max_length=16)
    longest: int = Field(default=512, ge=8, le=4096)
    separator: str = Field(default="", max_length=4)
    fields: list[str] = Field(default_factory=list)
    pattern: str = ""
    first_field: str = ""
    checksum: Literal["none", "xor8", "sum8", "crc16"] = "none"
    checksum_mark: str = Field(default="*", min_length=1, max_length=4)
    first_number: int = Field(default=1, ge=0)
    numbers_wrap_at: int | None = Field(default=None, ge=2)
    at_once: int = Field(default=500, ge=1, le=10_000)

    @model_validator(mode="after")
    def one_layout(self) -> LineLayout:
        """Either a pattern or a separator with fields."""
        if bool(self.pattern) == bool(self.separator):
            raise ValueError('say either pattern or separator, such as separator = ";"')
        if self.separator and not self.fields:
            raise ValueError('fields is missing, such as fields = ["record", "date", "time", "test", "value"]')
        try:
            names = list(re.compile(self.pattern).groupindex) if self.pattern else self.fields
        except re.error as error:
            raise ValueError(f"pattern is not a regular expression: {error}") from error
        repeated = {name for name in names if names.count(name) > 1}
        if repeated:
            raise ValueError(f"field {sorted(repeated)[0]!r} stands twice")
        return self

    @property
    def names(self) -> list[str]:
        """The field names of a record line."""
        return list(re.compile(self.pattern).groupindex) if self.pattern else self.fields


class LinesProfile(DeviceProfile):
    """A meter of lines of text."""

    kind: Literal["lines"]
    serial: SerialSection = SerialSection()
    bluetooth: StreamSection | None = None
    lines: LineLayout
    commands: Commands = Commands()
    quiet_s: float = Field(default=2.0, gt=0, le=60)

    @model_validator(mode="after")
    def tests_use_the_fields(self) -> LinesProfile:
        """Every field that a test reads is in the layout; stored records have their number."""
        names = self.lines.names
        for entry in self.tests:
            if entry.field not in names:
                raise ValueError(f"a test reads field {entry.field!r}; the record line has {', '.join(names)}")
        if self.commands.records and "record" not in names:
            raise ValueError("a list of records needs the field 'record', so that a lost line is seen")
        return self

    @property
    def reads_twice(self) -> bool:
        """Only a CRC lets a line be read once.

        Of 200 values read through noise without a checksum 8 wrong ones looked right when tried; sums and exclusive
        ors of eight bits let two flipped bits of one place through.
        """
        return self.lines.checksum != "crc16"
