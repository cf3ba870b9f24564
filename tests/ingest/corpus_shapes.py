"""More layouts of invented exports: sections, tables on their side, blocks, fixed columns, units said once, groups."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from tests.ingest import corpus_words as words
from tests.ingest.corpus import Cell, Kind, Sheet, Style, Truth, head, make_session, make_truth, preamble, value_text

UNIT_KEYS = {
    "voltage": "Voltage", "earth_fault_loop_impedance": "Loop", "line_neutral_loop_impedance": "Line impedance",
    "continuity_resistance": "Continuity", "insulation_resistance": "Insulation", "rcd_trip_time": "RCD",
    "current": "Current",
}  # fmt: skip
TITLES = {
    "earth_fault_loop_impedance": "Earth loop impedance", "insulation_resistance": "Insulation resistance",
    "rcd_trip_time": "RCD tests", "polarity": "Polarity", "non_contact_voltage": "Non-contact voltage",
}  # fmt: skip


def one_unit(
    rng: random.Random, kind: Kind, unit: str, moment: datetime, label: str, memory: int | None, style: Style
) -> Truth:
    truth = make_truth(rng, kind, moment, label, memory, style)
    while truth.unit != unit:
        truth = make_truth(rng, kind, moment, label, memory, style)
    return truth


def stamps(style: Style, moment: datetime) -> list[Cell]:
    return [Cell(style.date(moment), kind="date"), Cell(style.time(moment), kind="time")]


def sections(rng: random.Random, style: Style, count: int) -> Sheet:
    """A title and a table for each test; the unit in the heading of the values."""
    rows, start = preamble(rng, style), 0
    moment, number = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, 0, 0), 0
    for quantity in rng.sample(list(TITLES), rng.randint(2, 4)):
        kind = rng.choice([kind for kind in words.NAMES if kind[0] == quantity and kind[3] in (None, 1.0)])
        unit = make_truth(rng, kind, moment, "", None, style).unit
        pair = f" {kind[1]}" if quantity == "insulation_resistance" else ""
        rows.append([Cell("")])
        rows.append([Cell(f"{TITLES[quantity]}{pair}")])
        start = len(rows)
        value = head(rng, "value") + (f" ({style.unit(unit)})" if unit else "")
        names = [*(["Mem No"] if style.memory else []), "Date", "Time", "Label", value]
        rows.append([Cell(name, kind="head") for name in names])
        for _ in range(max(2, count // 4)):
            number += 1
            label = rng.choice(words.LABELS)
            truth = one_unit(rng, kind, unit, moment, label, number if style.memory else None, style)
            cells = [Cell(str(number))] if style.memory else []
            rows.append(
                [
                    *cells,
                    *stamps(style, moment),
                    Cell(label, kind="label"),
                    Cell(value_text(rng, truth, style), truth, "value"),
                ]
            )
            moment += timedelta(minutes=rng.randint(1, 20))
    return Sheet(rows, style.delimiter, style, head=start)


def on_its_side(rng: random.Random, style: Style, count: int) -> Sheet:
    """Tests in rows, appliances in columns."""
    kinds = rng.sample(list(words.NAMES), rng.randint(3, 7))
    appliances = rng.randint(2, 6)
    moments = [datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, number, 0) for number in range(appliances)]
    labels = [rng.choice(words.LABELS) for _ in range(appliances)]
    rows = preamble(rng, style)
    start = len(rows)
    rows.append([Cell("Location"), *(Cell(label, kind="label") for label in labels)])
    rows.append([Cell("Date"), *(Cell(style.date(moment), kind="date") for moment in moments)])
    rows.append([Cell("Time"), *(Cell(style.time(moment), kind="time") for moment in moments)])
    for kind in kinds:
        unit = make_truth(rng, kind, moments[0], "", None, style).unit
        name = rng.choice(words.NAMES[kind])
        row = [Cell(f"{name} ({style.unit(unit)})" if unit else name)]
        for moment, label in zip(moments, labels, strict=True):
            truth = one_unit(rng, kind, unit, moment, label, None, style)
            row.append(Cell(value_text(rng, truth, style), truth, "value"))
        rows.append(row)
    return Sheet(rows, style.delimiter, style, head=start)


def units_above(rng: random.Random, style: Style, count: int) -> Sheet:
    """One reading a row, units by quantity in the preamble."""
    session = make_session(rng, count, style)
    units: dict[str, str] = {}
    for kind, truth in session:
        if truth.unit:
            units.setdefault(kind[0], truth.unit)
    told = ", ".join(f"{UNIT_KEYS[name]} {style.unit(unit)}" for name, unit in units.items())
    rows = preamble(rng, style)
    if rng.random() < 0.5:
        rows += [[Cell(f"Unit for {UNIT_KEYS[name]}"), Cell(style.unit(unit))] for name, unit in units.items()]
    else:
        rows.append([Cell(f"Units: {told}")])
    rows.append([Cell("")])
    start = len(rows)
    columns = ["memory"] * style.memory + ["date", "time", "label", "test", "value"]
    rows.append([Cell(head(rng, column), kind="head") for column in columns])
    spelled = {kind: rng.choice(words.NAMES[kind]) for kind in words.NAMES}
    for kind, truth in session:
        if truth.unit and truth.unit != units[kind[0]]:
            truth = one_unit(rng, kind, units[kind[0]], truth.local, truth.label, truth.memory, style)
        if truth.unit == "V" and spelled[kind].startswith(("V ", "VL", "VN", "Volts")):
            truth = replace(truth)
        cells = {"memory": str(truth.memory), "date": style.date(truth.local), "time": style.time(truth.local),
                 "label": truth.label or "", "test": spelled[kind], "value": value_text(rng, truth, style)}  # fmt: skip
        rows.append([Cell(cells[column], truth if column == "value" else None, column) for column in columns])
    return Sheet(rows, style.delimiter, style, head=start)


def rows_below_groups(
    rng: random.Random, style: Style, kinds: list[tuple[Kind, str]], count: int
) -> list[list[Cell]]:  # fmt: skip
    """Rows of a wide table with label, date and time, and a value for each kind and unit."""
    rows = []
    moment = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, 0, 0)
    for _ in range(count):
        label = rng.choice(words.LABELS)
        row = [Cell(label, kind="label"), *stamps(style, moment)]
        for kind, unit in kinds:
            truth = one_unit(rng, kind, unit, moment, label, None, style)
            row.append(Cell(value_text(rng, truth, style), truth, "value"))
        rows.append(row)
        moment += timedelta(minutes=rng.randint(1, 30))
    return rows


def groups(rng: random.Random, style: Style, count: int) -> Sheet:
    """Two heading rows: a group with its unit above conductors."""
    wanted = [
        ("Voltage", "V", "voltage", ["L-N", "L-E", "N-E"]),
        ("Insulation 500 V", "MOhm", "insulation_resistance", ["L-E", "N-E"]),
    ]
    rows = preamble(rng, style)
    start = len(rows)
    above, below, kinds = [Cell(""), Cell(""), Cell("")], [Cell("Label"), Cell("Date"), Cell("Time")], []
    for title, unit, quantity, pairs in wanted:
        for number, pair in enumerate(pairs):
            above.append(Cell(f"{title} ({style.unit(unit)})" if number == 0 else ""))
            below.append(Cell(pair))
            kinds.append(((quantity, pair, None, None), unit))
    rows += [above, below]
    rows += rows_below_groups(rng, style, kinds, max(3, count // 5))
    return Sheet(rows, style.delimiter, style, head=start)


def groups_in_three_rows(rng: random.Random, style: Style, count: int) -> Sheet:
    """Groups written over each of their columns, names below them, units in a third row."""
    wanted = [
        ("Voltage", "V", "voltage", ["L-N", "L-E"]),
        ("Insulation", "MOhm", "insulation_resistance", ["L-E", "N-E"]),
        ("Loop", "Ohm", "earth_fault_loop_impedance", ["Zs"]),
    ]
    rows = preamble(rng, style)
    start = len(rows)
    repeated = rng.random() < 0.5
    above, below, units = [Cell("")] * 3, [Cell("Label"), Cell("Date"), Cell("Time")], [Cell("")] * 3
    kinds: list[tuple[Kind, str]] = []
    for title, unit, quantity, names in wanted:
        for number, name in enumerate(names):
            above.append(Cell(title if repeated or number == 0 else ""))
            below.append(Cell(name))
            units.append(Cell(style.unit(unit)))
            kinds.append(((quantity, "L-E" if name == "Zs" else name, None, None), unit))
    rows += [above, below, units]
    rows += rows_below_groups(rng, style, kinds, max(3, count // 5))
    return Sheet(rows, style.delimiter, style, head=start)


def two_ends(rng: random.Random, style: Style, count: int) -> Sheet:
    """One reading a row, its two conductors in columns of their own."""
    rows = preamble(rng, style)
    start = len(rows)
    ends = rng.choice([("From", "To"), ("Lead 1", "Lead 2"), ("Conductor 1", "Conductor 2")])
    rows.append(
        [Cell(name, kind="head") for name in ("Record", "Date", "Time", "Label", "Test", *ends, "Result", "Unit")]
    )
    moment = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, 0, 0)
    for number in range(max(4, count // 2)):
        label, pair = rng.choice(words.LABELS), rng.choice([("L", "N"), ("L", "E"), ("N", "PE"), ("Line", "Earth")])
        name, quantity, unit = rng.choice(
            [("Voltage", "voltage", "V"), ("Insulation", "insulation_resistance", "MOhm")]
        )
        conductors = f"{pair[0][0]}-{pair[1][-1] if pair[1] == 'PE' else pair[1][0]}"
        conductors = "L-E" if quantity == "insulation_resistance" and conductors == "L-N" else conductors
        pair = ("L", "E") if conductors == "L-E" else pair
        truth = one_unit(rng, (quantity, conductors, None, None), unit, moment, label, number + 1, style)
        rows.append(
            [Cell(str(number + 1)), *stamps(style, moment), Cell(label, kind="label"), Cell(name), *map(Cell, pair),
             Cell(value_text(rng, truth, style), truth, "value"), Cell(style.unit(unit))]
        )  # fmt: skip
        moment += timedelta(minutes=rng.randint(1, 30))
    return Sheet(rows, style.delimiter, style, head=start)


def with_limits(rng: random.Random, style: Style, count: int) -> Sheet:
    """Sections, and a table of limits or averages before or behind them, whose values are no readings."""
    sheet = sections(rng, style, count)
    title = rng.choice(
        ["Limits", "Averages", "Worst case results", "Maximum values", "Typical values", "Reference values"]
    )
    kind = ("earth_fault_loop_impedance", "L-E", None, None)
    truth = replace(one_unit(rng, kind, "Ohm", datetime(2031, 1, 1), "", None, style), refuse=True)
    heads = [Cell("Test"), Cell("Result"), Cell("Unit")]
    value = Cell(value_text(rng, truth, style), truth, "value")
    table = [[Cell(title)], heads, [Cell("Loop Zs"), value, Cell(style.unit("Ohm"))]]
    if rng.random() < 0.5:
        return replace(sheet, rows=[*sheet.rows, [Cell("")], *table])
    return replace(sheet, rows=[*table, [Cell("")], *sheet.rows], head=sheet.head + 4)


def crossed(rng: random.Random, style: Style, count: int) -> Sheet:
    """A row names the quantity, columns name the conductors, with a unit column."""
    rows = preamble(rng, style)
    start = len(rows)
    pairs = ["L-N", "L-E", "N-E"]
    rows.append([Cell(name, kind="head") for name in ("Record", "Date", "Time", "Label", "Test", *pairs, "Unit")])
    moment = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, 0, 0)
    for number in range(max(3, count // 4)):
        label = rng.choice(words.LABELS)
        name, quantity, unit = rng.choice(
            [("Voltage", "voltage", "V"), ("Insulation", "insulation_resistance", "MOhm")]
        )
        row = [Cell(str(number + 1)), *stamps(style, moment), Cell(label, kind="label"), Cell(name)]
        for pair in pairs:
            truth = one_unit(rng, (quantity, pair, None, None), unit, moment, label, number + 1, style)
            row.append(Cell(value_text(rng, truth, style), truth, "value"))
        rows.append([*row, Cell(style.unit(unit))])
        moment += timedelta(minutes=rng.randint(1, 30))
    return Sheet(rows, style.delimiter, style, head=start)


def unit_columns(rng: random.Random, style: Style, count: int) -> Sheet:
    """A unit column beside each test."""
    kinds = rng.sample([kind for kind in words.NAMES if kind[0] in UNIT_KEYS], rng.randint(2, 5))
    rows = preamble(rng, style)
    start = len(rows)
    heads = [Cell("Appliance", kind="head"), Cell("Date", kind="head"), Cell("Time", kind="head")]
    for kind in kinds:
        heads += [Cell(rng.choice(words.NAMES[kind]), kind="head"), Cell("Unit", kind="head")]
    rows.append(heads)
    moment = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, 0, 0)
    for _ in range(max(3, count // 5)):
        label = rng.choice(words.LABELS)
        row = [Cell(label, kind="label"), *stamps(style, moment)]
        for kind in kinds:
            truth = make_truth(rng, kind, moment, label, None, style)
            row += [Cell(value_text(rng, truth, style), truth, "value"), Cell(style.unit(truth.unit))]
        rows.append(row)
        moment += timedelta(minutes=rng.randint(1, 30))
    return Sheet(rows, style.delimiter, style, head=start)


def blocks(rng: random.Random, style: Style, count: int) -> Sheet:
    """One block of lines a record, ``key: value``; the truth of a block stands on its first line."""
    keys = [*(["Record"] if style.memory else []), "Date", "Time", "Label", "Test", "Result"]
    mark = rng.choice([": ", " = ", ": "])
    lines: list[list[Cell]] = []
    if style.serial:
        lines += [[Cell(f"Meter serial{mark}{style.serial}")], [Cell("")]]
    if style.zone:
        lines = (
            [[Cell(f"Time zone{mark}{style.zone}")], *lines]
            if lines
            else [[Cell(f"Time zone{mark}{style.zone}")], [Cell("")]]
        )
    for kind, truth in make_session(rng, max(4, count // 3), style):
        text = value_text(rng, truth, style)
        if truth.unit and truth.shown is not None:
            text = f"{text} {style.unit(truth.unit)}"
        cells = {"Record": str(truth.memory), "Date": style.date(truth.local), "Time": style.time(truth.local),
                 "Label": truth.label or "", "Test": rng.choice(words.NAMES[kind]), "Result": text}  # fmt: skip
        lines += [[Cell(f"{key}{mark}{cells[key]}", truth if key == "Result" else None, "block")] for key in keys]
        lines.append([Cell(rng.choice(["", "----------"]))])
    return Sheet(lines, "\x01", style)


def fixed_columns(rng: random.Random, style: Style, count: int) -> Sheet:
    """Text in columns, set apart by blanks."""
    names = ["Record", "Date", "Time", "Test", "Result", "Unit", "Label"]
    table: list[tuple[list[str], Truth | None]] = [(names, None)]
    for number, (kind, truth) in enumerate(make_session(rng, count, style), start=1):
        truth = replace(truth, memory=number)
        table.append((
            [str(number), style.date(truth.local), style.time(truth.local), rng.choice(words.NAMES[kind]),
             value_text(rng, truth, style).replace("> ", ">"), style.unit(truth.unit), truth.label or ""], truth,
        ))  # fmt: skip
    widths = [max(len(row[at]) for row, _ in table) + 2 for at in range(len(names))]
    rows = [[Cell(f"Meter serial: {style.serial}")]] if style.serial else []
    rows += [[Cell(f"Time zone: {style.zone}")]] if style.zone else []
    rows.append([Cell("")])
    for row, truth in table:
        line = "".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        rows.append([Cell(line, truth, "fixed")])
    return Sheet(rows, "\x01", style)


SHAPES: dict[str, Callable[[random.Random, Style, int], Sheet]] = {
    "sections": sections,
    "table on its side": on_its_side,
    "units above": units_above,
    "groups": groups,
    "groups in three rows": groups_in_three_rows,
    "two ends": two_ends,
    "with limits": with_limits,
    "crossed": crossed,
    "unit columns": unit_columns,
    "blocks": blocks,
    "fixed columns": fixed_columns,
}
