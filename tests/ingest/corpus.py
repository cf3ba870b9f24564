"""Invented exports with their truth: layouts, dialects, defects, all from one seed.

A file is made of a session (what a meter stored), a layout (rows of cells, with the truth of each value cell) and
defects (each changes cells, rows or bytes, and says what becomes of the truth). Nothing of the reader is used here.
"""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from tests.ingest import corpus_words as words

LONDON = ZoneInfo("Europe/London")


@dataclass
class Truth:
    """What one value cell says. ``refuse``: no reading may come of it. ``optional``: a reading must be right, a refusal
    is right as well.
    """

    quantity: str
    conductors: str | None
    shown: str | None
    unit: str
    comparator: str
    indication: str | None
    local: datetime | None
    taken_at: datetime | None
    label: str | None
    memory: int | None
    serial: str | None
    over_range: bool = False
    refuse: bool = False
    optional: bool = False
    absent: bool = False

    @property
    def value(self) -> float | None:
        if self.shown is None:
            return None
        return float(Decimal(self.shown).scaleb(words.FACTORS[self.unit]))


@dataclass
class Cell:
    text: str
    truth: Truth | None = None
    kind: str = ""


@dataclass
class Sheet:
    """Rows of cells; ``heads`` are heading rows, ``above`` preamble lines."""

    rows: list[list[Cell]]
    delimiter: str
    style: Style
    head: int = 0
    lines: list[str] | None = None


@dataclass
class Style:
    rng: random.Random
    delimiter: str
    comma: bool
    order: str
    clock: str
    serial: str
    zone: str | None
    unit_style: int
    memory: bool
    quoted: bool = False

    def number(self, text: str) -> str:
        return text.replace(".", ",") if self.comma else text

    def unit(self, unit: str) -> str:
        options = words.UNITS[unit]
        return options[self.unit_style % len(options)]

    def date(self, day: datetime) -> str:
        return day.strftime({"iso": "%Y-%m-%d", "dmy": "%d/%m/%Y", "dot": "%d.%m.%Y", "mdy": "%m/%d/%Y",
                             "named": "%d %b %Y", "short": "%d/%m/%y"}[self.order])  # fmt: skip

    def time(self, day: datetime) -> str:
        return day.strftime({"hms": "%H:%M:%S", "hm": "%H:%M", "ampm": "%I:%M %p", "compact": "%H%M%S"}[self.clock])


def make_session(
    rng: random.Random, count: int, style: Style
) -> list[tuple[tuple[str, str | None, int | None, float | None], Truth]]:
    moment = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 8, rng.randint(0, 59), rng.randint(0, 59))
    if style.clock == "hm" or style.clock == "ampm":
        moment = moment.replace(second=0)
    found = []
    label = rng.choice(words.LABELS)
    for number in range(count):
        if rng.random() < 0.25:
            label = rng.choice(words.LABELS)
        kind = rng.choice(list(words.NAMES))
        found.append((kind, make_truth(rng, kind, moment, label, number + 1 if style.memory else None, style)))
        moment += timedelta(
            seconds=rng.choice([60, 120, 180, 1260]) if style.clock in ("hm", "ampm") else rng.randint(20, 400)
        )
    return found


def make_truth(
    rng: random.Random, kind: tuple[str, str | None, int | None, float | None], moment: datetime, label: str | None,
    memory: int | None, style: Style,
) -> Truth:  # fmt: skip
    quantity, conductors, _, _ = kind
    zone = {None: LONDON, "UTC": UTC}.get(style.zone) or ZoneInfo(style.zone or "")
    truth = Truth(quantity=quantity, conductors=conductors, shown=None, unit="", comparator="eq", indication=None,
                  local=moment, taken_at=moment.replace(tzinfo=zone).astimezone(UTC), label=label, memory=memory,
                  serial=style.serial or None)  # fmt: skip
    pick = rng.random()
    if quantity == "voltage":
        truth.unit, truth.shown = (
            "V",
            f"{rng.uniform(0, 250):.1f}" if conductors != "N-E" else f"{rng.uniform(0, 9):.1f}",
        )
    elif quantity in ("earth_fault_loop_impedance", "line_neutral_loop_impedance"):
        truth.unit, truth.shown = "Ohm", f"{rng.choice([rng.uniform(0.05, 3), rng.uniform(3, 90)]):.2f}"
    elif quantity == "continuity_resistance":
        truth.unit, truth.shown = (
            ("mOhm", f"{rng.uniform(20, 900):.0f}") if pick < 0.3 else ("Ohm", f"{rng.uniform(0.01, 2):.2f}")
        )
    elif quantity == "insulation_resistance":
        if pick < 0.35:
            truth.unit, truth.shown, truth.comparator = "MOhm", rng.choice(["200", "999", "299.9"]), "gt"
        elif pick < 0.4:
            truth.unit, truth.over_range = "MOhm", True
        else:
            truth.unit, truth.shown = rng.choice(
                [("MOhm", f"{rng.uniform(0.1, 190):.2f}"), ("kOhm", f"{rng.uniform(20, 990):.0f}")]
            )
    elif quantity == "rcd_trip_time":
        truth.unit, truth.shown = "ms", f"{rng.uniform(8, 290):.1f}" if pick < 0.6 else f"{rng.uniform(8, 290):.0f}"
        if pick > 0.92:
            truth.shown, truth.comparator = "300", "gt"
    elif quantity == "current":
        truth.unit, truth.shown = (
            ("A", f"{rng.uniform(0.1, 12):.2f}") if pick < 0.7 else ("mA", f"{rng.uniform(5, 900):.0f}")
        )
    else:
        options = [meaning for name, meaning in words.WORDS if name == quantity]
        truth.indication = rng.choice(options)
    return truth


