"""``kind = "modbus"``: a meter whose readings stand in Modbus registers, RTU or ASCII framing."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import Field, model_validator

from ingest.meter_time import ISO
from ingest.profiles.device import DeviceProfile, Section
from ingest.profiles.device_lines import SerialSection

MOST_REGISTERS: Final = 125
TIME_FIELDS: Final = ("year", "month", "day", "hour", "minute", "second")
RegisterType = Literal["u16", "i16", "u32", "i32", "f32", "text", "epoch"]
REGISTERS_OF: Final[dict[str, int]] = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2, "epoch": 2}
Table = Literal["holding", "input"]


class RegisterField(Section):
    """One field of a record: ``at`` registers after its beginning. ``length`` in registers, for text only."""

    name: str
    at: int = Field(ge=0, lt=MOST_REGISTERS)
    type: RegisterType
    length: int = Field(default=0, ge=0, le=MOST_REGISTERS)

    @model_validator(mode="after")
    def text_has_length(self) -> RegisterField:
        """Text says how long it is, nothing else does."""
        if (self.type == "text") != bool(self.length):
            raise ValueError(f"field {self.name!r}: length (in registers) belongs to text, and only there")
        return self

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return self.length or REGISTERS_OF[self.type]


class Area(Section):
    """Registers that are read together: where, how many, and what stands in them."""

    table: Table = "input"
    address: int = Field(ge=0, le=0xFFFF)
    size: int = Field(ge=1, le=MOST_REGISTERS)
    fields: list[RegisterField] = Field(min_length=1)

    @model_validator(mode="after")
    def fields_fit(self) -> Area:
        """Every field ends inside the area, and none stands twice."""
        names = [field.name for field in self.fields]
        for field in self.fields:
            if field.at + field.registers > self.size:
                raise ValueError(f"field {field.name!r} ends after the {self.size} registers")
            if names.count(field.name) > 1:
                raise ValueError(f"field {field.name!r} stands twice")
        return self

    def needs(self, name: str) -> None:
        """Raise ValueError where the area lacks a field."""
        if name not in {field.name for field in self.fields}:
            raise ValueError(f"field {name!r} is missing")


class RecordArea(Area):
    """Stored records: all behind each other (``array``), or one at a time through a ``window`` that is selected
    by writing the position into the holding register ``select``.
    """

    access: Literal["array", "window"] = "array"
    select: int | None = Field(default=None, ge=0, le=0xFFFF)

    @model_validator(mode="after")
    def access_is_whole(self) -> RecordArea:
        """A window has its register, and every record its number, so that a late answer is seen."""
        self.needs("record")
        if (self.access == "window") != (self.select is not None):
            raise ValueError('select belongs to access = "window", and only there')
        return self


class WriteValue(Section):
    """Write ``value`` into one holding register."""

    address: int = Field(ge=0, le=0xFFFF)
    value: int = Field(ge=0, le=0xFFFF)


class ModbusSection(Section):
    """``[modbus]``: the register map."""

    framing: Literal["rtu", "ascii"] = "rtu"
    unit_id: int = Field(default=1, ge=1, le=247)
    low_word_first: bool = False
    identity: Area | None = None
    count: Area | None = None
    clock: Area | None = None
    set_clock: int | None = Field(default=None, ge=0, le=0xFFFF)
    records: RecordArea | None = None
    live: Area | None = None
    erase: WriteValue | None = None
    first_number: int = Field(default=1, ge=0)
    numbers_wrap_at: int | None = Field(default=None, ge=2)

    @model_validator(mode="after")
    def areas_have_their_fields(self) -> ModbusSection:
        """Each area holds what it is read for; no two begin at one place with one size."""
        for area, name in ((self.identity, "serial"), (self.count, "count")):
            if area:
                area.needs(name)
        if self.clock and not any(field.type == "epoch" for field in self.clock.fields):
            for name in TIME_FIELDS:
                self.clock.needs(name)
        named = [area for area in (self.identity, self.count, self.clock, self.live) if area]
        places = [(area.table, area.address, area.size) for area in named]
        if len(set(places)) < len(places):
            raise ValueError("two areas begin at one address with one size: their answers could not be told apart")
        return self


class ModbusProfile(DeviceProfile):
    """A meter of Modbus registers."""

    kind: Literal["modbus"]
    serial: SerialSection = SerialSection()
    modbus: ModbusSection
    quiet_s: float = Field(default=1.0, gt=0, le=60)

    @model_validator(mode="after")
    def tests_use_the_fields(self) -> ModbusProfile:
        """Every field that a test reads is in the records or among the live registers."""
        areas = [area for area in (self.modbus.records, self.modbus.live) if area]
        names = {field.name for area in areas for field in area.fields}
        for entry in self.tests:
            if entry.field not in names:
                raise ValueError(f"a test reads field {entry.field!r}; there are {', '.join(sorted(names)) or 'none'}")
        return self

    @property
    def time_format(self) -> str:
        """Decoded register times are handed on as ISO 8601."""
        return ISO
