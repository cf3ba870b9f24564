"""The certificates table: the judged record of one appliance on one job, one row each."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Moment, Number, Table, Text, key, optional, required
from schemas.findings import SEVERITIES
from schemas.jobs import DEVICES, EARTHINGS

CERTIFICATE_OUTCOMES: Final = ("satisfactory", "unsatisfactory", "incomplete")


class Certificates(Table):
    """One row a certificate; text lists are separated by spaces. Times are UTC."""

    certificate_id: Series[Text] = key()
    job_id: Series[Text] = required()
    appliance_id: Series[Text] = key()
    site: Series[Text] = optional()
    kind: Series[Text] = optional()
    location: Series[Text] = optional()
    engineer: Series[Text] = optional()
    tested_from: Series[Moment] = optional()
    tested_to: Series[Moment] = optional()
    earthing: Series[Text] = optional(isin=list(EARTHINGS))
    device: Series[Text] = optional(isin=list(DEVICES))
    device_rating_a: Series[Number] = optional()
    rcd_rated_ma: Series[Number] = optional()
    outcome: Series[Text] = required(isin=list(CERTIFICATE_OUTCOMES))
    highest_severity: Series[Text] = optional(isin=list(SEVERITIES))
    meter_serials: Series[Text] = optional()
    rule_pack: Series[Text] = required()
    tool_version: Series[Text] = required()
    evidence_sha256s: Series[Text] = optional()
