"""``kind = "gatt"``: a Bluetooth LE meter whose readings are characteristics, with stored records by record access."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from ingest.meter_time import ISO
from ingest.profiles.device import DeviceProfile, Section, Uuid, UuidOrNone

FieldType = Literal[
    "u8", "u16", "u24", "u32", "i8", "i16", "i24", "i32", "sfloat", "float", "f32", "text", "date_time", "epoch",
    "presented", "skip",
]  # fmt: skip


class GattField(Section):
    """One field, in the order of the bytes, least significant byte first.

    ``length`` in bytes belongs to text (0: all that is left) and to skip. ``if_flag``: the field is there only where
    this bit of the field called ``flags`` is set. ``presented``: as the presentation format descriptor (2904) of the
    characteristic says.
    """

    name: str
    type: FieldType
    length: int = Field(default=0, ge=0, le=512)
    if_flag: int | None = Field(default=None, ge=0, le=31)


def _fields_are_whole(fields: list[GattField]) -> list[GattField]:
    names: list[str] = []
    for field in fields:
        if field.name in names:
            raise ValueError(f"field {field.name!r} stands twice")
        if field.if_flag is not None and "flags" not in names:
            raise ValueError(f"field {field.name!r} depends on a flag, but no field called flags comes before it")
        if field.type == "skip" and not field.length:
            raise ValueError(f"field {field.name!r}: say how many bytes to skip")
        if field.length and field.type not in ("text", "skip"):
            raise ValueError(f"field {field.name!r}: length belongs to text and skip")
        names.append(field.name)
    return fields


Fields = Annotated[list[GattField], Field(min_length=1), AfterValidator(_fields_are_whole)]


class GattRecords(Section):
    """``[gatt.records]``: notifications of stored records, asked for by the record access control point.

    ``filter`` is the filter type that means the record number; ``number`` its size in bytes.
    """

    characteristic: Uuid
    control_point: Uuid = "2a52"
    filter: int = Field(default=1, ge=0, le=255)
    number: Literal[1, 2, 4] = 2
    fields: Fields

    @model_validator(mode="after")
    def has_number(self) -> GattRecords:
        """A record has its number, so that lost notifications are seen."""
        if "record" not in {field.name for field in self.fields}:
            raise ValueError("field 'record' is missing")
        return self


class GattLive(Section):
    """``[gatt.live]``: a characteristic that gives the present reading, by notification or when it is read."""

    characteristic: Uuid
    by: Literal["notify", "read"] = "notify"
    fields: Fields


class GattSection(Section):
    """``[gatt]``: the characteristics. Empty text: the meter has none of that kind."""

    serial: UuidOrNone = "2a25"
    model: UuidOrNone = "2a24"
    battery: UuidOrNone = "2a19"
    clock: UuidOrNone = "2a2b"
    clock_writable: bool = False
    pair: bool = False
    records: GattRecords | None = None
    live: GattLive | None = None


class GattProfile(DeviceProfile):
    """A Bluetooth LE meter."""

    kind: Literal["gatt"]
    gatt: GattSection
    quiet_s: float = Field(default=5.0, gt=0, le=60)

    @model_validator(mode="after")
    def tests_use_the_fields(self) -> GattProfile:
        """Every field that a test reads is in the records or in the live characteristic."""
        parts = [part for part in (self.gatt.records, self.gatt.live) if part]
        names = {field.name for part in parts for field in part.fields}
        for entry in self.tests:
            if entry.field not in names:
                raise ValueError(f"a test reads field {entry.field!r}; there are {', '.join(sorted(names)) or 'none'}")
        return self

    @property
    def time_format(self) -> str:
        """Decoded times are handed on as ISO 8601."""
        return ISO
