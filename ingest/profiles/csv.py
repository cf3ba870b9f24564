"""Profiles of export layouts: which headings a file has, and what each column and each test name means."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, field_validator, model_validator

from ingest.cells.text import fold, fold_heading
from ingest.cells.units import Unit, parse_unit
from ingest.cells.value import Word
from ingest.cells.words import simplify
from ingest.exports.context import Context
from ingest.exports.grid import parse_line
from ingest.exports.layout import Plan, TestColumn
from ingest.exports.measurements import Meaning
from ingest.profiles.faults import ProfileFault
from schemas.quantities import QUANTITIES

ROLES: Final = (
    "moment", "date", "time", "epoch", "memory_no", "meter_serial", "label", "test", "value", "unit", "pair", "comparator",
    "test_voltage", "multiple", "zone", "verdict", "ignore", "reading",
)  # fmt: skip
CLAIM_LINES: Final = 100
EXAMPLES: Final = {
    "name": 'name = "harbour-long"',
    "recognise": 'recognise.headings = ["Slot", "When", "Test", "Reading"]',
    "zone": 'zone = "Europe/London"',
    "date_order": 'date_order = "dmy"',
    "decimal": 'decimal = ","',
    "quantity": 'quantity = "earth_fault_loop_impedance"',
    "unit": 'unit = "MOhm"',
    "conductors": 'conductors = "L-N"',
    "holds": 'holds = "memory_no"',
    "heading": 'heading = "Slot"',
    "means": 'means = "over range"',
    "scale": 'scale = "0.1"',
}


class Section(BaseModel):
    """A table of a profile: unknown keys are faults, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Measured(Section):
    """What a column or a test name measures."""

    quantity: str
    conductors: str | None = None
    unit: str | None = None
    test_voltage_v: float | None = Field(default=None, gt=0)
    rcd_multiple: float | None = Field(default=None, gt=0)
    scale: str | None = Field(default=None, pattern=r"^(0\.0{0,5}1|10{0,6})$")

    @model_validator(mode="after")
    def fits(self) -> Measured:
        """Quantity, pair and unit are known and belong together."""
        known = QUANTITIES.get(self.quantity)
        if known is None:
            raise ValueError(f"quantity {self.quantity!r} is not known{near(self.quantity, QUANTITIES)}")
        if self.conductors is not None and self.conductors not in known.conductors:
            allowed = ", ".join(known.conductors) or "none"
            raise ValueError(f"conductors {self.conductors!r} do not belong to {self.quantity}: it has {allowed}")
        if self.conductors is None and self.quantity == "voltage":
            raise ValueError("conductors are missing: a voltage stands between two, such as L-N")
        unit = parse_unit(self.unit) if self.unit else None
        if self.unit and (unit is None or unit.unsure or unit.base != known.unit):
            raise ValueError(
                f"unit {self.unit!r} is not one of {self.quantity}, which is measured in {known.unit or 'words'}"
            )
        return self

    def meaning(self) -> Meaning:
        """The same in the words of the reader."""
        pairs = QUANTITIES[self.quantity].conductors
        unit: Unit | None = parse_unit(self.unit) if self.unit else None
        if unit and self.scale:
            unit = replace(unit, exponent=unit.exponent + Decimal(self.scale).adjusted())
        return Meaning(
            quantity=self.quantity, conductors=self.conductors or (pairs[0] if len(pairs) == 1 else None), unit=unit,
            test_voltage_v=self.test_voltage_v, rcd_multiple=self.rcd_multiple,
        )  # fmt: skip


