"""The importer against what other people publish: units, decimals, the time zone database, dates.

Sources: pint (unit registry), Python's decimal (IEEE 754-2008 decimal arithmetic), the IANA zone database through
zoneinfo, Python's datetime.strptime.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.cells.clocks import parse_clock
from ingest.cells.dates import parse_date
from ingest.cells.numbers import NumberStyle, parse_number
from ingest.cells.units import parse_unit
from ingest.cells.value import parse_value
from ingest.exports.zones import quarter_offset
from schemas.quantities import QUANTITIES

REGISTRY = pint.UnitRegistry()
SPELLED = {
    "Ω": "ohm", "ohm": "ohm", "Ohms": "ohm", "mΩ": "milliohm", "mOhm": "milliohm", "kΩ": "kiloohm", "kohm": "kiloohm",
    "MΩ": "megaohm", "Megohm": "megaohm", "MOhm": "megaohm", "GΩ": "gigaohm", "TΩ": "teraohm", "µΩ": "microohm",
    "V": "volt", "mV": "millivolt", "kV": "kilovolt", "A": "ampere", "mA": "milliampere", "µA": "microampere",
    "kA": "kiloampere", "s": "second", "ms": "millisecond", "µs": "microsecond", "msec": "millisecond",
}  # fmt: skip
BASES = {"Ohm": "ohm", "V": "volt", "A": "ampere", "s": "second"}


@pytest.mark.parametrize(("text", "name"), SPELLED.items())
def test_units_have_the_size_that_the_unit_registry_says(text: str, name: str) -> None:
    unit = parse_unit(text)
    assert unit is not None
    assert not unit.unsure
    size = REGISTRY.Quantity(1, name).to(BASES[unit.base]).magnitude
    assert float(Decimal(1).scaleb(unit.exponent)) == pytest.approx(size, rel=1e-15)


NUMBERS = st.decimals(min_value=0, max_value=999, places=3, allow_nan=False, allow_infinity=False)


@given(NUMBERS, st.sampled_from(["Ω", "mΩ", "kΩ", "MΩ", "GΩ"]))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_values_are_the_floats_nearest_to_their_decimals(number: Decimal, text: str) -> None:
    unit = parse_unit(text)
    assert unit is not None
    found = parse_value(f"{number:f}", "insulation_resistance", unit, NumberStyle.POINT)
    exact = number * Decimal(10) ** unit.exponent
    if unit.exponent < 0 or exact > Decimal(QUANTITIES["insulation_resistance"].high or 0):
        assert found.refusal is not None
        return
    assert found.value == float(exact)
    assert found.resolution == float(Decimal(10) ** (unit.exponent - 3))


@given(
    st.decimals(min_value=0, max_value=10**9, places=2, allow_nan=False),
    st.sampled_from([",", ".", " ", "'", "\u202f"]),
)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_grouped_numbers_are_read_back(number: Decimal, group: str) -> None:
    mark = "," if group == "." else "."
    text = f"{number:,.2f}".replace(",", "\x00").replace(".", mark).replace("\x00", group)
    style = NumberStyle.COMMA if mark == "," else NumberStyle.POINT
    if group == "\u202f":
        text = text.replace("\u202f", " ")
    assert parse_number(text, style) == number


def test_quarters_of_an_hour_agree_with_the_zone_database() -> None:
    for zone in ("Europe/London", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"):
        info = ZoneInfo(zone)
        moment = datetime(2031, 3, 1)
        while moment < datetime(2031, 11, 30):
            minutes, why = quarter_offset(zone, int((moment - datetime(1970, 1, 1)).total_seconds()) // 900)
            candidates = {
                utc
                for fold in (0, 1)
                if (utc := moment.replace(tzinfo=info, fold=fold).astimezone(UTC)).astimezone(info).replace(tzinfo=None)
                == moment
            }
            if len(candidates) == 1:
                assert minutes is not None
                assert (moment - timedelta(minutes=minutes)).replace(tzinfo=UTC) in candidates
            else:
                assert minutes is None
                assert why is not None
            moment += timedelta(minutes=105)


FORMATS = {
    "%Y-%m-%d": "ymd", "%d/%m/%Y": "dmy", "%m/%d/%Y": "mdy", "%d.%m.%Y": "dmy", "%d %b %Y": "dmy", "%b %d, %Y": "mdy",
    "%A, %d %B %Y": "dmy", "%d-%b-%y": "dmy", "%Y%m%d": "ymd", "%d/%m/%y": "dmy", "%m-%d-%Y": "mdy",
    "%a %d/%m/%Y": "dmy",
}  # fmt: skip


@given(
    st.dates(min_value=datetime(2005, 1, 1).date(), max_value=datetime(2068, 12, 31).date()),
    st.sampled_from(list(FORMATS)),
)
@settings(max_examples=500, deadline=None, derandomize=True)
def test_dates_are_those_that_strptime_reads(day: object, form: str) -> None:
    text = day.strftime(form)  # type: ignore[attr-defined]
    assert parse_date(text).under(FORMATS[form]) == datetime.strptime(text, form).date()


@given(st.times(), st.sampled_from(["%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H.%M", "%H:%M:%S.%f"]))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_times_are_those_that_strptime_reads(clock: object, form: str) -> None:
    text = clock.strftime(form)  # type: ignore[attr-defined]
    known = datetime.strptime(text, form)
    wanted = ((known.hour * 60 + known.minute) * 60 + known.second) * 10**9 + known.microsecond * 1000
    assert parse_clock(text).nanoseconds == wanted
