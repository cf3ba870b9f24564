"""The meter register (``meters.toml``) to tables: one table per serial number, checked, all faults at once."""

from __future__ import annotations

import tomllib
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from ingest.book import find_zone
from schemas.errors import InputError
from schemas.quantities import QUANTITIES

Role = Literal["multifunction tester", "voltage indicator", "non-contact detector", "proving unit"]
EXAMPLE: Final = '["MF-2207"] role = "multifunction tester", calibration_due = 2031-09-30'


def _decimal(value: object) -> object:
    """A number or a quoted decimal as Decimal, so that 0.01 stays 0.01."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return value
    try:
        return Decimal(str(value).strip().rstrip("%").strip())
    except InvalidOperation as error:
        raise ValueError("not a number") from error


Amount = Annotated[Decimal, BeforeValidator(_decimal), Field(ge=0, allow_inf_nan=False)]


class Accuracy(BaseModel):
    """Accuracy of one quantity: ± (percent of reading + digits × resolution), in SI units, inside a range."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    percent_of_reading: Amount = Decimal(0)
    digits: Amount = Decimal(0)
    resolution: Amount | None = None
    range: tuple[Amount, Amount] | Amount | None = None

    @property
    def bounds(self) -> tuple[float | None, float | None]:
        """Lower and upper end of the range; a single number is the upper end."""
        if self.range is None:
            return None, None
        low, high = self.range if isinstance(self.range, tuple) else (Decimal(0), self.range)
        return float(low), float(high)


class RegisteredMeter(BaseModel):
    """One meter of the register."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    role: Role
    calibrated_on: date | None = None
    calibration_due: date | None = None
    calibration_certificate: str | None = None
    profile: str | None = None
    zone: str | None = None
    accuracy: dict[str, Accuracy] = {}

    @model_validator(mode="before")
    @classmethod
    def gather_accuracy(cls, table: Any) -> Any:
        """Quantities may stand directly in the meter's table or below ``accuracy``."""
        if not isinstance(table, dict):
            return table
        direct = {name: spec for name, spec in table.items() if name in QUANTITIES}
        rest = {name: value for name, value in table.items() if name not in QUANTITIES}
        inner = rest.get("accuracy", {})
        return rest | {"accuracy": {**inner, **direct} if isinstance(inner, dict) else inner}

    @model_validator(mode="after")
    def check_words(self) -> RegisteredMeter:
        """Quantities are known ones; the zone exists; the calibration dates are in order."""
        unknown = sorted(set(self.accuracy) - set(QUANTITIES))
        if unknown:
            raise ValueError(f"no quantity is called {unknown[0]!r}; one of {', '.join(QUANTITIES)}")
        if self.zone is not None:
            try:
                find_zone(self.zone)
            except InputError as error:
                raise ValueError(error.what) from error
        if self.calibrated_on and self.calibration_due and self.calibration_due < self.calibrated_on:
            raise ValueError("calibration_due is before calibrated_on")
        return self


def is_register(content: bytes) -> bool:
    """True where the bytes are TOML whose tables look like meters (each has a role) and not a meter profile."""
    try:
        tables = tomllib.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return False
    return any(isinstance(table, dict) and "role" in table for table in tables.values())


def parse_register(content: bytes, *, name: str) -> tuple[dict[str, RegisteredMeter], dict[str, str]]:
    """The meters by serial number, and the faults of those that could not be taken, by serial number.

    Raises InputError where the file is not TOML at all.
    """
    try:
        tables = tomllib.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(
            "the meter register is not TOML", where=name, seen=str(error), advice=f"a table a meter: {EXAMPLE}"
        ) from error
    meters: dict[str, RegisteredMeter] = {}
    faults: dict[str, str] = {}
    for serial, table in tables.items():
        try:
            meters[serial] = RegisteredMeter.model_validate(table)
        except ValidationError as error:
            faults[serial] = "; ".join(
                f"{'.'.join(str(part) for part in fault['loc']) or 'table'}: {fault['msg']}" for fault in error.errors()
            )
    return meters, faults


def meter_rows(meters: dict[str, RegisteredMeter], *, sha256: str) -> list[dict[str, Any]]:
    """Rows of schemas.meters.Meters."""
    return [
        {
            "meter_serial": serial,
            "role": meter.role,
            "calibrated_on": meter.calibrated_on,
            "calibration_due": meter.calibration_due,
            "calibration_certificate": meter.calibration_certificate,
            "profile": meter.profile,
            "zone": meter.zone,
            "evidence_sha256": sha256,
        }
        for serial, meter in meters.items()
    ]


def accuracy_rows(meters: dict[str, RegisteredMeter]) -> list[dict[str, Any]]:
    """Rows of schemas.meters.Accuracies."""
    return [
        {
            "meter_serial": serial,
            "quantity": quantity,
            "percent_of_reading": float(spec.percent_of_reading),
            "digits": float(spec.digits),
            "resolution": float(spec.resolution) if spec.resolution else None,
            "range_low": spec.bounds[0],
            "range_high": spec.bounds[1],
        }
        for serial, meter in meters.items()
        for quantity, spec in meter.accuracy.items()
    ]
