"""What the matcher may see, what it says, what it asks, what a person decided."""

from __future__ import annotations

from typing import Final

import pandas as pd
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
from schemas.quantities import CONDUCTORS, QUANTITIES
from schemas.steps import STEPS

MATCH_STATUSES: Final = ("auto", "decided", "review", "none")
DECISION_KINDS: Final = ("match", "retest", "dates", "zone", "undo")


class Sightings(Table):
    """Readings without any measured value, indication or comparator: all that the matcher ever sees.

    Promise 1 of the project rests on this type: which appliance a reading belongs to cannot depend on whether
    it would pass there.

    ``stamped_at`` without ``meter_time`` is the moment at which a live reading reached this computer
    (``stamped_by_computer``): the meter's clock had no part in it and nothing is to be corrected.
    """

    reading_id: Series[Text] = key()
    evidence_sha256: Series[Text] = required()
    record_no: Series[Whole] = required()
    column_no: Series[Whole] = required()
    meter_serial: Series[Text] = optional()
    memory_no: Series[OptionalWhole] = optional()
    meter_time: Series[LocalMoment] = optional()
    stamped_at: Series[Moment] = optional()
    quantity: Series[Text] = required(isin=list(QUANTITIES))
    conductors: Series[Text] = optional(isin=list(CONDUCTORS))
    label: Series[Text] = optional()


def stamped_by_computer(sightings: pd.DataFrame) -> pd.Series:
    """True for each live reading whose moment is that of its arrival here, so that no meter's clock error applies."""
    return sightings["stamped_at"].notna() & sightings["meter_time"].isna()


class Matches(Table):
    """One row a reading, all of them: where it belongs, how sure, and why.

    ``match_confidence`` is the probability that job and appliance are right, 0 to 1. Status ``review`` carries the
    best candidate and is not used in judging; ``none`` has no job, appliance or step. ``taken_at`` is UTC after
    clock correction, null where it cannot be known.
    """

    reading_id: Series[Text] = key()
    taken_at: Series[Moment] = optional()
    job_id: Series[Text] = optional()
    appliance_id: Series[Text] = optional()
    step: Series[Text] = optional(isin=list(STEPS))
    match_confidence: Series[Number] = required(ge=0.0, le=1.0)
    match_status: Series[Text] = required(isin=list(MATCH_STATUSES))
    why: Series[Text] = required()


class Clocks(Table):
    """What was found about each meter's clock, one row a run of records with one clock.

    ``offset_s`` [s]: meter time minus true time; ``state``: ``trusted`` (nothing to correct), ``corrected``,
    ``uncertain``. ``drift_s_per_day`` [s a day]: by how much the offset grows, positive where the clock gains; told
    only where several days bear it out. ``agreeing`` of ``readings`` fit the offset. ``reading_ids`` separated by
    spaces.
    """

    meter_serial: Series[Text] = optional()
    state: Series[Text] = required(isin=["trusted", "corrected", "uncertain"])
    offset_s: Series[Number] = optional()
    offset_uncertainty_s: Series[Number] = optional()
    drift_s_per_day: Series[Number] = optional()
    agreeing: Series[Whole] = required()
    readings: Series[Whole] = required()
    reading_ids: Series[Text] = required()
    message: Series[Text] = required()


class Questions(Table):
    """What only a person knows, the answer that settles most first.

    ``reading_ids`` separated by spaces; ``candidates`` is JSON: a list of {appliance_id, step, probability, why}.
    """

    question_id: Series[Text] = key()
    meter_serial: Series[Text] = optional()
    reading_ids: Series[Text] = required()
    readings: Series[Whole] = required(ge=1)
    candidates: Series[Text] = required()
    text: Series[Text] = required()


class Decisions(Table):
    """A person's answers, append-only; a later row about the same subject undoes an earlier one.

    What ``subject`` and ``answer`` hold depends on ``kind``:

    - ``match``: reading ids separated by spaces; an appliance id, or ``appliance_id/step``, or ``stray``
    - ``retest``: ``appliance_id/check``; ``accepted`` or ``refused``
    - ``dates``: SHA-256 of an export; ``dmy`` or ``mdy``
    - ``zone``: SHA-256 of an export; the name of a time zone
    - ``undo``: the id of the decision that no longer counts; empty
    """

    decision_id: Series[Text] = key()
    kind: Series[Text] = required(isin=list(DECISION_KINDS))
    subject: Series[Text] = required()
    answer: Series[Text] = required()
    decided_at: Series[Moment] = required()
    by: Series[Text] = required()
    why: Series[Text] = required()
