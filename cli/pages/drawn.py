"""The shapes of the outcomes as drawn in PDF: the same as on the HTML pages, told apart without colour."""

from __future__ import annotations

from typing import Final

from fpdf import FPDF

SOFT: Final = (85, 96, 92)
WHITE: Final = (255, 255, 255)
COLOURS: Final = {
    "satisfactory": (29, 92, 64),
    "unsatisfactory": (143, 26, 16),
    "incomplete": (107, 74, 0),
    "inconclusive": (107, 74, 0),
    "danger": (163, 15, 10),
}

Stroke = tuple[tuple[float, float], ...]

QUESTION: Final[tuple[Stroke, ...]] = (
    ((0.38, 0.4), (0.42, 0.32), (0.5, 0.29), (0.59, 0.33), (0.61, 0.41), (0.56, 0.48), (0.5, 0.53), (0.5, 0.6)),
    ((0.5, 0.67), (0.5, 0.73)),
)
STROKES: Final[dict[str, tuple[Stroke, ...]]] = {
    "satisfactory": (((0.27, 0.52), (0.44, 0.69), (0.75, 0.34)),),
    "unsatisfactory": (((0.28, 0.28), (0.72, 0.72)), ((0.72, 0.28), (0.28, 0.72))),
    "danger": (((0.5, 0.34), (0.5, 0.64)), ((0.5, 0.73), (0.5, 0.84))),
    "incomplete": QUESTION,
    "inconclusive": QUESTION,
}
"""The strokes inside each shape, as parts of its size."""


def draw_shape(sheet: FPDF, outcome: str, x_mm: float, y_mm: float, size_mm: float) -> None:
    """The shape of an outcome, its upper left corner at ``x_mm``, ``y_mm``."""
    colour = COLOURS.get(outcome, SOFT)
    sheet.set_fill_color(*colour)
    sheet.set_draw_color(*colour)
    sheet.set_line_width(size_mm / 14)
    draw_outline(sheet, outcome, x_mm, y_mm, size_mm)
    if outcome in {"satisfactory", "unsatisfactory", "danger"}:
        sheet.set_draw_color(*WHITE)
        sheet.set_line_width(size_mm / 8)
    for stroke in STROKES.get(outcome, ()):
        sheet.polyline([(x_mm + across * size_mm, y_mm + down * size_mm) for across, down in stroke], style="D")


def draw_outline(sheet: FPDF, outcome: str, x: float, y: float, size: float) -> None:
    """The shape without its strokes; colours are set. All numbers are millimetres."""
    half = size / 2
    if outcome == "satisfactory":
        sheet.ellipse(x, y, size, size, style="F")
    elif outcome == "unsatisfactory":
        sheet.rect(x, y, size, size, style="F")
    elif outcome == "danger":
        sheet.polygon([(x + half, y), (x + size, y + 0.95 * size), (x, y + 0.95 * size)], style="F")
    elif outcome in {"incomplete", "inconclusive"}:
        sheet.polygon([(x + half, y), (x + size, y + half), (x + half, y + size), (x, y + half)], style="D")
    elif outcome == "not tested":
        sheet.set_dash_pattern(dash=size / 7, gap=size / 8)
        sheet.ellipse(x + 0.05 * size, y + 0.05 * size, 0.9 * size, 0.9 * size, style="D")
        sheet.set_dash_pattern()
    else:
        sheet.line(x + 0.15 * size, y + half, x + 0.85 * size, y + half)