class CellWord(Section):
    """``[[word]]``: a word that stands in value cells, and what it means."""

    text: str = Field(min_length=1)
    means: str
    quantity: str | None = None
    above: str | None = None
    unit: str | None = None

    @model_validator(mode="after")
    def fits(self) -> CellWord:
        """The meaning is known and can be one of the quantity; a bound has a unit."""
        indications = {word for known in QUANTITIES.values() for word in known.indications}
        known = {"over range", "not measured", "no trip", *indications}
        if self.means not in known:
            raise ValueError(
                f"means {self.means!r} is not known{near(self.means, known)}; known are: {', '.join(sorted(known))}"
            )
        if self.quantity is not None and self.quantity not in QUANTITIES:
            raise ValueError(f"quantity {self.quantity!r} is not known{near(self.quantity, QUANTITIES)}")
        if self.above is None:
            if self.means in indications and self.quantity is None:
                raise ValueError(f"say for which quantity this word means {self.means!r}")
            return self
        if self.means != "over range" or self.quantity is None or self.unit is None:
            raise ValueError("above is for words that mean over range, with quantity and unit")
        Measured(quantity=self.quantity, unit=self.unit, conductors=QUANTITIES[self.quantity].conductors[0])
        try:
            finite = Decimal(self.above).is_finite()
        except InvalidOperation:
            finite = False
        if not finite:
            raise ValueError(f"above {self.above!r} is not a decimal number in quotes")
        return self

    def word(self) -> Word:
        """The same in the words of the reader."""
        unit = parse_unit(self.unit) if self.unit else None
        above = float(Decimal(self.above).scaleb(unit.exponent)) if self.above and unit else None
        return Word(self.means, self.quantity, above)


class Column(Section):
    """``[[column]]``: a heading and what stands under it."""

    heading: str = Field(min_length=1)
    holds: str
    quantity: str | None = None
    conductors: str | None = None
    unit: str | None = None
    test_voltage_v: float | None = Field(default=None, gt=0)
    rcd_multiple: float | None = Field(default=None, gt=0)
    scale: str | None = None

    @field_validator("holds")
    @classmethod
    def holds_is_known(cls, value: str) -> str:
        """One of the roles."""
        if value not in ROLES:
            raise ValueError(f"{value!r} is not known{near(value, ROLES)}; known are: {', '.join(ROLES)}")
        return value

    @model_validator(mode="after")
    def reading_is_whole(self) -> Column:
        """A column of readings says what it measures."""
        if self.holds == "reading":
            if self.quantity is None:
                raise ValueError("a column that holds a reading needs a quantity")
            self.measured()
        return self

    def measured(self) -> Measured:
        """What a column of readings measures."""
        return Measured(quantity=self.quantity or "", conductors=self.conductors, unit=self.unit, scale=self.scale,
                        test_voltage_v=self.test_voltage_v, rcd_multiple=self.rcd_multiple)  # fmt: skip


class Recognise(Section):
    """``[recognise]``: what a file must hold for this profile to claim it."""

    headings: list[str] = Field(min_length=2)
    contains: list[str] = Field(default_factory=list)


