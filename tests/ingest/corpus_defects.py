"""Defects of invented exports: each changes a sheet, or the bytes of a file, and says what becomes of the truth."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime

from tests.ingest import corpus_words as words
from tests.ingest.corpus import Cell, Sheet, packed, zipped

SheetDefect = Callable[[random.Random, Sheet], bool]
ByteDefect = Callable[[random.Random, bytes], bytes]


def values(sheet: Sheet) -> list[Cell]:
    return [cell for row in sheet.rows for cell in row if cell.truth and not cell.truth.absent]


def numbers(sheet: Sheet) -> list[Cell]:
    return [
        cell
        for cell in values(sheet)
        if cell.truth.shown is not None and not cell.truth.refuse and cell.truth.comparator == "eq"
        and cell.text.replace(",", ".").split(" ")[0] == cell.truth.shown
    ]  # fmt: skip


def data_rows(sheet: Sheet) -> list[int]:
    return [at for at, row in enumerate(sheet.rows) if any(cell.truth for cell in row)]


def blank_lines(rng: random.Random, sheet: Sheet) -> bool:
    for at in sorted(rng.sample(data_rows(sheet), 2), reverse=True):
        sheet.rows.insert(at, [Cell("")])
    return True


def repeated_headings(rng: random.Random, sheet: Sheet) -> bool:
    at = rng.choice(data_rows(sheet)[1:])
    sheet.rows.insert(at, [Cell(cell.text) for cell in sheet.rows[sheet.head]])
    return True


def statistics(rng: random.Random, sheet: Sheet) -> bool:
    last = sheet.rows[data_rows(sheet)[-1]]
    row = [Cell(cell.text if cell.kind == "value" and cell.truth and cell.truth.shown else "") for cell in last]
    place = next((at for at, cell in enumerate(last) if cell.kind in ("label", "memory", "test")), 0)
    row[place if rng.random() < 0.5 else 0] = Cell(rng.choice(words.STATISTICS))
    sheet.rows.append(row)
    return True


def dated_statistics(rng: random.Random, sheet: Sheet) -> bool:
    """A line of averages or worst cases that has the date of the day, and neither a number nor a time."""
    last = sheet.rows[data_rows(sheet)[-1]]
    if not any(cell.kind == "date" for cell in last) or not any(cell.kind == "time" for cell in last):
        return False
    row = [Cell(cell.text if cell.kind == "date" or (cell.truth and cell.truth.shown) else "") for cell in last]
    row[next(at for at, cell in enumerate(last) if cell.kind in ("label", "memory"))] = Cell(
        rng.choice(words.STATISTICS)
    )
    sheet.rows.append(row)
    return True


def shifted_label(rng: random.Random, sheet: Sheet) -> bool:
    """A separator inside a label that was not quoted, in a wide table whose last cell is not written."""
    rows = [sheet.rows[at] for at in data_rows(sheet)[:-1]]
    rows = [row for row in rows if sum(1 for cell in row if cell.truth) > 2 and row[-1].truth]
    rows = [row for row in rows if any(cell.kind == "label" for cell in row[:-1])]
    if not rows:
        return False
    row = rng.choice(rows)
    at = next(at for at, cell in enumerate(row) if cell.kind == "label")
    row[at : at + 1] = [Cell("Boiler"), Cell("kitchen")]
    del row[-1]
    for cell in row:
        if cell.truth:
            cell.truth.refuse = cell.truth.refuse or not cell.truth.absent
    return True


def bound_elsewhere(rng: random.Random, sheet: Sheet) -> bool:
    """A column of another name that makes a value of its row a bound, or says that it is no reading."""
    rows = [sheet.rows[at] for at in data_rows(sheet)]
    if not any(cell.kind == "test" for cell in rows[0]):
        return False
    name = rng.choice(["Mod", "Info", "Exceeded", "Basis", "Limit flag", "Qualifier", "Kind"])
    word = rng.choice(["OL", "over", ">>>", "X", "*"] if name in ("Exceeded", "Limit flag", "Qualifier") else
                      ["Average", "over", "more than", "+", "Nominal", "Worst case"])  # fmt: skip
    sheet.rows[sheet.head].append(Cell(name))
    chosen = rng.sample(range(len(rows)), 2)
    for at, row in enumerate(rows):
        row.append(Cell(word if at in chosen else ""))
        for cell in row:
            if cell.truth and at in chosen:
                cell.truth.refuse = True
    return True


def footer(rng: random.Random, sheet: Sheet) -> bool:
    text = rng.choice(words.FURNITURE).format(n=len(data_rows(sheet)))
    sheet.rows.append([Cell(text)])
    return True


def comments(rng: random.Random, sheet: Sheet) -> bool:
    at = rng.choice(data_rows(sheet))
    sheet.rows.insert(at, [Cell(rng.choice(["# checked by hand", "// see notes", "# ---"]))])
    return True


def trailing_separators(rng: random.Random, sheet: Sheet) -> bool:
    for row in sheet.rows[sheet.head :]:
        row.append(Cell(""))
    return True


def replaced(text_of: Callable[[random.Random, str], str], *, refuse: bool = True) -> SheetDefect:
    def apply(rng: random.Random, sheet: Sheet) -> bool:
        found = numbers(sheet)
        if not found:
            return False
        wide = not any(cell.kind == "test" for row in sheet.rows for cell in row)
        for cell in rng.sample(found, min(2, len(found))):
            cell.text = text_of(rng, cell.text)
            cell.truth.refuse = refuse
            doubtful = cell.text == "N/T" and cell.truth.quantity == "rcd_trip_time"
            if wide and cell.text in ("---", "N/T", "not measured") and not doubtful:
                cell.truth.refuse, cell.truth.absent = False, True
        return True

    return apply


def optional(text_of: Callable[[random.Random, str], str]) -> SheetDefect:
    """A spelling that may be read or refused: a reading, if there is one, has to be right."""

    def apply(rng: random.Random, sheet: Sheet) -> bool:
        found = numbers(sheet)
        for cell in rng.sample(found, min(3, len(found))):
            cell.text = text_of(rng, cell.text)
            cell.truth.optional = True
        return bool(found)

    return apply


def letter_for_point(rng: random.Random, text: str) -> str:
    return text.replace(",", "R", 1).replace(".", "R", 1)


def other_unit(rng: random.Random, sheet: Sheet) -> bool:
    """A unit in the cell that contradicts heading or unit column."""
    found = [cell for cell in numbers(sheet) if cell.text == sheet.style.number(cell.truth.shown)]
    for cell in rng.sample(found, min(2, len(found))):
        cell.text = f"{cell.text} {'kΩ' if words.SI[cell.truth.unit] != 'Ohm' else 'V'}"
        cell.truth.refuse = True
    return bool(found)


def lesser(rng: random.Random, sheet: Sheet) -> bool:
    found = numbers(sheet)
    for cell in rng.sample(found, min(2, len(found))):
        cell.text = rng.choice(["<", "< "]) + cell.text
        cell.truth.comparator = "lt"
    return bool(found)


def full_width(rng: random.Random, sheet: Sheet) -> bool:
    found = numbers(sheet)
    for cell in found[:3]:
        cell.text = "".join(chr(ord(mark) + 0xFEE0) if mark.isdigit() or mark == "." else mark for mark in cell.text)
    return bool(found)


def blanks_around(rng: random.Random, sheet: Sheet) -> bool:
    for row in sheet.rows[sheet.head :]:
        for cell in row:
            cell.text = (
                rng.choice([" {} ", "\u00a0{}", "{}  "]).format(cell.text)
                if cell.text and cell.kind != "head"
                else cell.text
            )
    return True


def ragged_long(rng: random.Random, sheet: Sheet) -> bool:
    row = sheet.rows[rng.choice(data_rows(sheet)[:-1])]
    at = next((at for at, cell in enumerate(row) if cell.truth), None)
    if at is None or at < 2:
        return False
    row.insert(1, Cell("x"))
    row.insert(1, Cell("y"))
    for cell in row:
        if cell.truth:
            cell.truth.refuse = True
    return True


def ragged_short(rng: random.Random, sheet: Sheet) -> bool:
    row = sheet.rows[rng.choice(data_rows(sheet)[:-1])]
    if row[0].truth or len(row) < 5:
        return False
    del row[1]
    for cell in row:
        if cell.truth:
            cell.truth.refuse = True
    return True


def wrong_date(rng: random.Random, sheet: Sheet) -> bool:
    at = rng.choice(data_rows(sheet))
    row = sheet.rows[at]
    for cell in row:
        if cell.kind == "date":
            cell.text = {
                "iso": "2031-02-30",
                "dmy": "31/04/2031",
                "dot": "30.02.2031",
                "mdy": "02/30/2031",
                "named": "31 Apr 2031",
                "short": "31/04/31",
            }[sheet.style.order]
        if cell.kind == "moment":
            return False
    touched = False
    for cell in row:
        if cell.truth:
            cell.truth.taken_at = None
            touched = True
    return touched and any(cell.kind == "date" for cell in row)


def clock_change(rng: random.Random, sheet: Sheet) -> bool:
    if sheet.style.zone == "UTC":
        return False
    row = sheet.rows[rng.choice(data_rows(sheet))]
    local = rng.choice([datetime(2031, 3, 30, 1, 30), datetime(2031, 10, 26, 1, 30)])
    for cell in row:
        if cell.kind == "date":
            cell.text = sheet.style.date(local)
        elif cell.kind == "time":
            cell.text = sheet.style.time(local)
        elif cell.kind == "moment":
            cell.text = f"{sheet.style.date(local)} {sheet.style.time(local)}"
        if cell.truth:
            cell.truth.taken_at = None
    return True


def reset_clock(rng: random.Random, sheet: Sheet) -> bool:
    local = rng.choice([datetime(2000, 1, 1, 0, 12), datetime(1970, 1, 1, 0, 3)])
    if sheet.style.order == "short":
        return False
    row = sheet.rows[rng.choice(data_rows(sheet))]
    for cell in row:
        if cell.kind == "date":
            cell.text = sheet.style.date(local)
        elif cell.kind == "time":
            cell.text = sheet.style.time(local)
        elif cell.kind == "moment":
            cell.text = f"{sheet.style.date(local)} {sheet.style.time(local)}"
        if cell.truth:
            cell.truth.taken_at = None
    return True


def no_year_order(rng: random.Random, sheet: Sheet) -> bool:
    """All days up to 12: nothing settles the order."""
    if sheet.style.order not in ("dmy", "mdy", "short"):
        return False
    for row in sheet.rows:
        truth = next((cell.truth for cell in row if cell.truth), None)
        if truth is None:
            continue
        local = truth.local.replace(
            day=(truth.local.day % 9) + 3 if (truth.local.day % 9) + 3 != truth.local.month else 2
        )
        if local.day == local.month:
            local = local.replace(day=1 if local.month != 1 else 2)
        for cell in row:
            if cell.kind == "date":
                cell.text = sheet.style.date(local)
            elif cell.kind == "moment":
                cell.text = f"{sheet.style.date(local)} {sheet.style.time(local)}"
            if cell.truth:
                cell.truth.taken_at = None
    return True


def label_in_quotes(rng: random.Random, sheet: Sheet) -> bool:
    rows = [row for row in sheet.rows if any(cell.truth for cell in row) and any(cell.kind == "label" for cell in row)]
    if not rows:
        return False
    row = rng.choice(rows)
    name = rng.choice([f'Boiler "A"{sheet.delimiter} loft', f"Boiler{sheet.delimiter} left"])
    for cell in row:
        if cell.kind == "label":
            cell.text = name
        if cell.truth:
            cell.truth.label = " ".join(name.split())
    return True


def unknown_test(rng: random.Random, sheet: Sheet) -> bool:
    rows = [row for row in sheet.rows if any(cell.kind == "test" for cell in row)]
    if not rows:
        return False
    row = rng.choice(rows)
    for cell in row:
        if cell.kind == "test":
            cell.text = rng.choice(["Widget", "Phase angle", "PFC", "Frequency", "Aux 3"])
        if cell.truth:
            cell.truth.refuse = True
    return True


def unknown_unit(rng: random.Random, sheet: Sheet) -> bool:
    rows = [
        row
        for row in sheet.rows
        if any(cell.kind == "unit" and cell.text.strip() for cell in row)
        and any(cell.truth and cell.truth.shown for cell in row)
    ]
    if not rows:
        return False
    row = rng.choice(rows)
    for cell in row:
        if cell.kind == "unit":
            cell.text = rng.choice(["furlong", "", "kg", "Hz"])
        if cell.truth:
            cell.truth.refuse = True
    return True


def plain_voltage(rng: random.Random, sheet: Sheet) -> bool:
    rows = [
        row
        for row in sheet.rows
        if any(cell.kind == "test" for cell in row)
        and any(cell.truth and cell.truth.quantity == "voltage" for cell in row)
    ]
    rows = [row for row in rows if not any(cell.kind == "pair" for cell in row)]
    if not rows:
        return False
    row = rng.choice(rows)
    for cell in row:
        if cell.kind == "test":
            unit = (
                cell.text[cell.text.find(" (") :]
                if cell.text.endswith(")") and sheet.style.unit("V") in cell.text
                else ""
            )
            cell.text = rng.choice(["Voltage", "Supply voltage", "Mains volts"]) + unit
        if cell.truth:
            cell.truth.refuse = True
    return True


def thousands(rng: random.Random, sheet: Sheet) -> bool:
    found = [
        cell
        for cell in numbers(sheet)
        if cell.truth.quantity == "insulation_resistance" and cell.truth.unit in ("kOhm",)
    ]
    others = [cell for cell in numbers(sheet) if len(cell.truth.shown.partition(".")[2]) in (1, 2)]
    if not found or not others:
        return False
    for cell in found:
        cell.truth.shown = str(1000 + int(cell.truth.shown))
        whole = cell.truth.shown
        rest = cell.text.partition(" ")
        cell.text = f"{whole[0]}{'.' if sheet.style.comma else ','}{whole[1:]}" + (f" {rest[2]}" if rest[2] else "")
    return True


SHEET_DEFECTS: dict[str, SheetDefect] = {
    "blank lines": blank_lines,
    "repeated headings": repeated_headings,
    "statistics row": statistics,
    "statistics with a date": dated_statistics,
    "label that moves its row": shifted_label,
    "bound in a column of another name": bound_elsewhere,
    "footer": footer,
    "comment lines": comments,
    "trailing separators": trailing_separators,
    "error mark": replaced(lambda rng, text: rng.choice(["#N/A", "Err 3", "#####", "ERROR", "?"])),
    "verdict for value": replaced(lambda rng, text: rng.choice(["PASS", "FAIL", "LIM"])),
    "not measured": replaced(lambda rng, text: rng.choice(["---", "N/T", "not measured"])),
    "date for value": replaced(lambda rng, text: rng.choice(["Mar-35", "02-May", "01/02/2031"])),
    "negative": replaced(lambda rng, text: rng.choice(["-", "\u2212"]) + text),
    "two numbers": replaced(lambda rng, text: f"{text}/{text}"),
    "letter in number": replaced(lambda rng, text: "O" + text),
    "huge": replaced(lambda rng, text: "99999999999999999"),
    "less than": lesser,
    "full-width digits": full_width,
    "blanks around": blanks_around,
    "too many cells": ragged_long,
    "too few cells": ragged_short,
    "impossible date": wrong_date,
    "clock change": clock_change,
    "reset clock": reset_clock,
    "undecided dates": no_year_order,
    "separator in label": label_in_quotes,
    "unknown test": unknown_test,
    "unknown unit": unknown_unit,
    "voltage without pair": plain_voltage,
    "thousands": thousands,
    "flag behind the number": optional(lambda rng, text: text + rng.choice(["*", " !", "†", " P", " (P)"])),
    "middle dot": optional(lambda rng, text: text.replace(".", "·").replace(",", "·")),
    "letter for the point": optional(letter_for_point),
    "zero-width mark": optional(lambda rng, text: f"\u200b{text}"),
    "guard of a spreadsheet": optional(lambda rng, text: f"'{text}"),
    "plus sign": optional(lambda rng, text: f"+{text}"),
    "leading zeros": optional(lambda rng, text: f"00{text}"),
    "unit that contradicts": other_unit,
}
BYTE_DEFECTS: dict[str, ByteDefect] = {
    "UTF-8 with mark": lambda rng, text: b"\xef\xbb\xbf" + text,
    "UTF-16 LE with mark": lambda rng, text: b"\xff\xfe" + text.decode().encode("utf-16-le"),
    "UTF-16 BE with mark": lambda rng, text: b"\xfe\xff" + text.decode().encode("utf-16-be"),
    "UTF-16 LE without mark": lambda rng, text: text.decode().encode("utf-16-le"),
    "CR LF": lambda rng, text: text.replace(b"\n", b"\r\n"),
    "CR": lambda rng, text: text.replace(b"\n", b"\r"),
    "mixed line ends": lambda rng, text: b"".join(
        line + rng.choice([b"\n", b"\r\n"]) for line in text.split(b"\n")[:-1]
    ),
    "no last line end": lambda rng, text: text.rstrip(b"\n"),
    "NULs at the end": lambda rng, text: text + b"\x00" * 300,
    "gzip": lambda rng, text: packed(text),
    "zip": lambda rng, text: zipped(text),
    "plain": lambda rng, text: text,
}
