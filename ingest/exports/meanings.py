"""What each record measures: quantity, conductors, unit, test voltage, multiple; or why it is not known."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cells.text import fold, shown
from ingest.cells.units import PREFIXES, Unit, parse_unit
from ingest.cells.value import Word, number_of, unit_in
from ingest.cells.words import is_not_measured
from ingest.exports.context import Context
from ingest.exports.distinct import Codes, combine, decode, distinct
from ingest.exports.layout import names_only_pairs
from ingest.exports.measurements import Meaning, parse_meaning, with_unit
from ingest.exports.records import Records, Table
from schemas.quantities import QUANTITIES

NAMED_BY: Final = ("name", "unit", "pair", "test_voltage", "multiple", "prefix")


@dataclass(frozen=True)
class Named:
    """The meaning of a record with its unit, or a refusal with its message."""

    meaning: Meaning
    unit: Unit | None = None
    refusal: str | None = None
    message: str = ""
    words: Mapping[str, Sequence[Word]] = field(default_factory=dict)


class Unclear(Exception):
    """What a record measures cannot be told; carries the reason of the refusal."""

    def __init__(self, refusal: str, message: str) -> None:
        self.refusal, self.message = refusal, message
        super().__init__(message)


def name_records(records: Records) -> tuple[Codes, list[Named]]:
    """For each record the position of what it measures in a list of distinct meanings."""
    parts = {name: distinct(_unit_texts(records) if name == "unit" else records.text(name)) for name in NAMED_BY}
    codes, (tables, tests, *others) = combine(records.table, records.test + 1, *(part.codes for part in parts.values()))
    named = []
    for position in range(len(tables)):
        texts = {name: part.texts[others[number][position]] or "" for number, (name, part) in enumerate(parts.items())}
        named.append(name_one(records.tables[tables[position]], int(tests[position]) - 1, texts))
    return codes, named


def _unit_texts(records: Records) -> pa.Array:
    """Unit cells; where a test is named by its conductors alone, volts that stand in the value cell."""
    units, names = records.text("unit"), distinct(records.text("name"))
    bare = np.array([bool(name) and names_only_pairs(name or "") for name in names.texts], bool)
    if not bare.any():
        return units
    raw = distinct(records.text("raw_text"))
    volts = decode([_volts(text or "") for text in raw.texts], raw.codes)
    wanted = pa.array(bare[names.codes])
    unit_cells = pc.if_else(pc.equal(pc.utf8_trim_whitespace(units), ""), pa.scalar(None, pa.string()), units)
    return pc.if_else(wanted, pc.coalesce(unit_cells, volts), units)


def _volts(raw: str) -> str | None:
    return "V" if (unit := unit_in(raw)) and unit.base == "V" else None


def name_one(table: Table, test_no: int, texts: Mapping[str, str]) -> Named:
    """What one kind of record measures."""
    try:
        return _name(table, test_no, texts)
    except Unclear as error:
        return Named(Meaning(), refusal=error.refusal, message=error.message)


def _name(table: Table, test_no: int, texts: Mapping[str, str]) -> Named:
    plan = table.plan
    if plan.doubt:
        raise Unclear("ambiguous", plan.doubt)
    explained = plan.names.get(fold(texts["name"]))
    if test_no >= 0 and plan.crossed:
        heading = plan.tests[test_no].heading
        meaning, where = parse_meaning(f"{texts['name']} {heading}"), f"test {shown(texts['name'])}, {shown(heading)}"
        if meaning.conductors != plan.tests[test_no].meaning.conductors:
            raise Unclear("unknown quantity", f"{where} does not say what was measured")
    elif test_no >= 0:
        meaning, where = plan.tests[test_no].meaning, f"heading {shown(plan.tests[test_no].heading)}"
        if plan.tests[test_no].conflict:
            raise Unclear("unit conflict", f"{where}: {plan.tests[test_no].conflict}")
    elif plan.at("test") is not None:
        meaning, where = explained or parse_meaning(texts["name"]), f"test {shown(texts['name'])}"
        if not texts["name"].strip():
            raise Unclear("unknown quantity", "the cell that names the test is empty")
    else:
        meaning, where = plan.meaning or Meaning(), "the table"
    unit = _unit(meaning, plan.value_unit, texts)
    name = "" if explained or plan.crossed else texts["name"] or _other_name(table, test_no)
    meaning = with_unit(_with_pair(meaning, texts["pair"], name), unit)
    if meaning.quantity is None:
        raise Unclear("unknown quantity", _why_unknown(meaning, where))
    if meaning.quantity == "voltage" and meaning.conductors is None:
        raise Unclear("no conductors", f"{where} does not say between which conductors")
    if table.context.scaled and not QUANTITIES[meaning.quantity].is_indication:
        _check_scaled(table.context, meaning.quantity, unit)
    if unit is None and not QUANTITIES[meaning.quantity].is_indication:
        unit = table.context.unit_for(meaning.quantity)
    return Named(_with_row(meaning, texts), unit=_prefixed(unit, texts["prefix"]), words=plan.words)


def _check_scaled(context: Context, quantity: str, unit: Unit | None) -> None:
    """Raises Unclear where a line above the table multiplies values, or names another unit of ohms than the table."""
    ohms = re.search(r"ohm|Ω", context.scaled, re.IGNORECASE) is not None
    other = unit is not None and unit.exponent != -3 and quantity != "insulation_resistance"
    if not ohms or (other and QUANTITIES[quantity].unit == "Ohm"):
        raise Unclear("ambiguous", f"a line above the table, {shown(context.scaled)}, may change its values")


def _other_name(table: Table, test_no: int) -> str:
    """What names the test where no column does: the heading or a title above; nothing where a profile does."""
    plan = table.plan
    if test_no >= 0:
        test = plan.tests[test_no]
        return test.heading if parse_meaning(test.heading).quantity == test.meaning.quantity else ""
    return (table.context.test_text or "") if plan.meaning is not None and plan.meaning == table.context.test else ""


def _why_unknown(meaning: Meaning, where: str) -> str:
    if meaning.unclear:
        return f"{where}: {meaning.unclear}"
    if meaning.other:
        return f"{where}: {meaning.other}, which is not one of the quantities that are kept"
    if meaning.conductors:
        return f"{where} names conductors, but neither quantity nor unit"
    return f"{where} is no quantity that is known; a profile can say what it is"


def _unit(meaning: Meaning, heading: Unit | None, texts: Mapping[str, str]) -> Unit | None:
    """The unit that heading, name of the test and unit column say. Raises Unclear where they differ."""
    in_row = None
    if texts["unit"].strip(" -–—"):
        in_row = parse_unit(texts["unit"])
        if in_row is None and not (meaning.quantity and QUANTITIES[meaning.quantity].is_indication):
            raise Unclear("no unit", f"unit {shown(texts['unit'])} is not known")
    told = [unit for unit in (in_row, heading, meaning.unit) if unit is not None]
    if len({(unit.base, unit.exponent) for unit in told}) > 1:
        raise Unclear("unit conflict", "unit column, heading and name of the test say different units")
    return next((unit for unit in told if not unit.unsure), told[0] if told else None)


def _prefixed(unit: Unit | None, text: str) -> Unit | None:
    """The unit with the prefix of a column of its own. Raises Unclear where that is not one letter and a bare unit."""
    prefix = fold(text)
    if not prefix or prefix.lower() in ("1", "x1", "×1", "1x", "x 1", "1.0"):
        return unit
    if unit is None or unit.exponent or prefix not in PREFIXES:
        raise Unclear("ambiguous", f"prefix or multiplier {shown(text)} changes the value: say in a profile how")
    return replace(unit, exponent=PREFIXES[prefix])


def _with_pair(meaning: Meaning, text: str, name: str) -> Meaning:
    """The pair of a column of its own: read together with the name of the test, or added to what a profile says.

    Raises Unclear where the two together are not understood, or the pair is another one than the name says.
    """
    if not text.strip(" -–—") or is_not_measured(text):
        return meaning
    if name:
        together = parse_meaning(f"{name} {text}")
        if together.quantity is None and (meaning.quantity or not together.conductors):
            why = together.unclear or together.other or "they do not fit each other"
            raise Unclear(
                "ambiguous" if meaning.quantity else "unknown quantity",
                f"test {shown(name)}, conductors {shown(text)}: {why}",
            )
        return replace(together, unit=meaning.unit)
    pair = parse_meaning(text).conductors
    known = QUANTITIES[meaning.quantity].conductors if meaning.quantity else ()
    if meaning.quantity is None:
        return replace(meaning, conductors=pair or meaning.conductors)
    if known and (pair is None or pair not in known):
        raise Unclear("no conductors", f"conductors {shown(text)} are not known for {meaning.quantity}")
    if meaning.conductors and pair and meaning.conductors != pair:
        raise Unclear("ambiguous", f"conductors {shown(text)} are not those that the test names")
    return replace(meaning, conductors=pair or meaning.conductors) if known else meaning


def _with_row(meaning: Meaning, texts: Mapping[str, str]) -> Meaning:
    voltage, multiple = number_of(texts["test_voltage"]), texts["multiple"].strip()
    if meaning.quantity == "insulation_resistance" and voltage and voltage.isdigit() and meaning.test_voltage_v is None:
        meaning = replace(meaning, test_voltage_v=float(voltage))
    if meaning.quantity == "rcd_trip_time" and multiple and meaning.rcd_multiple is None:
        told = parse_meaning(multiple if "x" in multiple.lower() else f"x{multiple}").rcd_multiple
        meaning = replace(meaning, rcd_multiple=told)
    return meaning