class CsvProfile(Section):
    """A profile of ``kind = "csv"``."""

    kind: Literal["csv"]
    name: str
    description: str = ""
    zone: str | None = None
    date_order: Literal["dmy", "mdy", "ymd"] | None = None
    decimal: Literal[".", ","] | None = None
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    recognise: Recognise
    column: list[Column] = Field(min_length=1)
    test: dict[str, Measured] = Field(default_factory=dict)
    word: list[CellWord] = Field(default_factory=list)
    _text: str = PrivateAttr(default="")
    _path: Path | None = PrivateAttr(default=None)

    @field_validator("name")
    @classmethod
    def name_is_plain(cls, value: str) -> str:
        """Small letters, digits, hyphens."""
        if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", value):
            raise ValueError(f"{value!r}: a name has small letters, digits and hyphens only")
        return value

    @field_validator("zone")
    @classmethod
    def zone_is_known(cls, value: str | None) -> str | None:
        """An IANA name."""
        try:
            return value and ZoneInfo(value).key
        except (KeyError, ValueError, OSError) as error:
            raise ValueError(f"no such time zone: {value!r}") from error

    @model_validator(mode="after")
    def columns_fit(self) -> CsvProfile:
        """Each role once; a value column and a test column, or columns of readings; headings that are recognised."""
        held = [column.holds for column in self.column if column.holds not in ("ignore", "reading")]
        doubled = sorted({role for role in held if held.count(role) > 1})
        if doubled:
            raise ValueError(f"two columns hold {', '.join(doubled)}")
        readings = [column for column in self.column if column.holds == "reading"]
        if ("value" in held) == bool(readings):
            raise ValueError("either one column holds value (one reading a row), or columns hold reading (one a cell)")
        if "value" in held and "test" not in held:
            raise ValueError("a column that holds value needs one that holds test")
        names = {normal(column.heading) for column in self.column}
        missing = [heading for heading in self.recognise.headings if normal(heading) not in names]
        if missing:
            raise ValueError(
                f"recognise.headings has {missing[0]!r}, which no column describes{near(missing[0], names)}"
            )
        return self

    @property
    def sha256(self) -> str:
        """The hash of the text it was read from."""
        return hashlib.sha256(self._text.encode()).hexdigest()

    @property
    def text(self) -> str:
        """The text it was read from."""
        return self._text

    @property
    def path(self) -> Path | None:
        """The file it was read from, if any."""
        return self._path

    def read_from(self, path: Path) -> CsvProfile:
        """The same profile, with the file it was read from."""
        copy = self.model_copy()
        copy._path = path
        return copy

    def claims(self, lines: Sequence[str]) -> bool:
        """True where a line among the first hundred holds all the headings, and the file the other texts."""
        first = lines[:CLAIM_LINES]
        text = "\n".join(first)
        if not all(wanted in text for wanted in self.recognise.contains):
            return False
        wanted = {normal(heading) for heading in self.recognise.headings}
        marks = [self.delimiter] if self.delimiter else [",", ";", "\t", "|"]
        return any(
            wanted <= {normal(cell) for cell in parse_line(line, mark)}
            for line in first
            for mark in marks
            if mark in line
        )

    def find_plan(
        self, rows: Sequence[Sequence[str]], position: int, context: Context,
        body: Callable[[int], Sequence[Sequence[str]]],
    ) -> tuple[Plan, int] | None:  # fmt: skip
        """The plan of a table whose headings stand in ``rows[position]``; None where they are not those."""
        headings = [fold(cell) for cell in rows[position]]
        places = {normal(heading): at for at, heading in reversed(list(enumerate(headings))) if heading}
        if not {normal(heading) for heading in self.recognise.headings} <= places.keys():
            return None
        roles, tests = {}, []
        for column in self.column:
            at = places.get(normal(column.heading))
            if at is None or column.holds == "ignore":
                continue
            if column.holds == "reading":
                tests.append(TestColumn(at, headings[at], column.measured().meaning()))
            else:
                roles[column.holds] = at
        value = roles.get("value")
        unit = next(
            (parse_unit(column.unit) for column in self.column if column.holds == "value" and column.unit), None
        )
        names = {fold(name): measured.meaning() for name, measured in self.test.items()}
        plan = Plan(headings=tuple(headings), roles=tuple(sorted(roles.items())), tests=tuple(tests), value=value,
                    value_unit=unit, told=self.date_order, names=names, words=self._words())  # fmt: skip
        return plan, 1

    def _words(self) -> dict[str, list[Word]]:
        """Words in value cells as they are looked up, each with its meanings."""
        found: dict[str, list[Word]] = {}
        for one in self.word:
            found.setdefault(simplify(fold(one.text)), []).append(one.word())
        return found


def normal(heading: str) -> str:
    """A heading as it is compared: folded, lower case."""
    return fold_heading(heading).lower()


def near(seen: str, known: Any) -> str:
    """``; did you mean 'x'?`` where something known is spelled alike."""
    found = difflib.get_close_matches(seen, [str(one) for one in known], n=1, cutoff=0.5)
    return f"; did you mean {found[0]!r}?" if found else ""


def parse_csv_profile(content: Mapping[str, Any], text: str) -> CsvProfile | list[ProfileFault]:
    """The profile, or all its faults with key path, near match and example."""
    try:
        profile = CsvProfile.model_validate(content)
    except ValidationError as error:
        return [_fault(one) for one in error.errors()]
    profile._text = text
    return profile


def _fault(error: Any) -> ProfileFault:
    path = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in error["loc"]).lstrip(".")
    last = next((str(part) for part in reversed(error["loc"]) if not isinstance(part, int)), "")
    message = str(error["msg"]).removeprefix("Value error, ")
    if error["type"] == "extra_forbidden":
        message = f"the key is not known{near(last, _keys(error['loc']))}"
    elif error["type"] == "missing":
        message = "the key is missing"
    return ProfileFault(key=path, message=message, example=EXAMPLES.get(last, ""))


def _keys(path: Sequence[object]) -> list[str]:
    """The keys known where ``path`` points."""
    models: dict[str, type[BaseModel]] = {"column": Column, "recognise": Recognise, "test": Measured, "word": CellWord}
    model = models.get(str(path[0]), CsvProfile) if len(path) > 1 else CsvProfile
    return list(model.model_fields)
