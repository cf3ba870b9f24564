"""Profiles of export layouts: which headings a file has, and what each column, test name and word means."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError

from ingest.cells.text import fold
from ingest.cells.units import Unit, parse_unit
from ingest.cells.value import Word
from ingest.cells.words import simplify
from ingest.exports.context import Context
from ingest.exports.grid import Grid
from ingest.exports.measurements import Meaning
from ingest.exports.plan import Plan
from ingest.profiles.csv_faults import find_faults
from ingest.profiles.csv_plan import claims_lines, find_profile_plan
from ingest.profiles.faults import ProfileFault
from ingest.profiles.preamble import tell_plainly
from schemas.quantities import QUANTITIES


class Section(BaseModel):
    """A table of a profile: unknown keys are faults, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Measured(Section):
    """What a column or a test name measures. ``scale`` is a power of ten: 2376 with "0.1" and V is 237.6 V."""

    quantity: str
    conductors: str | None = None
    unit: str | None = None
    test_voltage_v: float | None = Field(default=None, gt=0)
    rcd_multiple: float | None = Field(default=None, gt=0)
    scale: str | None = None

    def meaning(self) -> Meaning:
        """The same in the words of the reader."""
        pairs = QUANTITIES[self.quantity].conductors
        return Meaning(
            quantity=self.quantity, conductors=self.conductors or (pairs[0] if len(pairs) == 1 else None),
            unit=scaled_unit(self.unit, self.scale), test_voltage_v=self.test_voltage_v, rcd_multiple=self.rcd_multiple,
        )  # fmt: skip


class CellWord(Section):
    """``[[word]]``: a word that stands in value cells, and what it means."""

    text: str = Field(min_length=1)
    means: str
    quantity: str | None = None
    above: str | None = None
    unit: str | None = None

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

    def measured(self) -> Measured:
        """What a column of readings measures."""
        return Measured(quantity=self.quantity or "", conductors=self.conductors, unit=self.unit, scale=self.scale,
                        test_voltage_v=self.test_voltage_v, rcd_multiple=self.rcd_multiple)  # fmt: skip

    @property
    def told_unit(self) -> Unit | None:
        """Its unit with its scale."""
        return scaled_unit(self.unit, self.scale)


class Recognise(Section):
    """``[recognise]``: what a file must hold for this profile to claim it."""

    headings: list[str] = Field(default_factory=list)
    contains: list[str] = Field(default_factory=list)


class CsvProfile(Section):
    """A profile of ``kind = "csv"``.

    ``rest`` = "built-in": what the profile does not say (other columns, other tables of a file, tables of another
    shape) is left to the words of the trade; else it is not read.
    """

    kind: Literal["csv"]
    name: str
    description: str = ""
    zone: str | None = None
    date_order: Literal["dmy", "mdy", "ymd"] | None = None
    decimal: Literal[".", ","] | None = None
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    rest: Literal["built-in"] | None = None
    preamble: list[str] = Field(default_factory=list)
    recognise: Recognise
    column: list[Column] = Field(min_length=1)
    test: dict[str, Measured] = Field(default_factory=dict)
    word: list[CellWord] = Field(default_factory=list)
    _text: str = PrivateAttr(default="")
    _path: Path | None = PrivateAttr(default=None)

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

    @property
    def names(self) -> dict[str, Meaning]:
        """Names of tests, each with its meaning."""
        return {fold(name): measured.meaning() for name, measured in self.test.items()}

    @property
    def words(self) -> dict[str, list[Word]]:
        """Words in value cells as they are looked up, each with its meanings."""
        found: dict[str, list[Word]] = {}
        for one in self.word:
            found.setdefault(simplify(fold(one.text)), []).append(one.word())
        return found

    def claims(self, lines: Sequence[str]) -> bool:
        """True where a line among the first hundred holds all the headings, and the file the other texts."""
        return claims_lines(self, lines)

    def translate(self, grid: Grid) -> Grid:
        """The grid with the lines that ``preamble`` describes in words that every reader knows."""
        return tell_plainly(self.preamble, grid) if self.preamble else grid

    def find_plan(
        self, rows: Sequence[Sequence[str]], position: int, context: Context,
        body: Callable[[int], Sequence[Sequence[str]]],
    ) -> tuple[Plan, int] | None:  # fmt: skip
        """The plan of a table whose headings begin at ``rows[position]`` and how many rows they take; None where they
        are not those.
        """
        return find_profile_plan(self, rows, position, context, body)


def scaled_unit(name: str | None, scale: str | None) -> Unit | None:
    """The unit ``name`` with its exponent moved by the power of ten ``scale``; None where there is no unit."""
    unit = parse_unit(name) if name else None
    if unit and scale:
        return replace(unit, exponent=unit.exponent + Decimal(scale).adjusted())
    return unit


def parse_csv_profile(content: Mapping[str, Any], text: str) -> CsvProfile | list[ProfileFault]:
    """The profile, or all its faults with key path, near match and example."""
    models: dict[str, type[BaseModel]] = {
        "": CsvProfile, "column": Column, "recognise": Recognise, "test": Measured, "word": CellWord,
    }  # fmt: skip
    try:
        profile = CsvProfile.model_validate(content)
    except ValidationError as error:
        return find_faults(
            content, text, error.errors(), {name: list(model.model_fields) for name, model in models.items()}
        )
    faults = find_faults(content, text, [], {})
    if faults:
        return faults
    profile._text = text
    return profile
