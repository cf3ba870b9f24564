"""Numbers, limits, times and names as people read them on a page. Nothing is rounded in a reading's favour."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_DOWN, ROUND_FLOOR, Decimal
from typing import Final

UNIT_SIGNS: Final = {"Ohm": "Ω", "V": "V", "A": "A", "s": "s"}
PREFIXES: Final = {"Ohm": ((Decimal(10) ** 6, "MΩ"), (Decimal(10) ** 3, "kΩ")), "s": ((Decimal(1), "s"),)}
SMALL_PREFIX: Final = {"s": (Decimal("0.001"), "ms")}
COMPARATOR_SIGNS: Final = {"eq": "", "gt": "> ", "lt": "< "}
MONTHS: Final = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
ABBREVIATIONS: Final = {"rcd": "RCD"}

LIMIT_DIGITS: Final = 4
READING_DIGITS: Final = 8
THIN_SPACE: Final = "\N{NO-BREAK SPACE}"


def value_text(value: float | None, unit: str | None, comparator: str | None, indication: str | None) -> str:
    """A reading: ``233.4 V``, ``> 999 MΩ``, or its indication; a dash where there is neither."""
    if value is None:
        return indication or "–"
    scale, sign = scale_of(value, unit)
    number = plain_number(Decimal(repr(value)) / scale, READING_DIGITS, ROUND_DOWN)
    return f"{COMPARATOR_SIGNS[comparator or 'eq']}{number}{THIN_SPACE}{sign}"


def scale_of(value: float, unit: str | None) -> tuple[Decimal, str]:
    """What to divide by and the unit to write: ohms become kΩ or MΩ, seconds below one become ms."""
    size = abs(Decimal(repr(value)))
    for scale, sign in PREFIXES.get(unit or "", ()):
        if size >= scale:
            return scale, sign
    if unit in SMALL_PREFIX and size > 0:
        return SMALL_PREFIX[unit]
    return Decimal(1), UNIT_SIGNS.get(unit or "", unit or "")


def plain_number(number: Decimal, digits: int, rounding: str) -> str:
    """A number without exponent, cut to ``digits`` significant digits the given way, no zeros behind the last one."""
    if number == 0:
        return "0"
    places = digits - 1 - number.adjusted()
    cut = number.quantize(Decimal(1).scaleb(-places), rounding=rounding)
    text = format(cut, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def limit_text(low: float | None, high: float | None, unit: str | None) -> str:
    """Limits: ``216.2 V to 253 V``, ``at most 1.456 Ω``. Cut to four digits towards the stricter side."""
    if low is None and high is None:
        return "–"
    lower = one_limit(low, unit, ROUND_CEILING) if low is not None else ""
    upper = one_limit(high, unit, ROUND_FLOOR) if high is not None else ""
    if lower and upper:
        return f"{lower} to {upper}"
    return f"at least {lower}" if lower else f"at most {upper}"


def one_limit(limit: float, unit: str | None, rounding: str) -> str:
    """One limit with its unit."""
    scale, sign = scale_of(limit, unit)
    return f"{plain_number(Decimal(repr(limit)) / scale, LIMIT_DIGITS, rounding)}{THIN_SPACE}{sign}"


def uncertainty_text(uncertainty: float | None, unit: str | None) -> str:
    """``± 2.1 V``, two digits, rounded up; empty where it is not known."""
    if uncertainty is None:
        return ""
    scale, sign = scale_of(uncertainty, unit)
    return f"±{THIN_SPACE}{plain_number(Decimal(repr(uncertainty)) / scale, 2, ROUND_CEILING)}{THIN_SPACE}{sign}"


def probability_text(probability: float | None) -> str:
    """A probability in per cent, rounded down; never 100 % and never 0 %, which no measurement gives.

    Empty where it is not known.
    """
    if probability is None:
        return ""
    percent = (Decimal(repr(probability)) * 100).quantize(Decimal("0.1"), rounding=ROUND_FLOOR)
    if percent >= Decimal("99.9"):
        return f"over 99.9{THIN_SPACE}%"
    if percent < Decimal("0.1"):
        return f"under 0.1{THIN_SPACE}%"
    return f"{percent.normalize():f}{THIN_SPACE}%"


def moment_text(text: str | None) -> str:
    """``2 Apr 2031, 08:00`` from ISO 8601, with seconds where there are any; a dash where it is not known."""
    if not text:
        return "–"
    return f"{day_text(text)}, {clock_text(text)}"


def clock_text(text: str | None) -> str:
    """``08:00`` from ISO 8601, with seconds where there are any; a dash where it is not known."""
    if not text:
        return "–"
    clock = text[11:].rstrip("Z")
    return clock[:5] if clock[5:] == ":00" else clock


def day_text(text: str | None) -> str:
    """``2 Apr 2031`` from ISO 8601; a dash where it is not known."""
    if not text:
        return "–"
    return f"{int(text[8:10])} {MONTHS[int(text[5:7]) - 1]} {text[:4]}"


def minute_text(text: str | None) -> str:
    """As ``moment_text``, cut to the minute."""
    return moment_text(text[:16] + ":00" if text else None)


def period_text(start: str | None, end: str | None) -> str:
    """From one moment to another, cut to the minute, the day named once where it is the same."""
    if not start and not end:
        return "–"
    if start and end and start[:10] == end[:10]:
        return f"{minute_text(start)} to {clock_text(end[:16] + ':00')}"
    return f"{minute_text(start)} to {minute_text(end)}"


def name_text(name: str) -> str:
    """A name of the data as words: ``earth_fault_loop_impedance`` without its underscores."""
    words = " ".join(ABBREVIATIONS.get(word, word) for word in name.split("_"))
    return words.replace("line neutral", "line–neutral").replace("line earth", "line–earth")


def count_text(number: int, one: str, many: str | None = None) -> str:
    """``1 reading``, ``3 readings``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def visible_text(text: str) -> str:
    """Text with control characters shown as signs and direction marks taken out of force: what stands in a record is
    seen as it is, and cannot rearrange the page around it.
    """
    return "".join(visible_sign(sign) for sign in text)


def visible_sign(sign: str) -> str:
    """One character, or the sign that stands for it."""
    code = ord(sign)
    if code < 0x20 and sign not in "\n\t":
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\N{SYMBOL FOR DELETE}"
    if 0x80 <= code < 0xA0 or code in DIRECTION_MARKS:
        return "\N{REPLACEMENT CHARACTER}"
    return sign


DIRECTION_MARKS: Final = frozenset([0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)])
