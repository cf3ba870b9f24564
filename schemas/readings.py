"""What an export or a meter gives: readings, refusals, and readings that were received more than once."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import pandera.pandas as pa
from pandera.typing.pandas import Series

from schemas.columns import (
    LocalMoment,
    Moment,
    Number,
    OptionalWhole,
    Table,
    Text,
    Whole,
    key,
    optional,
    required,
)
from schemas.quantities import COMPARATORS, CONDUCTORS, INDICATIONS, QUANTITIES, UNITS

REFUSAL_REASONS: Final = (
    "ambiguous",
    "bad time",
    "cut off",
    "no conductors",
    "no profile",
    "no unit",
    "not a number",
    "not measured",
    "out of range",
    "unit conflict",
    "unknown quantity",
    "unreadable",
    "bad checksum",
    "duplicate id",
    "missing value",
    "unknown id",
    "unknown word",
)


PAIR_MAY_BE_UNKNOWN: Final = ("insulation_resistance", "continuity_resistance")
"""Tests whose usual names say no pair ("insulation at 500 V"): the value counts, the pair stays null, never guessed."""


class Readings(Table):
    """Readings as ingest gives them, before anything is matched. One row a value or an indication.

    ``reading_id`` is ``<first 16 hex digits of evidence_sha256>-<record_no>-<column_no>``, so that it can be
    found again by hand. ``record_no`` is the physical line at which the record starts (first line is 1) or the
    frame number of a transcript; ``column_no`` the position in the record (first is 1) of the cell that holds
    the value. ``raw_text`` is the cell as received, decoded, nothing trimmed. ``meter_time`` is what the meter
    said, local; ``stamped_at`` the same moment in UTC by the zone of the profile or of the operator, null where
    it cannot be known, with ``time_reason`` saying why. The clock has not been corrected yet. A live reading
    without a time of its own has the moment of its arrival by this computer's clock as ``stamped_at``, no
    ``meter_time``, and a ``time_reason`` that says so: no error of the meter's clock is in it.

    ``value`` [``unit``] with ``comparator``; null for indications, and null with a ``reason`` where the meter
    said that it has no number (over-range without a bound, for example). ``resolution`` [``unit``]: one step of the
    last digit shown. ``test_voltage_v`` [V] is the insulation test voltage where it is told, ``rcd_multiple``
    the multiple of the rated current of an RCD test.
    """

    reading_id: Series[Text] = required()
    evidence_sha256: Series[Text] = required(str_length={"min_value": 64, "max_value": 64})
    record_no: Series[Whole] = required(ge=1)
    column_no: Series[Whole] = required(ge=1)
    column_name: Series[Text] = optional()
    raw_text: Series[Text] = required()
    meter_serial: Series[Text] = optional()
    memory_no: Series[OptionalWhole] = optional()
    meter_time: Series[LocalMoment] = optional()
    stamped_at: Series[Moment] = optional()
    time_reason: Series[Text] = optional()
    quantity: Series[Text] = required(isin=list(QUANTITIES))
    conductors: Series[Text] = optional(isin=list(CONDUCTORS))
    value: Series[Number] = optional()
    unit: Series[Text] = optional(isin=list(UNITS))
    comparator: Series[Text] = optional(isin=list(COMPARATORS))
    indication: Series[Text] = optional(isin=list(INDICATIONS))
    reason: Series[Text] = optional()
    resolution: Series[Number] = optional()
    test_voltage_v: Series[Number] = optional()
    rcd_multiple: Series[Number] = optional()
    label: Series[Text] = optional()

    @pa.dataframe_check(name="a value, an indication or a reason")
    def has_content(cls, table: pd.DataFrame) -> pd.Series:
        """Null only with a reason; never a number and an indication at once."""
        value, indication = table["value"].notna(), table["indication"].notna()
        return (value ^ indication) | (~value & ~indication & table["reason"].notna())

    @pa.dataframe_check(name="a number has a unit and a comparator")
    def number_is_whole(cls, table: pd.DataFrame) -> pd.Series:
        """A number without its unit is no reading."""
        return table["value"].isna() | (table["unit"].notna() & table["comparator"].notna())

    @pa.dataframe_check(name="reading ids are never repeated")
    def ids_are_unique(cls, table: pd.DataFrame) -> pd.Series:
        """Codes of the ids instead of the uniqueness check of pandas, which is three times slower on text."""
        codes, ids = pd.factorize(table["reading_id"])
        if len(ids) == len(table):
            return pd.Series(True, index=table.index)
        return ~pd.Series(codes, index=table.index).duplicated(keep=False)

    @pa.dataframe_check(name="values are finite and inside the physical range of their quantity")
    def value_in_range(cls, table: pd.DataFrame) -> pd.Series:
        """Physical ranges of schemas.quantities; infinity is never a value."""
        codes, names = pd.factorize(table["quantity"])
        ranges = [QUANTITIES.get(name) for name in names]
        low = np.array([known.low if known and known.low is not None else np.nan for known in ranges] + [np.nan])
        high = np.array([known.high if known and known.high is not None else np.nan for known in ranges] + [np.nan])
        value = table["value"]
        return value.isna() | ((value >= low[codes]) & (value <= high[codes]))

    @pa.dataframe_check(name="unit and conductors belong to the quantity")
    def unit_and_pair_fit(cls, table: pd.DataFrame) -> pd.Series:
        """The unit is that of the quantity; the pair is one it is measured between, or not told where that may be."""
        of_quantity, quantities = pd.factorize(table["quantity"])
        of_pair, pairs = pd.factorize(table["conductors"], use_na_sentinel=False)
        of_unit, units = pd.factorize(table["unit"], use_na_sentinel=False)
        kinds, first = pd.factorize((of_quantity * len(pairs) + of_pair) * len(units) + of_unit)
        places = [(int(kind) // len(units) // len(pairs), int(kind) // len(units) % len(pairs), int(kind) % len(units))
                  for kind in first]  # fmt: skip
        fits = [cls._fit(quantities[quantity], pairs[pair], units[unit]) for quantity, pair, unit in places]
        return pd.Series(np.array(fits, bool)[kinds], index=table.index)

    @staticmethod
    def _fit(quantity: str, pair: str | None, unit: str | None) -> bool:
        known = QUANTITIES.get(quantity)
        if known is None or not (pd.isna(unit) or unit == known.unit):
            return False
        if pd.isna(pair):
            return not known.conductors or quantity in PAIR_MAY_BE_UNKNOWN
        return pair in known.conductors


class Refusals(Table):
    """What could not be read with certainty: one row a cell or record, never dropped, never guessed.

    ``message`` says in one sentence what is wrong and what would settle it. Whole-file refusals have
    ``record_no`` of the line where reading stopped.
    """

    evidence_sha256: Series[Text] = required(str_length={"min_value": 64, "max_value": 64})
    record_no: Series[Whole] = required(ge=0)
    column_name: Series[Text] = optional()
    raw_text: Series[Text] = required()
    reason: Series[Text] = required(isin=list(REFUSAL_REASONS))
    message: Series[Text] = required()


class Duplicates(Table):
    """A stored record that another export also holds: the reading stands once, this row keeps the second place.

    ``reading_id`` is the reading that stands; the rest says where the same record was seen again.
    """

    reading_id: Series[Text] = required()
    evidence_sha256: Series[Text] = required()
    record_no: Series[Whole] = required()
    column_no: Series[Whole] = required()
    column_name: Series[Text] = optional()
    raw_text: Series[Text] = required()


class Conflicts(Table):
    """Two readings of the same meter, slot, time and quantity that differ: shown, never chosen.

    Both readings stand in the readings table; ``conflict_id`` is the same for all that disagree.
    """

    conflict_id: Series[Text] = required()
    reading_id: Series[Text] = key()


class FileCounts(Table):
    """One row an evidence file: ``records`` in = ``readings`` + ``refusals``, reconciled when it was read.

    A record is a data row of a long export, a filled test cell of a wide one, a stored record of a meter.
    """

    evidence_sha256: Series[Text] = key()
    original_name: Series[Text] = required()
    profile: Series[Text] = optional()
    records: Series[Whole] = required(ge=0)
    readings: Series[Whole] = required(ge=0)
    refusals: Series[Whole] = required(ge=0)
    duplicates: Series[Whole] = required(ge=0)