def value_text(rng: random.Random, truth: Truth, style: Style) -> str:
    if truth.indication:
        return rng.choice(words.WORDS[(truth.quantity, truth.indication)])
    if truth.over_range:
        return rng.choice(["OL", "O.L", ">OL", "+∞", "OR"][:2])
    sign = {"eq": "", "gt": rng.choice([">", "> ", "≥"][:2]), "lt": "<"}[truth.comparator]
    return sign + style.number(truth.shown or "")


Kind = tuple[str, "str | None", "int | None", "float | None"]


def name_of(rng: random.Random, kind: Kind) -> str:
    return rng.choice(words.NAMES[kind])


def head(rng: random.Random, role: str) -> str:
    return rng.choice(words.HEADINGS[role])


def preamble(rng: random.Random, style: Style, *, width: int = 1) -> list[list[Cell]]:
    rows = []
    if rng.random() < 0.6:
        rows.append(["Site", rng.choice(["3 Millrace Lane", "The Old Dairy", "Gull Cottage"])])
    if style.serial:
        rows.append([rng.choice(words.PREAMBLE_SERIAL), style.serial])
    if style.zone:
        rows.append([rng.choice(["Time zone", "Zone", "TZ"]), style.zone])
    rng.shuffle(rows)
    together = rng.random() < 0.5
    cells = [[Cell(f"{key}: {value}")] if together else [Cell(key), Cell(value)] for key, value in rows]
    if cells and rng.random() < 0.5:
        cells.append([Cell("")])
    return cells


def long_sheet(rng: random.Random, style: Style, count: int, form: str) -> Sheet:
    session = make_session(rng, count, style)
    columns = ["memory"] * style.memory + (["moment"] if rng.random() < 0.4 else ["date", "time"])
    columns += ["label", "test"]
    if form == "pair":
        columns.append("pair")
    if form == "comparator":
        columns.append("comparator")
    columns.append("value")
    if form not in ("unit in cell", "unit in name"):
        columns.append("unit")
    if rng.random() < 0.4:
        columns.append("verdict")
    if rng.random() < 0.3:
        columns.append("other")
    if rng.random() < 0.5:
        columns.remove("label")
        columns.append("label")
    names = {column: head(rng, column) for column in columns}
    spelled = {kind: name_of(rng, kind) for kind in words.NAMES}
    rows = preamble(rng, style)
    start = len(rows)
    rows.append([Cell(names[column], kind="head") for column in columns])
    for kind, truth in session:
        truth = replace(truth)
        name = spelled[kind]
        if form == "pair" and kind[0] == "voltage":
            name = "Voltage"
        if form == "unit in name" and truth.unit and not truth.indication:
            name = f"{name} ({style.unit(truth.unit)})"
        text = value_text(rng, truth, style)
        sign = ""
        if form == "comparator" and truth.shown is not None:
            sign, text = {"eq": "", "gt": ">", "lt": "<"}[truth.comparator], style.number(truth.shown)
        if form == "unit in cell" and truth.unit and truth.shown is not None:
            text = f"{text} {style.unit(truth.unit)}"
        cells = {
            "memory": str(truth.memory), "date": style.date(truth.local), "time": style.time(truth.local),
            "moment": f"{style.date(truth.local)} {style.time(truth.local)}", "label": truth.label or "", "test": name,
            "pair": kind[1] or "" if kind[0] in ("voltage",) else "", "comparator": sign, "value": text,
            "unit": style.unit(truth.unit), "verdict": rng.choice(["PASS", "OK", "-"]),
            "other": rng.choice(["", "x", "note"]),
        }  # fmt: skip
        if names.get("other") in ("Limit", "Temp (°C)", "Max Zs (Ω)", "PFC (kA)", "Battery"):
            cells["other"] = str(rng.randint(1, 99))
        rows.append([Cell(cells[column], truth if column == "value" else None, column) for column in columns])
    return Sheet(rows, style.delimiter, style, head=start)


