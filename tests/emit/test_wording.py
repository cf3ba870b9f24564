"""Numbers as people read them: nothing is rounded in a reading's favour. Expected texts are written by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.pages.lines import split_lines
from cli.pages.wording import (
    limit_text,
    moment_text,
    period_text,
    probability_text,
    uncertainty_text,
    value_text,
    visible_text,
)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("value", "unit", "comparator", "text"),
    [
        (233.4, "V", "eq", "233.4 V"),
        (0.0, "V", "eq", "0 V"),
        (0.42, "Ohm", "eq", "0.42 Ω"),
        (1666.0, "Ohm", "eq", "1.666 kΩ"),
        (350000.0, "Ohm", "eq", "350 kΩ"),
        (999e6, "Ohm", "gt", "> 999 MΩ"),
        (0.0185, "s", "eq", "18.5 ms"),
        (0.3, "s", "gt", "> 300 ms"),
        (1.2, "s", "eq", "1.2 s"),
        (0.0, "s", "eq", "0 s"),
        (13.0, "A", None, "13 A"),
        (0.01, "Ohm", "lt", "< 0.01 Ω"),
        (5e-05, "Ohm", "eq", "0.00005 Ω"),
    ],
)
def test_values(value: float, unit: str, comparator: str | None, text: str) -> None:
    assert plain(value_text(value, unit, comparator, None)) == text


def test_an_indication_or_nothing() -> None:
    assert value_text(None, None, None, "no earth") == "no earth"
    assert value_text(None, "V", None, None) == "–"


@pytest.mark.parametrize(
    ("low", "high", "unit", "text"),
    [
        (216.2, 253.0, "V", "216.2 V to 253 V"),
        (None, 0.8 * 218.5 / 120, "Ohm", "at most 1.456 Ω"),
        (None, 12.489999, "Ohm", "at most 12.48 Ω"),
        (1.00001e6, None, "Ohm", "at least 1.001 MΩ"),
        (None, 0.3, "s", "at most 300 ms"),
        (None, None, "V", "–"),
    ],
)
def test_limits_are_cut_to_the_stricter_side(low: float | None, high: float | None, unit: str, text: str) -> None:
    assert plain(limit_text(low, high, unit)) == text


@given(st.floats(min_value=1e-4, max_value=1e12))
def test_a_shown_limit_is_never_more_lenient_than_the_limit(limit: float) -> None:
    scales = {"Ω": Decimal(1), "kΩ": Decimal(1000), "MΩ": Decimal(10**6)}
    for text, sign in ((limit_text(None, limit, "Ohm"), 1), (limit_text(limit, None, "Ohm"), -1)):
        number, unit = plain(text).split()[-2:]
        assert (Decimal(number) * scales[unit] - Decimal(repr(limit))) * sign <= 0


def test_uncertainty_is_rounded_up_and_probability_down() -> None:
    assert plain(uncertainty_text(2.11, "V")) == "± 2.2 V"
    assert plain(probability_text(0.98567)) == "98.5 %"
    assert plain(probability_text(0.4)) == "40 %"
    assert {plain(probability_text(certain)) for certain in (0.9991, 0.99999, 1.0)} == {"over 99.9 %"}
    assert {plain(probability_text(never)) for never in (0.0, 0.0009)} == {"under 0.1 %"}
    assert (uncertainty_text(None, "V"), probability_text(None)) == ("", "")


def test_times() -> None:
    assert moment_text("2031-04-02T08:00:00Z") == "2 Apr 2031, 08:00"
    assert moment_text("2031-12-31T08:00:05.5Z") == "31 Dec 2031, 08:00:05.5"
    assert moment_text(None) == "–"
    assert period_text("2031-04-02T08:00:00Z", "2031-04-02T08:14:05.25Z") == "2 Apr 2031, 08:00 to 08:14"
    assert period_text("2031-04-02T23:50:00Z", "2031-04-03T00:10:00Z") == "2 Apr 2031, 23:50 to 3 Apr 2031, 00:10"


def test_signs_that_are_not_seen_are_shown() -> None:
    assert visible_text("a\x00\x1b\x7f\u202eb\n\tŴ") == "a␀␛␡\ufffdb\n\tŴ"


WIDTHS = dict.fromkeys("abcdefghij -", 2.0) | {" ": 1.0, "i": 0.5}


@given(st.text("abi- \n", max_size=30), st.floats(min_value=2.0, max_value=20.0))
def test_lines_lose_nothing_and_are_never_too_wide(text: str, room: float) -> None:
    lines = split_lines(text, room, WIDTHS)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "").replace("\n", "")
    assert all(sum(WIDTHS[sign] for sign in line.strip(" ")) <= room for line in lines)
