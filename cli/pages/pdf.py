"""A certificate as PDF: the same texts as its HTML page, in the same order, on A4."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

from cli.pages.drawn import COLOURS, SOFT, draw_shape
from cli.pages.sheet import INK, LEFT, WIDTH, Cell, Part, Sheet, printable
from cli.pages.view import CertificateView, CheckLine, FindingLine, ReadingLine

CHECK_WIDTHS_MM: Final = (38.0, 28.0, 40.0, 25.0, 49.0)
READING_WIDTHS_MM: Final = (9.0, 35.0, 23.0, 31.0, 28.0, 29.0, 25.0)
FACT_COLUMNS: Final = 4


def draw_certificate(view: CertificateView, made_at: str) -> bytes:
    """The PDF of one certificate. ``made_at`` (ISO 8601, UTC) is written as its date, so that the bytes depend on the
    record alone.
    """
    sheet = Sheet(f"{view.certificate_id} · {view.made_by}")
    sheet.set_creation_date(datetime.fromisoformat(made_at).astimezone(UTC))
    sheet.set_lang("en-GB")
    sheet.set_title(printable(f"{view.certificate_id}: {view.outcome}"))
    sheet.set_producer("provebook")
    draw_head(sheet, view)
    draw_dangers(sheet, view.dangers)
    draw_facts(sheet, view.facts)
    draw_findings(sheet, view)
    draw_checks(sheet, view.checks)
    draw_readings(sheet, view)
    draw_pairs(sheet, "Stated by a person", view.statements)
    draw_pairs(sheet, "Decided by a person", view.decisions)
    draw_pairs(sheet, "Meters and clocks", view.meters)
    draw_pairs(sheet, "Evidence (SHA-256)", view.evidence)
    draw_sentences(sheet, "What these readings cannot show", view.not_shown)
    draw_sentences(sheet, "Cautions", view.cautions)
    draw_signing(sheet)
    return bytes(sheet.output())


def draw_head(sheet: Sheet, view: CertificateView) -> None:
    """Name, outcome with its shape, and what it is about."""
    sheet.write_style(8.5)
    sheet.cell(WIDTH / 2, 5, "Electrical test certificate")
    sheet.write_style(8.5, bold=True)
    number = sheet.fitted(printable(view.certificate_id), WIDTH / 2)
    sheet.cell(WIDTH / 2, 5, number, align="R", new_x="LMARGIN", new_y="NEXT")
    sheet.rule(INK, 0.5)
    top = sheet.get_y() + 5
    draw_shape(sheet, view.outcome, LEFT, top, 15)
    sheet.set_xy(LEFT + 20, top - 0.5)
    sheet.write_style(27, bold=True, colour=COLOURS[view.outcome])
    sheet.cell(WIDTH - 20, 11, view.outcome.capitalize())
    sheet.set_xy(LEFT + 20, top + 11)
    sheet.write_style(9)
    sheet.cell(WIDTH - 20, 4, view.outcome_sentence)
    sheet.set_xy(LEFT, top + 19)
    sheet.paragraph(view.appliance, 11, bold=True)
    sheet.paragraph(view.site, 10)


def draw_dangers(sheet: Sheet, dangers: tuple[FindingLine, ...]) -> None:
    """Dangers between two heavy lines, before anything else."""
    if not dangers:
        return
    sheet.ln(4)
    if not sheet.room_for(35):
        sheet.add_page()
    sheet.rule(COLOURS["danger"], 1.2)
    sheet.ln(3)
    draw_shape(sheet, "danger", LEFT, sheet.get_y(), 8)
    sheet.start_section("Danger")
    sheet.set_x(LEFT + 11)
    sheet.write_style(17, bold=True, colour=COLOURS["danger"])
    sheet.cell(WIDTH - 11, 8, "Danger", new_x="LMARGIN", new_y="NEXT")
    for line in dangers:
        sheet.ln(2)
        draw_finding(sheet, line, line.title.capitalize(), size=11)
    sheet.ln(3)
    sheet.rule(COLOURS["danger"], 1.2)


def draw_finding(sheet: Sheet, line: FindingLine, title: str, *, size: float = 9, indent_mm: float = 0.0) -> None:
    """A finding: its title, what it says, what to do about it, and what it rests on."""
    sheet.paragraph(title, size, bold=True)
    for message, marks in line.messages:
        sheet.paragraph(f"{message} ({', '.join(marks)})" if marks else message, 9, indent_mm=indent_mm)
    sheet.paragraph(f"Do: {line.action}", 9, indent_mm=indent_mm)
    sheet.paragraph(f"Rests on: {line.source}", 7.5, colour=SOFT, indent_mm=indent_mm)


def draw_facts(sheet: Sheet, facts: tuple[tuple[str, str], ...]) -> None:
    """Who, where, when: pairs of a small label and a text, four to a line."""
    sheet.heading("What was tested")
    cells: list[Cell] = [(Part(text=label, small=True), Part(text=text)) for label, text in facts]
    blank: Cell = (Part(text=""),)
    cells += [blank] * (-len(cells) % FACT_COLUMNS)
    widths = [WIDTH / FACT_COLUMNS] * FACT_COLUMNS
    rows = [cells[start : start + FACT_COLUMNS] for start in range(0, len(cells), FACT_COLUMNS)]
    sheet.draw_rows(widths, rows)


def draw_findings(sheet: Sheet, view: CertificateView) -> None:
    """What is missing, then defects, queries and notes."""
    if not view.missing and not view.findings:
        return
    sheet.heading("What needs attention")
    if view.missing:
        sheet.paragraph(f"Required and not settled: {'; '.join(view.missing)}.", 9, bold=True)
    for line in view.findings:
        sheet.ln(1.5)
        if not sheet.room_for(14):
            sheet.add_page()
        draw_finding(sheet, line, f"{line.severity_title}: {line.title}", indent_mm=4)


def draw_checks(sheet: Sheet, checks: tuple[CheckLine, ...]) -> None:
    """Every check with reading, limit, source and outcome."""
    sheet.heading("Checks", needs_mm=25)
    headings = ("Check", "Outcome", "Reading", "Limit", "Source of the limit, remarks")
    sheet.draw_table(headings, CHECK_WIDTHS_MM, [check_row(line) for line in checks])


def check_row(line: CheckLine) -> tuple[Cell, ...]:
    """One check as a row."""
    if len(line.behind) > 1:
        readings = [Part(text=f"{step} {value} ({mark})") for mark, step, value in line.behind]
    else:
        readings = [Part(text=" ".join([line.value, *(f"({mark})" for mark in line.marks)]))]
    if line.uncertainty:
        readings.append(Part(text=f"{line.uncertainty}, k = 2", small=True))
    if line.probability:
        readings.append(Part(text=f"conforms with probability {line.probability}", small=True))
    remarks = [Part(text=line.source)] if line.source else []
    remarks += [Part(text=line.note, small=True)] if line.note else []
    return (
        (Part(text=line.title, bold=True),),
        (Part(text=line.outcome, bold=True, shape=line.outcome),),
        tuple(readings),
        (Part(text=line.limit),),
        tuple(remarks) or (Part(text="–"),),
    )


def draw_readings(sheet: Sheet, view: CertificateView) -> None:
    """Every reading with its way back to the evidence."""
    sheet.heading("Readings behind the checks", needs_mm=25)
    if not view.readings:
        sheet.paragraph("No reading was matched to this appliance.", 9)
        return
    taken = f"Taken {view.day} (UTC)" if view.day else "Taken (UTC)"
    headings = ("No.", "Test", "Reading", "As received", taken, "Evidence, line", "Matched by")
    sheet.draw_table(headings, READING_WIDTHS_MM, [reading_row(line) for line in view.readings])


def reading_row(line: ReadingLine) -> tuple[Cell, ...]:
    """One reading as a row."""
    received = [Part(text=line.raw_text)]
    if line.column_name:
        received.append(Part(text=f"in {line.column_name}", small=True))
    return (
        (Part(text=line.mark, bold=True),),
        (Part(text=line.step),),
        (Part(text=line.value, bold=True),),
        tuple(received),
        (Part(text=line.taken), Part(text=f"{line.meter} {line.meter_time}", small=True)),
        (
            Part(text=f"{line.evidence_short}, {line.record_no}"),
            *(Part(text=remark, small=True) for remark in line.remarks),
        ),
        (Part(text=line.match),),
    )


def draw_pairs(sheet: Sheet, title: str, pairs: tuple[tuple[str, str], ...]) -> None:
    """A section of labels and texts."""
    if not pairs:
        return
    sheet.heading(title)
    rows: list[tuple[Cell, ...]] = [((Part(text=label), Part(text=text, small=True)),) for label, text in pairs]
    sheet.draw_rows([WIDTH], rows)


def draw_sentences(sheet: Sheet, title: str, sentences: tuple[str, ...]) -> None:
    """A section of sentences."""
    sheet.heading(title)
    for sentence in sentences:
        sheet.paragraph(f"–  {sentence}", 8.5)
        sheet.ln(0.8)


def draw_signing(sheet: Sheet) -> None:
    """Room for names and signatures, kept on one page."""
    sheet.heading("Names and signatures", needs_mm=45)
    top, width = sheet.get_y(), WIDTH / 2 - 5
    for place, who in enumerate(("Engineer", "Responsible person, told of the above")):
        left = LEFT + place * (width + 10)
        sheet.set_xy(left, top)
        sheet.write_style(9, bold=True)
        sheet.cell(width, 5, who)
        for number, what in enumerate(("Name", "Signature", "Date"), start=1):
            y = top + 4 + number * 12
            sheet.set_xy(left, y - 4.5)
            sheet.write_style(7.5, colour=SOFT)
            sheet.cell(width, 4, what)
            sheet.set_draw_color(*INK)
            sheet.set_line_width(0.25)
            sheet.line(left, y, left + width, y)
