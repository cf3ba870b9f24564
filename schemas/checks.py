"""The judged items of a certificate."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Number, Table, Text, optional, required
from schemas.quantities import COMPARATORS, UNITS

CHECKS: Final[dict[str, str]] = {
    "visual": "visual condition",
    "exposed_metalwork": "no voltage on exposed metalwork",
    "supply_voltage": "supply voltage",
    "supply_polarity": "supply polarity and earth present",
    "earth_fault_loop": "earth fault loop impedance",
    "fuse_rating": "fuse rating",
    "rcd": "RCD trip time",
    "indicator_proved_before": "indicator proved before",
    "proved_dead": "proved dead on three pairs",
    "indicator_proved_after": "indicator proved after",
    "isolation_secured": "isolation secured",
    "earth_continuity": "earth continuity",
    "insulation": "insulation resistance",
    "supply_restored": "supply restored",
}
"""Every check with its title, in the order of the work."""

OUTCOMES: Final = ("satisfactory", "unsatisfactory", "inconclusive", "not tested", "not applicable")


class Checks(Table):
    """One row a certificate and check, every check of ``CHECKS`` for every certificate, in that order.

    ``value`` is the governing reading in ``unit``; limits in ``unit`` too. ``expanded_uncertainty`` [``unit``] with
    coverage factor 2. ``probability_conforming`` 0 to 1. ``reading_ids`` separated by spaces, the governing one first.
    """

    certificate_id: Series[Text] = required()
    job_id: Series[Text] = required()
    appliance_id: Series[Text] = required()
    check: Series[Text] = required(isin=list(CHECKS))
    outcome: Series[Text] = required(isin=list(OUTCOMES))
    value: Series[Number] = optional()
    unit: Series[Text] = optional(isin=list(UNITS))
    comparator: Series[Text] = optional(isin=list(COMPARATORS))
    indication: Series[Text] = optional()
    limit_low: Series[Number] = optional()
    limit_high: Series[Number] = optional()
    limit_source: Series[Text] = optional()
    expanded_uncertainty: Series[Number] = optional(ge=0)
    probability_conforming: Series[Number] = optional(ge=0, le=1)
    reading_ids: Series[Text] = optional()
    note: Series[Text] = optional()
