"""Remarks of a certificate, or of the day: code, severity, message, what to do, readings, source."""

from __future__ import annotations

from typing import Final

import pandas as pd
import pandera.pandas as pa
from pandera.typing.pandas import Series

from schemas.columns import Table, Text, key, optional, required

SEVERITIES: Final = ("danger", "defect", "query", "note")
"""The worst first."""

DANGERS: Final = (
    "metalwork_live", "not_dead", "isolated_in_neutral", "line_earth_reversed", "line_neutral_reversed",
    "earth_open", "neutral_open",
)  # fmt: skip
DEFECTS: Final = (
    "earth_loop_high", "earth_loop_unstable", "earth_continuity_high", "insulation_low", "rcd_slow", "rcd_no_trip",
    "fuse_rating_wrong", "supply_voltage_out_of_band", "isolation_not_secured", "visual_damage", "test_leads_worn",
    "neutral_earth_voltage_high",
)  # fmt: skip
QUERIES: Final = (
    "step_missing", "step_out_of_order", "detector_not_proved", "pair_not_tested",
    "earth_loop_unlikely_for_earthing", "earthing_unknown", "device_unknown", "rcd_not_recorded",
    "reading_implausible", "readings_disagree", "possible_induced_voltage", "leads_not_nulled",
    "meter_not_registered", "meter_out_of_calibration", "clock_uncertain", "match_uncertain", "reading_unmatched",
    "retest_unexplained", "within_uncertainty", "repeated_values",
    "accuracy_unknown", "earth_continuity_doubtful", "responsible_person_not_told",
)  # fmt: skip
NOTES: Final = ("retest", "clock_corrected", "duplicate_evidence", "near_limit")

SEVERITY_OF: Final[dict[str, str]] = (
    dict.fromkeys(DANGERS, "danger")
    | dict.fromkeys(DEFECTS, "defect")
    | dict.fromkeys(QUERIES, "query")
    | dict.fromkeys(NOTES, "note")
)
"""Every code with its one severity. A code may be added here; none changes its meaning."""


class Findings(Table):
    """One remark a row; ``certificate_id``, ``job_id``, ``appliance_id`` are null where it is about the day."""

    finding_id: Series[Text] = key()
    certificate_id: Series[Text] = optional()
    job_id: Series[Text] = optional()
    appliance_id: Series[Text] = optional()
    code: Series[Text] = required(isin=list(SEVERITY_OF))
    severity: Series[Text] = required(isin=list(SEVERITIES))
    message: Series[Text] = required()
    action: Series[Text] = required()
    reading_ids: Series[Text] = optional()
    source: Series[Text] = required()

    @pa.dataframe_check(name="severity belongs to the code")
    def severity_fits(cls, table: pd.DataFrame) -> pd.Series:
        """No rule chooses a severity of its own."""
        return table["code"].map(SEVERITY_OF) == table["severity"]
