"""A4 paper to draw a certificate on: fonts, shapes, running text and tables that keep their rows whole.

All lengths are millimetres, font sizes points. The font is Roboto (Apache licence 2.0, from the package font-roboto):
the fonts built into PDF readers lack the ohm sign and the letters of many names. A character that Roboto lacks
either is written as its code, ``<U+4E2D>``, never left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final, cast

from fpdf import FPDF
from fpdf.fonts import TTFFont

from cli.pages.drawn import COLOURS, SOFT, draw_shape
from cli.pages.lines import split_lines
from cli.pages.wording import visible_text

INK: Final = (29, 36, 34)
RULE: Final = (190, 195, 188)
LEFT: Final = 15.0
TOP: Final = 14.0
BOTTOM: Final = 18.0
WIDTH: Final = 210.0 - 2 * LEFT
LINE_HEIGHT: Final = 1.32
POINT_MM: Final = 25.4 / 72
FAMILY: Final = "Roboto"
CELL_GAP: Final = 2.5
CELL_PAD: Final = 1.1
SHAPE_ROOM: Final = 4.2
MOST_LINES: Final = 25
"""A longer text in a cell is cut, and says so: a row must fit on a page."""


@dataclass(frozen=True, kw_only=True)
class Part:
    """One paragraph of a table cell; ``shape`` is drawn before it."""

    text: str
    bold: bool = False
    small: bool = False
    shape: str = ""


Cell = tuple[Part, ...]


@dataclass(frozen=True, kw_only=True)
class MeasuredRow:
    """A row ready to draw: for each cell its width and its parts with their lines and the height of one line."""

    cells: list[tuple[float, list[tuple[Part, list[str], float]]]]
    height_mm: float


@cache
def font_path(style: str) -> str:
    """Where the font of that style is."""
    return str(files("font_roboto").joinpath("files", f"Roboto-{style}.ttf"))


@cache
def character_widths(style: str) -> dict[str, float]:
    """The width of every character that the font of that style can show [thousandths of the font size]."""
    paper = FPDF()
    paper.add_font(FAMILY, "", font_path(style))
    font = cast("TTFFont", paper.fonts[FAMILY.lower()])
    return {chr(code): float(font.cw[code]) for code in font.cmap}


@cache
def known_characters() -> frozenset[str]:
    """The characters that both styles can show."""
    return frozenset(character_widths("Regular").keys() & character_widths("Bold").keys())


def printable(text: str) -> str:
    """Text with each character that the font lacks written as its code."""
    known = known_characters()
    return "".join(
        sign if sign in known or sign == "\n" else f"<U+{ord(sign):04X}>"
        for sign in visible_text(text).replace("\t", "    ")
    )


class Sheet(FPDF):
    """Pages of A4 with a footer that names the certificate and counts the pages."""

    def __init__(self, foot: str) -> None:
        super().__init__(format="A4", unit="mm")
        self.foot = printable(foot)
        self.set_margins(LEFT, TOP, LEFT)
        self.set_auto_page_break(False)
        self.c_margin = 0.0
        self.add_font(FAMILY, "", font_path("Regular"))
        self.add_font(FAMILY, "B", font_path("Bold"))
        self.add_page()

    def footer(self) -> None:
        """The line at the foot of every page."""
        self.set_y(-12)
        self.write_style(7.5, colour=SOFT)
        self.cell(WIDTH - 30, 4, self.fitted(self.foot, WIDTH - 32))
        self.cell(30, 4, f"page {self.page_no()} of {{nb}}", align="R")

    def fitted(self, text: str, width_mm: float) -> str:
        """The text, its end cut with an ellipsis where it is too wide."""
        if self.get_string_width(text) <= width_mm:
            return text
        while text and self.get_string_width(text + "…") > width_mm:
            text = text[:-1]
        return text + "…"

    def write_style(self, size: float, *, bold: bool = False, colour: tuple[int, int, int] = INK) -> None:
        """Set the font for what follows."""
        self.set_font(FAMILY, "B" if bold else "", size)
        self.set_text_color(*colour)

    def room_for(self, height_mm: float) -> bool:
        """Whether that much height is left on the page."""
        return bool(self.get_y() + height_mm <= self.h - BOTTOM)

    def split_lines(self, text: str, width_mm: float) -> list[str]:
        """The lines of a text at that width in the present font."""
        widths = character_widths("Bold" if "B" in self.font_style else "Regular")
        return split_lines(printable(text), width_mm / (self.font_size_pt * POINT_MM) * 1000, widths)

    def paragraph(
        self, text: str, size: float, *, bold: bool = False, colour: tuple[int, int, int] = INK, indent_mm: float = 0.0
    ) -> None:
        """Running text; goes to the next page between lines."""
        self.write_style(size, bold=bold, colour=colour)
        height = size * POINT_MM * LINE_HEIGHT
        for line in self.split_lines(text, WIDTH - indent_mm):
            if not self.room_for(height):
                self.add_page()
                self.write_style(size, bold=bold, colour=colour)
            self.set_x(LEFT + indent_mm)
            self.cell(WIDTH - indent_mm, height, line, new_x="LMARGIN", new_y="NEXT")

    def heading(self, text: str, *, needs_mm: float = 14.0) -> None:
        """A section heading with a line under it, kept with at least ``needs_mm`` of what follows."""
        self.ln(4.5)
        if not self.room_for(7 + needs_mm):
            self.add_page()
        self.start_section(printable(text))
        self.write_style(11, bold=True)
        self.cell(WIDTH, 5.5, printable(text), new_x="LMARGIN", new_y="NEXT")
        self.rule(INK)
        self.ln(1.8)

    def rule(self, colour: tuple[int, int, int], width_mm: float = 0.25) -> None:
        """A line across the page at the present height."""
        self.set_draw_color(*colour)
        self.set_line_width(width_mm)
        self.line(LEFT, self.get_y(), LEFT + WIDTH, self.get_y())

    def draw_table(self, headings: Sequence[str], widths_mm: Sequence[float], rows: Sequence[Sequence[Cell]]) -> None:
        """A table whose rows are never cut by a page end and whose headings are repeated on every page."""
        head = self.measure_row([(Part(text=text, bold=True, small=True),) for text in headings], widths_mm)
        self.draw_row(head, INK)
        self.draw_rows(widths_mm, rows, head)

    def draw_rows(
        self, widths_mm: Sequence[float], rows: Sequence[Sequence[Cell]], head: MeasuredRow | None = None
    ) -> None:
        """Rows that are never cut by a page end; ``head`` is repeated on every new page."""
        for row in rows:
            measured = self.measure_row(row, widths_mm)
            if not self.room_for(measured.height_mm):
                self.add_page()
                if head is not None:
                    self.draw_row(head, INK)
            self.draw_row(measured, RULE)

    def measure_row(self, row: Sequence[Cell], widths_mm: Sequence[float]) -> MeasuredRow:
        """The lines of every cell, and the height that the row needs."""
        cells = []
        for cell, width in zip(row, widths_mm, strict=True):
            lines = []
            for part in cell:
                self.part_style(part)
                indent = SHAPE_ROOM if part.shape else 0.0
                step = self.font_size_pt * POINT_MM * LINE_HEIGHT
                texts = self.split_lines(part.text, width - CELL_GAP - indent)
                if len(texts) > MOST_LINES:
                    texts = [*texts[:MOST_LINES], f"… {len(part.text)} characters, all of them in the JSON file"]
                lines.append((part, texts, step))
            cells.append((width, lines))
        needed = max(sum(len(texts) * step for _, texts, step in lines) for _, lines in cells)
        return MeasuredRow(cells=cells, height_mm=needed + 2 * CELL_PAD)

    def part_style(self, part: Part) -> None:
        """Set the font of a part of a cell."""
        colour = COLOURS.get(part.shape, SOFT if part.small or part.shape else INK)
        self.write_style(7 if part.small else 8, bold=part.bold, colour=colour)

    def draw_row(self, row: MeasuredRow, rule: tuple[int, int, int]) -> None:
        """One row with a line under it."""
        top, left = self.get_y(), LEFT
        for width, lines in row.cells:
            y = top + CELL_PAD
            for part, texts, step in lines:
                if part.shape:
                    draw_shape(self, part.shape, left, y + 0.25, 3.0)
                self.part_style(part)
                for text in texts:
                    self.set_xy(left + (SHAPE_ROOM if part.shape else 0.0), y)
                    self.cell(width, step, text)
                    y += step
            left += width
        self.set_xy(LEFT, top + row.height_mm)
        self.rule(rule, 0.15)
