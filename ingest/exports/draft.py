"""The text of a drafted profile: TOML that a person reads line by line, with how sure each mapping is and why."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final

from ingest.cells.dates import parse_date
from ingest.cells.numbers import NumberStyle
from ingest.cells.text import fold_heading
from ingest.cells.units import Unit
from ingest.cells.value import cell_evidence, number_of, unit_in
from ingest.cells.words import find_indication, is_not_measured, is_over_range
from ingest.exports.grid import parse_line
from ingest.exports.guess import role_fits
from ingest.exports.headings import parse_heading
from ingest.exports.layout_seen import Seen
from ingest.exports.measurements import Meaning, parse_meaning
from ingest.profiles.csv_faults import ROLES
from schemas.quantities import QUANTITIES

MOST_NAMES: Final = 80
MOST_WORDS: Final = 12
PREFIXES: Final = {0: "", 3: "k", 6: "M", 9: "G", 12: "T", -3: "m", -6: "u"}
STYLES: Final = {NumberStyle.COMMA: ",", NumberStyle.POINT: "."}


@dataclass(frozen=True, kw_only=True)
class Draft:
    """What a draft is written from.

    ``fill``: what is not known stands as a gap, so that the draft cannot be used before that is filled in; else as a
    comment. ``explain``: names of tests are listed. ``settle``: the order of dates and the decimal mark are. ``loses``:
    the words of the trade alone read more.
    """

    seen: Seen
    name: str
    fill: bool
    lines: tuple[str, ...]
    explain: bool = True
    settle: bool = True
    loses: bool = False


def draft_text(draft: Draft) -> str:
    """The TOML of a draft."""
    parts = (_head(draft), _recognise(draft), _columns(draft), _tests(draft), _words(draft))
    return "\n".join(line for part in parts for line in part) + "\n"


def _head(draft: Draft) -> Iterator[str]:
    seen = draft.seen
    file = plain(PurePath(draft.name).name)
    yield f"# Drafted from {file}. Correct what is wrong, then: provebook profile check FILE"
    yield "# certain: heading and cells agree; likely: one of them says so; guess: look at it twice."
    yield "# quantities: " + ", ".join(QUANTITIES)
    yield "# what a column can hold: " + ", ".join(ROLES)
    if draft.loses:
        yield "# CAUTION: without this profile more of the file is read than with it: not to be used as it is."
    yield 'kind = "csv"'
    yield f"name = {quoted(slug(draft.name))}  # give it a name of your own"
    yield 'rest = "built-in"  # what is not said here is left to the words of the trade; else it is not read'
    if seen.delimiter and len(seen.delimiter) == 1 and seen.delimiter not in " :":
        yield f"delimiter = {quoted(seen.delimiter)}  # certain: the headings make sense only so"
    yield from _order(draft)
    yield from _decimal(draft)
    if seen.context.zone:
        yield f"# zone: the file says {plain(seen.context.zone)} itself"
    else:
        yield '# zone = "Europe/London"  # where the clock of the meter is set to; without it register or book say it'
    for line in seen.above:
        if template := template_of(line):
            yield f"# preamble = [{quoted(template)}]  # guess: a line above the table says this; take the # away if so"
    if seen.others:
        yield "# The file has other tables too, which are left to the words of the trade:"
        yield from (f"#   {plain(', '.join(headings))}" for headings in seen.others)
    yield ""


def _order(draft: Draft) -> Iterator[str]:
    """The order of day and month, where the file proves one."""
    open_cells = [cell for cell in draft.seen.dates if parse_date(cell).by_order]
    proofs = {proof: cell for cell in open_cells if (proof := parse_date(cell).proves)}
    if draft.seen.plan.told or draft.seen.context.order:
        yield "# date_order: the file says it itself"
    elif len(proofs) == 1 and draft.settle:
        order, cell = next(iter(proofs.items()))
        yield f"date_order = {quoted(order)}  # certain: {quoted(cell)} allows no other"
    elif open_cells:
        cell = quoted(open_cells[0])
        yield f'# date_order = "dmy"  # {cell} can be read in more than one way: say dmy, mdy or ymd'


def _decimal(draft: Draft) -> Iterator[str]:
    """The decimal mark, where the file proves one."""
    proofs = {proof: cell for cell in draft.seen.values if (proof := cell_evidence(cell)) in STYLES}
    if len(proofs) == 1 and draft.seen.delimiter and not draft.seen.context.decimal and draft.settle:
        style, cell = next(iter(proofs.items()))
        yield f"decimal = {quoted(STYLES[style])}  # certain: {quoted(cell)} allows no other"
    elif len(proofs) > 1:
        yield '# decimal = ","  # the numbers of this file prove both marks: each is read by itself'


def _recognise(draft: Draft) -> Iterator[str]:
    yield "[recognise]  # a file with all of these is read by this profile; say enough that no other file has them"
    plan = draft.seen.plan
    described = list(dict.fromkeys(plan.headings[at] for at in sorted(_described(draft)) if plan.headings[at]))
    mark = draft.seen.delimiter or "\t"
    in_a_row = mark not in (" ", ":") and any(
        set(_folded(described)) <= set(_folded(parse_line(line, mark))) for line in draft.lines if mark in line
    )
    if in_a_row and len(described) > 1:
        yield f"headings = [{', '.join(quoted(heading) for heading in described)}]"
    else:
        yield f"contains = [{', '.join(quoted(text) for text in _texts_of(draft, [*plan.headings]))}]"
    yield ""


def _folded(cells: list[str]) -> list[str]:
    return [fold_heading(cell).lower() for cell in cells]


def _texts_of(draft: Draft, headings: list[str]) -> list[str]:
    """Pieces of the headings as they stand in the first lines: for headings that stand below or beside each other."""
    text = "\n".join(draft.lines[:100])
    pieces = [
        piece for heading in headings for piece in ([heading] if heading in text else heading.split()) if piece in text
    ]
    return list(dict.fromkeys(piece for piece in pieces if len(piece) > 1))


def _described(draft: Draft) -> dict[int, str]:
    """Column to what it holds, for those that the draft describes."""
    plan, seen = draft.seen.plan, draft.seen
    repeated = {heading for heading in plan.headings if plan.headings.count(heading) > 1}
    unsaid = ("from", "to") if plan.is_long else ("from", "to", "value")
    found = {at: role for role, at in plan.roles if plan.headings[at] and role not in unsaid}
    found |= {test.index: "reading" for test in plan.tests if test.meaning.is_reading}
    if plan.value is not None and draft.fill and plan.doubt:
        found.pop(plan.value, None)
    if draft.fill:
        found |= {test.index: "" for test in plan.tests if test.index not in found}
        found |= {at: "" for at in seen.open if at not in found}
    if draft.fill and not {"value", "reading", ""} & set(found.values()):
        found |= {at: "" for at in range(plan.width) if plan.headings[at] and at not in found}
    return {at: role for at, role in found.items() if plan.headings[at] not in repeated}


def _columns(draft: Draft) -> Iterator[str]:
    """One table a column; what is not used stands as a comment."""
    plan, described = draft.seen.plan, _described(draft)
    tests = {test.index: test.meaning for test in plan.tests}
    for at, heading in enumerate(plan.headings):
        if at not in described:
            yield from _left_out(draft, at)
            continue
        yield f"[[column]]  # {_why(draft, at, described[at])}{_example(draft, at)}"
        yield f"heading = {quoted(heading)}"
        if not described[at]:
            yield 'holds = ""  # fill in: one of those named at the top; "ignore" where it is no reading'
            yield '# quantity, conductors, unit: where it holds "reading"'
        else:
            yield f'holds = "{described[at]}"'
        if described[at] == "reading":
            yield from _measured(draft, tests[at], missing_unit=not _cells_say_unit(draft, at))
        if described[at] == "value" and plan.value_unit is not None and not plan.value_unit.unsure:
            yield f"unit = {quoted(unit_text(plan.value_unit))}"
        yield ""


def _left_out(draft: Draft, at: int) -> Iterator[str]:
    """A column that the draft does not describe: what it seems to be, and what to write to have it read."""
    plan, heading = draft.seen.plan, draft.seen.plan.headings[at]
    role = next((role for role, place in plan.roles if place == at), None)
    if not heading or plan.headings.count(heading) > 1:
        name = quoted(heading) if heading else "without heading"
        held = f"the words of the trade take it for {role}" if role else "it is not used"
        yield f"# column {at + 1}, {name}: a profile goes by headings that stand once; {held}{_example(draft, at)}"
    else:
        refused = any(test.index == at for test in plan.tests)
        state = "what it measures is not known, its cells are refused" if refused else "not known, not used"
        known = parse_heading(heading).meaning.other or state
        yield f"# {quoted(heading)}: {known}{_example(draft, at)}; to have it read, write:"
        yield f"# [[column]]\n# heading = {quoted(heading)}"
        yield '# holds = "label"  # or another; for readings "reading" with quantity, conductors and unit'
    yield ""


def _why(draft: Draft, at: int, role: str) -> str:
    """How sure a mapping is, and why."""
    if at in draft.seen.guesses:
        return draft.seen.guesses[at]
    if not role:
        return "to be filled in"
    heading, cells = (
        parse_heading(draft.seen.plan.headings[at]),
        [cell for cell in draft.seen.cells.get(at, ()) if cell],
    )
    if role == "reading":
        return (
            "certain: the heading names what is measured"
            if heading.meaning.is_reading
            else "likely: by heading and title"
        )
    named = role in {name for name, _ in heading.roles}
    fitting = sum(1 for cell in cells if role_fits(role, cell))
    if cells and fitting < len(cells):
        return f"likely: the heading says so, {len(cells) - fitting} of {len(cells)} cells look different"
    if named and cells:
        return "certain: a usual heading, and all cells fit"
    return "likely: a usual heading" if named else "likely: its cells are that"


def _example(draft: Draft, at: int) -> str:
    cells = [cell for cell in draft.seen.cells.get(at, ()) if cell]
    return f", such as {quoted(plain(cells[0]))}" if cells else ""


def _cells_say_unit(draft: Draft, at: int) -> bool:
    cells = [cell for cell in draft.seen.cells.get(at, ()) if number_of(cell)]
    return not cells or all(unit_in(cell) for cell in cells)


def _measured(draft: Draft, meaning: Meaning, *, missing_unit: bool) -> Iterator[str]:
    """What is measured, one key a line; what is missing is a gap or a comment."""
    assert meaning.quantity is not None
    known, gap = QUANTITIES[meaning.quantity], "" if draft.fill else "# "
    yield f'quantity = "{meaning.quantity}"'
    if meaning.conductors and len(known.conductors) > 1:
        yield f'conductors = "{meaning.conductors}"'
    elif len(known.conductors) > 1 and draft.seen.plan.at("pair") is None:
        gap_here = gap if meaning.quantity == "voltage" else "# "
        yield f'{gap_here}conductors = ""  # fill in: one of {", ".join(known.conductors)}; nothing here says it'
    if meaning.unit is not None and not meaning.unit.unsure and meaning.unit.base == known.unit:
        yield f"unit = {quoted(unit_text(meaning.unit))}"
    elif not known.is_indication and missing_unit and not draft.seen.context.unit_for(meaning.quantity):
        yield f'{gap}unit = ""  # fill in: {known.unit} with its prefix; nothing here says it'
    if meaning.test_voltage_v:
        yield f"test_voltage_v = {meaning.test_voltage_v:g}"
    if meaning.rcd_multiple:
        yield f"rcd_multiple = {meaning.rcd_multiple:g}"


def _tests(draft: Draft) -> Iterator[str]:
    """The names of tests that stand in the export."""
    plan = draft.seen.plan
    if plan.at("test") is None or plan.value is None:
        return
    unit_told = plan.value_unit is not None or plan.at("unit") is not None
    pieces = [cell for cell in draft.seen.values if number_of(cell)]
    missing_unit = not unit_told and not (pieces and all(unit_in(cell) for cell in pieces))
    for name, count in list(draft.seen.names.items())[:MOST_NAMES]:
        yield from _test(draft, name, count, missing_unit)
        yield ""


def _test(draft: Draft, name: str, count: int, missing_unit: bool) -> Iterator[str]:
    meaning, rows = parse_meaning(name), "one row" if count == 1 else f"{count} rows"
    paired = draft.seen.plan.at("pair") is not None
    incomplete = meaning.quantity == "voltage" and meaning.conductors is None
    if meaning.is_reading and (not draft.explain or paired or (incomplete and not draft.fill)):
        aside = ", with the conductors of their column" if paired else ""
        yield f"# {quoted(name)} ({rows}): read as {meaning.quantity}{aside}; to have it read otherwise, write:"
        yield f"# [test.{quoted(name)}]\n# quantity = {quoted(meaning.quantity or '')}"
    elif meaning.is_reading:
        sure = "likely: not all of it is said" if incomplete else "certain: a usual name"
        yield f"[test.{quoted(name)}]  # {sure}, {rows}"
        yield from _measured(draft, meaning, missing_unit=missing_unit)
    elif meaning.other:
        yield f"# {quoted(name)} ({rows}): {meaning.other}, which is not kept"
    else:
        gap = "" if draft.fill else "# "
        yield f"{gap}[test.{quoted(name)}]  # this name is not known, {rows}; its rows are refused until it is"
        yield f'{gap}quantity = ""  # fill in: one of the quantities named at the top'
        yield '# conductors = "L-N"  # for a voltage, a loop or insulation'
        yield '# unit = "Ohm"  # with its prefix, where nothing in the file says it; scale = "0.1" for tenths'


def _words(draft: Draft) -> Iterator[str]:
    """Words in value cells that are not known."""
    strange = dict.fromkeys(
        cell for cell in draft.seen.values
        if number_of(cell) is None and not is_not_measured(cell) and not is_over_range(cell)
        and not any(find_indication(one.name, cell) for one in QUANTITIES.values() if one.is_indication)
    )  # fmt: skip
    for word in list(strange)[:MOST_WORDS]:
        yield f"# {quoted(word)} is not known as a word; if it means something, write:"
        yield f"# [[word]]\n# text = {quoted(word)}"
        yield '# means = "over range"  # or "not measured", "no trip", or an indication with its quantity'
        yield ""


_DAY: Final = re.compile(r"(?<![\w.])(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{2,4}|\d{1,2} [A-Za-z]{3,9} \d{4})(?![\w.])")
_SERIAL: Final = re.compile(r"(?<![\w-])(?=[\w-]*\d)(?=[\w-]*[A-Z])[A-Z0-9][\w-]{3,}(?![\w-])")


def template_of(line: str) -> str:
    """A template for a line above the table that names a day, perhaps a serial number; else nothing."""
    found = next((day for day in _DAY.finditer(line) if parse_date(day[0]).seen), None)
    if found is None or "{" in line or "}" in line:
        return ""
    template = f"{line[: found.start()]}{{date}}{line[found.end() :]}"
    return _SERIAL.sub("{meter_serial}", template, count=1).strip()


def unit_text(unit: Unit) -> str:
    """The unit as a profile writes it."""
    return f"{PREFIXES[unit.exponent]}{unit.base}"


def slug(name: str) -> str:
    """A name for a profile from the name of a file."""
    stem = re.sub(r"[^a-z0-9]+", "-", PurePath(name).name.lower().split(".")[0]).strip("-")
    return stem or "my-layout"


def quoted(text: str) -> str:
    """``text`` as a TOML string."""
    return json.dumps(text, ensure_ascii=any(not mark.isprintable() for mark in text)).replace("\x7f", "\\u007f")


def plain(text: str) -> str:
    """``text`` on one line, so that it can stand in a comment."""
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
