"""What every profile of a meter on a wire or in the air tells: identity, clock, and what its tests mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from schemas.meters import ROLES
from schemas.quantities import QUANTITIES

UNIT_FACTORS: Final[Mapping[str, tuple[str, Decimal]]] = {
    "V": ("V", Decimal(1)), "mV": ("V", Decimal("0.001")), "kV": ("V", Decimal(1000)),
    "A": ("A", Decimal(1)), "mA": ("A", Decimal("0.001")), "uA": ("A", Decimal("0.000001")),
    "Ohm": ("Ohm", Decimal(1)), "mOhm": ("Ohm", Decimal("0.001")), "kOhm": ("Ohm", Decimal(1000)),
    "MOhm": ("Ohm", Decimal(1000000)), "GOhm": ("Ohm", Decimal(1000000000)),
    "s": ("s", Decimal(1)), "ms": ("s", Decimal("0.001")), "us": ("s", Decimal("0.000001")),
}  # fmt: skip
"""UCUM codes with SI prefix, to the unit without prefix and the exact factor (UCUM specification, ucum.org)."""

TIME_DIRECTIVES: Final = frozenset("YymdHMSf%")
LARGEST_MEMORY: Final = 65536


def _quoted_decimal(value: Any) -> Any:
    if isinstance(value, (float, bool)):
        raise ValueError(f'write the number in quotes, so that it stays exact: "{value}"')
    try:
        number = Decimal(value)
    except (InvalidOperation, TypeError, ValueError) as error:
        raise ValueError('a decimal number in quotes is wanted, such as "0.01"') from error
    if not number.is_finite():
        raise ValueError("a finite number is wanted")
    return number


ExactDecimal = Annotated[Decimal, BeforeValidator(_quoted_decimal)]


def _uuid(text: str) -> str:
    lowered = text.lower()
    if re.fullmatch(r"0x[0-9a-f]{4}", lowered):
        lowered = lowered[2:]
    if not re.fullmatch(r"[0-9a-f]{4}|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", lowered):
        raise ValueError('a characteristic is written "2a52" or as a UUID of 36 characters')
    return lowered


Uuid = Annotated[str, AfterValidator(_uuid)]
UuidOrNone = Annotated[str, AfterValidator(lambda text: _uuid(text) if text else "")]


class Section(BaseModel):
    """A table of a profile: unknown keys are faults, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class MeterSection(Section):
    """``[meter]``: what it is. ``serial`` only where the meter cannot say its own."""

    role: str | None = None
    serial: str | None = Field(default=None, max_length=64)
    decimal_mark: Literal[".", ","] = "."
    max_records: int = Field(default=LARGEST_MEMORY, ge=1, le=1_000_000)

    @field_validator("role")
    @classmethod
    def role_is_known(cls, value: str | None) -> str | None:
        """One of the roles of the meter register."""
        if value is not None and value not in ROLES:
            raise ValueError(f"not a role; one of: {', '.join(ROLES)}")
        return value


class TimeSection(Section):
    """``[time]``: how a record writes the time, and the clock, if in another way. Empty: the meter has no clock."""

    format: str = ""
    clock_format: str = ""
    zone: str | None = None
    resolution_s: ExactDecimal = Decimal(1)

    @field_validator("format", "clock_format")
    @classmethod
    def format_is_numeric(cls, value: str) -> str:
        """Only directives that do not depend on a language."""
        wrong = sorted(set(re.findall(r"%(.?)", value)) - TIME_DIRECTIVES)
        if wrong:
            raise ValueError(f"%{wrong[0]} cannot be used; allowed are %Y %y %m %d %H %M %S %f")
        return value

    @field_validator("zone")
    @classmethod
    def zone_exists(cls, value: str | None) -> str | None:
        """An IANA name."""
        try:
            return None if value is None else ZoneInfo(value).key
        except (KeyError, ValueError, OSError) as error:
            raise ValueError("no such time zone; an IANA name such as Europe/London or UTC") from error


