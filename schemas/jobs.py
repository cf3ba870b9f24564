"""What was meant to be tested: jobs, appliances, and what a person attests."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Moment, Number, Table, Text, Whole, key, optional, required

WORK_TYPES: Final = ("service", "installation", "repair", "inspection")
STATUSES: Final = ("attended", "no access", "cancelled")
EARTHINGS: Final = ("TN-S", "TN-C-S", "TT", "IT")
DEVICES: Final = ("BS1362", "BS88-2", "BS88-3", "BS3036", "B", "C", "D")
CONSTRUCTION_CLASSES: Final = ("I", "II")

ATTESTED: Final[dict[str, tuple[str, ...]]] = {
    "isolation_point_secured": ("locked", "fuse retained", "plug retained", "none"),
    "caution_notice": ("yes", "no"),
    "fuse_rating_a": (),
    "required_fuse_rating_a": (),
    "visual_condition": ("good", "damaged"),
    "test_leads_condition": ("good", "worn"),
    "responsible_person_told": ("yes", "no"),
    "connections_remade": ("yes", "no"),
}
"""Each attested item with the words it may take; no words: a number of amperes."""


class Jobs(Table):
    """Job list entries, in the order of the list (``sequence``). ``extra`` is JSON of the unknown columns."""

    job_id: Series[Text] = key()
    sequence: Series[Whole] = required(ge=0)
    site: Series[Text] = optional()
    engineer: Series[Text] = optional()
    meter_serials: Series[Text] = optional()
    work_type: Series[Text] = optional(isin=list(WORK_TYPES))
    arrived_at: Series[Moment] = optional()
    left_at: Series[Moment] = optional()
    status: Series[Text] = optional(isin=list(STATUSES))
    extra: Series[Text] = required()
    evidence_sha256: Series[Text] = required()
    record_no: Series[Whole] = required()


class Appliances(Table):
    """Appliances of the job list, in its order. Null earthing, device or rating means unknown."""

    appliance_id: Series[Text] = key()
    job_id: Series[Text] = required()
    sequence: Series[Whole] = required(ge=0)
    kind: Series[Text] = optional()
    location: Series[Text] = optional()
    label: Series[Text] = optional()
    earthing: Series[Text] = optional(isin=list(EARTHINGS))
    device: Series[Text] = optional(isin=list(DEVICES))
    device_rating_a: Series[Number] = optional(gt=0)
    rcd_rated_ma: Series[Number] = optional(gt=0)
    construction_class: Series[Text] = optional(isin=list(CONSTRUCTION_CLASSES))
    extra: Series[Text] = required()
    evidence_sha256: Series[Text] = required()
    record_no: Series[Whole] = required()


class Attestations(Table):
    """Facts that a person states. ``at`` is UTC or null; rows in the order received."""

    appliance_id: Series[Text] = required()
    item: Series[Text] = required(isin=list(ATTESTED))
    value: Series[Text] = required()
    attested_at: Series[Moment] = optional()
    by: Series[Text] = optional()
    evidence_sha256: Series[Text] = required()
    record_no: Series[Whole] = required()
