"""What each record measures: heading or test name, conductors, unit, test voltage, multiple; or why it is not known."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ingest.cells.text import fold, shown
from ingest.cells.units import Unit, parse_unit
from ingest.cells.value import number_of
from ingest.exports.distinct import Codes, combine, distinct
from ingest.exports.measurements import Meaning, parse_meaning, with_unit
from ingest.exports.records import Records, Table
from schemas.quantities import QUANTITIES

import numpy as np


@dataclass(frozen=True)
class Named:
    """The meaning of a record with its unit, or a refusal with its message."""

    meaning: Meaning
    unit: Unit | None = None
    refusal: str | None = None
    message: str = ""


def name_records(records: Records) -> tuple[Codes, list[Named]]:
    """For each record the position of what it measures in a list of distinct meanings."""
    parts = {
        name: distinct(records.texts[name]) for name in ("name", "unit", "pair", "test_voltage", "multiple", "prefix")
    }
    table, test = np.array(records.table, dtype=np.int64), np.array(records.test, dtype=np.int64)
    codes, (tables, tests, *others) = combine(table, test + 1, *(part.codes for part in parts.values()))
    named = []
    for position in range(len(tables)):
        texts = {name: part.texts[others[number][position]] or "" for number, (name, part) in enumerate(parts.items())}
        named.append(name_one(records.tables[tables[position]], int(tests[position]) - 1, texts))
    return codes, named


def name_one(table: Table, test_no: int, texts: dict[str, str]) -> Named:
    """What one kind of record measures."""
    plan = table.plan
    if test_no >= 0:
        column = plan.tests[test_no]
        meaning, told, where = column.meaning, column.meaning.unit, f"heading {shown(column.heading)}"
    else:
        named = plan.names.get(fold(texts["name"])) if plan.names else None
        meaning = named or (parse_meaning(texts["name"]) if plan.at("test") is not None else plan.meaning or Meaning())
        told, where = _row_unit(plan.value_unit, meaning.unit), f"test {shown(texts['name'])}"
    if texts["unit"].strip(" -"):
        in_row = parse_unit(texts["unit"])
        if in_row is None and not (meaning.quantity and QUANTITIES[meaning.quantity].is_indication):
            return Named(meaning, refusal="no unit", message=f"unit {shown(texts['unit'])} is not known")
        if in_row and told and (in_row.base, in_row.exponent) != (told.base, told.exponent):
            return Named(
                meaning, refusal="unit conflict", message="unit column and heading or test name say different units"
            )
        told = in_row or told
    meaning = _with_row(with_unit(_with_pair(meaning, texts["pair"]), told), texts)
    if meaning.quantity is None and meaning.conductors and told is None:
        return Named(meaning, refusal="unknown quantity", message=f"{where} names conductors and no quantity or unit")
    if meaning.quantity is None:
        other = f": {meaning.other} is not kept" if meaning.other else "; say in a profile what it is"
        return Named(meaning, refusal="unknown quantity", message=f"{where} is no quantity that is known{other}")
    known = QUANTITIES[meaning.quantity]
    if texts["prefix"].strip():
        return Named(
            meaning,
            refusal="ambiguous",
            message="a column for prefix or multiplier changes the value: say how in a profile",
        )
    if meaning.quantity == "voltage" and meaning.conductors is None:
        return Named(meaning, refusal="no conductors", message=f"{where} does not say between which conductors")
    if told is None and not known.is_indication:
        told = table.context.unit_for(meaning.quantity)
    return Named(meaning, unit=told)


def _row_unit(heading: Unit | None, name: Unit | None) -> Unit | None:
    return heading or name


def _with_pair(meaning: Meaning, text: str) -> Meaning:
    """The pair of a column of its own, where the quantity is measured between pairs."""
    if not text.strip():
        return meaning
    pair = parse_meaning(text).conductors
    if pair is None or (meaning.conductors and meaning.conductors != pair):
        return meaning
    if meaning.quantity and pair not in QUANTITIES[meaning.quantity].conductors:
        return meaning
    return replace(meaning, conductors=pair)


def _with_row(meaning: Meaning, texts: dict[str, str]) -> Meaning:
    voltage, multiple = number_of(texts["test_voltage"]), texts["multiple"].strip()
    if meaning.quantity == "insulation_resistance" and voltage and voltage.isdigit() and meaning.test_voltage_v is None:
        meaning = replace(meaning, test_voltage_v=float(voltage))
    if meaning.quantity == "rcd_trip_time" and multiple and meaning.rcd_multiple is None:
        told = parse_meaning(multiple if "x" in multiple.lower() else f"x{multiple}").rcd_multiple
        meaning = replace(meaning, rcd_multiple=told)
    return meaning