def wide_sheet(rng: random.Random, style: Style, count: int, form: str) -> Sheet:
    kinds = rng.sample(list(words.NAMES), rng.randint(3, 8))
    first = [*(["memory"] if style.memory else []), "label", *(["moment"] if rng.random() < 0.4 else ["date", "time"])]
    names = {kind: name_of(rng, kind) for kind in kinds}
    units = {}
    for kind in kinds:
        units[kind] = make_truth(rng, kind, datetime(2031, 1, 1), None, None, style).unit
    rows = preamble(rng, style)
    start = len(rows)
    heads = [Cell(head(rng, column), kind="head") for column in first]
    for kind in kinds:
        unit = style.unit(units[kind]) if units[kind] else ""
        text = names[kind]
        if unit and form == "units in headings":
            text = rng.choice(
                [f"{text} ({unit})", f"{text} [{unit}]", f"{text} {unit}", f"{text} / {unit}"][
                    : 2 if "5" in text else 4
                ]
            )
        heads.append(Cell(text, kind="head"))
    rows.append(heads)
    if form == "units row":
        rows.append(
            [Cell("", kind="units") for _ in first] + [Cell(style.unit(units[kind]), kind="units") for kind in kinds]
        )
    moment = datetime(2031, rng.randint(1, 12), rng.randint(13, 28), 9, rng.randint(0, 59), 0)
    for number in range(count):
        label = rng.choice(words.LABELS)
        cells = {
            "memory": str(number + 1), "label": label, "date": style.date(moment), "time": style.time(moment),
            "moment": f"{style.date(moment)} {style.time(moment)}",
        }  # fmt: skip
        row = [Cell(cells[column], kind=column) for column in first]
        for kind in kinds:
            truth = make_truth(rng, kind, moment, label, number + 1 if style.memory else None, style)
            while truth.unit != units[kind]:
                truth = make_truth(rng, kind, moment, label, number + 1 if style.memory else None, style)
            if rng.random() < 0.12:
                row.append(
                    Cell(
                        rng.choice(["", "", "---", "N/A", "n/t"]) if kind[0] != "rcd_trip_time" else "",
                        replace(truth, absent=True),
                        "value",
                    )
                )
                continue
            text = value_text(rng, truth, style)
            if form == "units in cells" and truth.unit and truth.shown is not None:
                text = f"{text} {style.unit(truth.unit)}"
            row.append(Cell(text, truth, "value"))
        rows.append(row)
        moment += timedelta(minutes=rng.randint(1, 40))
    return Sheet(rows, style.delimiter, style, head=start)


LAYOUTS: dict[str, Callable[[random.Random, Style, int], Sheet]] = {
    "long": lambda rng, style, count: long_sheet(rng, style, count, "plain"),
    "long, unit in cell": lambda rng, style, count: long_sheet(rng, style, count, "unit in cell"),
    "long, unit in name": lambda rng, style, count: long_sheet(rng, style, count, "unit in name"),
    "long, pair column": lambda rng, style, count: long_sheet(rng, style, count, "pair"),
    "long, comparator column": lambda rng, style, count: long_sheet(rng, style, count, "comparator"),
    "wide, units in headings": lambda rng, style, count: wide_sheet(
        rng, style, max(3, count // 4), "units in headings"
    ),
    "wide, units row": lambda rng, style, count: wide_sheet(rng, style, max(3, count // 4), "units row"),
    "wide, units in cells": lambda rng, style, count: wide_sheet(rng, style, max(3, count // 4), "units in cells"),
}


def make_style(rng: random.Random) -> Style:
    delimiter = rng.choice([",", ";", ";", "\t", "|"])
    return Style(
        rng=rng, delimiter=delimiter, comma=delimiter in ";\t|" and rng.random() < 0.45,
        order=rng.choice(["iso", "iso", "dmy", "dot", "mdy", "named", "short"]),
        clock=rng.choice(["hms", "hms", "hm", "ampm"]), serial=rng.choice(["MF-2207", "00417", "", "10482233"]),
        zone=rng.choice([None, None, "UTC", "Europe/London"]), unit_style=rng.randint(0, 11),
        memory=rng.random() < 0.7, quoted=rng.random() < 0.2,
    )  # fmt: skip


def quote(text: str, delimiter: str, always: bool) -> str:
    if always or delimiter in text or '"' in text or "\n" in text:
        return '"' + text.replace('"', '""') + '"'
    return text


@dataclass
class Made:
    """A finished file: its bytes, its truth by (line, column), and how it was made."""

    name: str
    content: bytes
    truths: list[tuple[int, int, str, Truth]]
    layout: str
    defects: list[str] = field(default_factory=list)


def render(sheet: Sheet) -> tuple[list[str], list[tuple[int, int, str, Truth]]]:
    lines, truths = [], []
    line = 1
    for row in sheet.rows:
        text = sheet.delimiter.join(
            quote(cell.text, sheet.delimiter, sheet.style.quoted and cell.kind != "") for cell in row
        )
        for column, cell in enumerate(row, start=1):
            if cell.truth is not None:
                truths.append((line, column, cell.text, cell.truth))
        lines.append(text)
        line += 1 + text.count("\n")
    return lines, truths


def zipped(content: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("export.csv", content)
    return buffer.getvalue()


def packed(content: bytes) -> bytes:
    return gzip.compress(content, mtime=0)
