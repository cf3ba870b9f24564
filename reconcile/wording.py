"""How numbers and readings are written in messages."""

from __future__ import annotations

from typing import Final

from reconcile.case import Reading
from schemas.quantities import QUANTITIES
from schemas.steps import STEPS

SIGNS: Final = {"gt": ">", "lt": "<"}
TELL: Final = "tell the responsible person"
ELECTRICIAN: Final = "a competent electrician"
STOP: Final = "stop, touch nothing that may be live, keep people away"


def show_value(value: float, unit: str | None, *, digits: int = 4) -> str:
    """A number with its unit as people in the trade write it: 0.35 ohm, 200 Mohm, 28 ms."""
    if unit == "Ohm" and value >= 1.0e6:
        return f"{value / 1.0e6:.{digits}g} Mohm"
    if unit == "s":
        return f"{value * 1000.0:.{digits}g} ms"
    return f"{value:.{digits}g} {'ohm' if unit == 'Ohm' else unit or ''}".strip()


def show(reading: Reading | None) -> str:
    """A reading as people write it; its reason where it has neither number nor indication."""
    if reading is None:
        return "no reading"
    if reading.value is not None:
        return SIGNS.get(reading.comparator or "", "") + show_value(reading.value, reading.unit)
    return reading.indication or reading.reason or "no number"


def show_limit(value: float | None, unit: str | None) -> str:
    """A limit, rounded down to two decimals where it is a resistance below 100 ohm: never shown larger than it is."""
    if value is None:
        return "no limit"
    if unit == "Ohm" and value < 100.0:
        return f"{int(value * 100.0 + 1e-9) / 100.0:.2f} ohm"
    return show_value(value, unit)


def capital(words: str) -> str:
    """The words with a capital first letter."""
    return words[:1].upper() + words[1:]


def title(step: str | None) -> str:
    """The step as people call it."""
    return STEPS[step].title if step in STEPS else "a reading"


def quantity_title(quantity: str) -> str:
    """The quantity in words."""
    return QUANTITIES[quantity].name.replace("_", " ")