class TestEntry(Section):
    """``[[tests]]``: what one kind of record means. No ``code``: every record that no other entry names."""

    __test__ = False

    code: str | None = Field(default=None, max_length=64)
    field: str = "value"
    quantity: str
    conductors: str | None = None
    unit: str | None = None
    scale: ExactDecimal = Decimal(1)
    over_range: dict[str, str] = {}
    not_measured: list[str] = []
    indications: dict[str, str] = {}
    test_voltage_v: ExactDecimal | None = None
    rcd_multiple: ExactDecimal | None = None

    @field_validator("scale")
    @classmethod
    def scale_is_positive(cls, value: Decimal) -> Decimal:
        """A scale of zero or below would make up values."""
        if value <= 0:
            raise ValueError("a scale above zero is wanted")
        return value

    @field_validator("over_range")
    @classmethod
    def bounds_are_bounds(cls, value: dict[str, str]) -> dict[str, str]:
        """Each word has no bound (empty) or one such as ``>99.9``, in the entry's unit."""
        for word, bound in value.items():
            if bound and not re.fullmatch(r"[<>]\d+(\.\d+)?", bound):
                raise ValueError(f'the bound of {word!r} is {bound!r}; write ">99.9", "<0.01" or "" for none')
        return value

    @model_validator(mode="after")
    def belongs_together(self) -> TestEntry:
        """Quantity, conductors, unit and words fit each other (schemas.quantities)."""
        known = QUANTITIES.get(self.quantity)
        if known is None:
            raise ValueError(f"no quantity {self.quantity!r}; one of: {', '.join(QUANTITIES)}")
        if self.conductors is not None and self.conductors not in known.conductors:
            raise ValueError(f"conductors of {self.quantity}: {', '.join(known.conductors) or 'none'}")
        if known.is_indication:
            wrong = set(self.indications.values()) - set(known.indications)
            if not self.indications or wrong:
                raise ValueError(f"say in indications which word means {', '.join(known.indications)}")
        elif self.indications:
            raise ValueError(f"{self.quantity} is a number: it has no indications")
        if self.unit is not None and UNIT_FACTORS.get(self.unit, ("", 0))[0] != known.unit:
            fitting = [name for name, (unit, _) in UNIT_FACTORS.items() if unit == known.unit]
            raise ValueError(f"unit of {self.quantity}: {', '.join(fitting) or 'none'}")
        return self


class DeviceProfile(Section):
    """The part that all four kinds share. ``toml`` is the text it was read from, kept with each transcript."""

    format: Literal[1] = 1
    kind: str
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")
    title: str = Field(default="", max_length=120)
    meter: MeterSection = MeterSection()
    time: TimeSection = TimeSection()
    units: dict[str, str] = {}
    pairs: dict[str, str] = {}
    tests: list[TestEntry] = Field(min_length=1)
    toml: str = Field(default="", repr=False)

    @field_validator("units")
    @classmethod
    def units_are_known(cls, value: dict[str, str]) -> dict[str, str]:
        """Every word of the meter stands for a unit code."""
        wrong = sorted(set(value.values()) - set(UNIT_FACTORS))
        if wrong:
            raise ValueError(f"{wrong[0]!r} is no unit code; one of: {', '.join(UNIT_FACTORS)}")
        return value

    @model_validator(mode="after")
    def codes_are_unique(self) -> DeviceProfile:
        """Two entries with one code would make the meaning a matter of chance."""
        seen: set[tuple[str | None, str]] = set()
        for entry in self.tests:
            if (entry.code, entry.field) in seen:
                raise ValueError(f"two tests have code {entry.code!r} and field {entry.field!r}")
            seen.add((entry.code, entry.field))
        return self

    @property
    def reads_twice(self) -> bool:
        """True where nothing on the way protects the bytes, so that each record is read twice and compared."""
        return False

    @property
    def clock_format(self) -> str:
        """How the meter's clock writes the time."""
        return self.time.clock_format or self.time.format

    @property
    def time_format(self) -> str:
        """How the time of a record is written, as the decoder hands it on."""
        return self.time.format
