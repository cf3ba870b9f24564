"""The meter register: what each meter is, whether it is calibrated, how accurate it is, what its clock says."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import LocalMoment, Moment, Number, Table, Text, key, optional, required
from schemas.quantities import QUANTITIES

ROLES: Final = ("multifunction tester", "voltage indicator", "non-contact detector", "proving unit")


class Meters(Table):
    """One row a registered meter. Dates of calibration are local days (midnight)."""

    meter_serial: Series[Text] = key()
    role: Series[Text] = optional(isin=list(ROLES))
    calibrated_on: Series[LocalMoment] = optional()
    calibration_due: Series[LocalMoment] = optional()
    calibration_certificate: Series[Text] = optional()
    profile: Series[Text] = optional()
    zone: Series[Text] = optional()
    evidence_sha256: Series[Text] = required()


class Accuracies(Table):
    """Accuracy specifications: half-width = ``percent_of_reading`` [%] of the value + ``digits`` × ``resolution``.

    ``resolution``, ``range_low``, ``range_high`` in the unit of the quantity.
    """

    meter_serial: Series[Text] = required()
    quantity: Series[Text] = required(isin=list(QUANTITIES))
    percent_of_reading: Series[Number] = required(ge=0)
    digits: Series[Number] = required(ge=0)
    resolution: Series[Number] = optional(gt=0)
    range_low: Series[Number] = optional()
    range_high: Series[Number] = optional()


class ClockReadings(Table):
    """What a meter's clock said in a conversation: meter time minus true time [s], at a moment, ± uncertainty [s].

    One row a conversation in which the meter told its time and its serial number; ``uncertainty_s`` is at least half of
    the shortest round trip. ``evidence_sha256`` is the transcript: readings of the same evidence were read from it
    in the same minutes. Both use the same zone, so ``offset_s`` can be taken from ``stamped_at`` of readings that were
    stored before ``observed_at`` and after the clock was last set or lost. A clock that is set gives two rows.
    """

    meter_serial: Series[Text] = required()
    observed_at: Series[Moment] = required()
    offset_s: Series[Number] = required()
    uncertainty_s: Series[Number] = required(ge=0)
    evidence_sha256: Series[Text] = required()
