"""What an audit says, one table a question."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import LocalMoment, Number, OptionalWhole, Table, Text, Truth, Whole, optional, required
from schemas.quantities import COMPARATORS, CONDUCTORS, INDICATIONS, QUANTITIES, UNITS
from schemas.steps import STEPS

FAULTS: Final = ("changed", "missing", "not listed", "stray", "cut off", "left over", "behind")
"""Of a book. The last three are what a killed process leaves behind; the next write clears them."""


class IntegrityFaults(Table):
    """Where a book is not what its journal says, one row a place. No rows: nothing was changed, left out or put in.

    ``path`` is below the book; ``place`` the first broken line of it, where that can be known.
    """

    path: Series[Text] = required()
    place: Series[Text] = optional()
    fault: Series[Text] = required(isin=list(FAULTS))
    message: Series[Text] = required()
    action: Series[Text] = required()


CELL_VERDICTS: Final = ("differs", "missing", "extra", "moved", "not derivable")


class CellDifferences(Table):
    """Where a dataset is not what its evidence gives, one row a cell, or a row where a whole row is concerned.

    ``recorded`` is what the dataset says, ``derived`` what the evidence gives now. ``missing``: the evidence gives a
    row that the dataset lacks. ``extra``: the dataset has a row that the evidence does not give. ``moved``: the rows
    are all there, in another order, from ``where`` on.
    """

    table: Series[Text] = required()
    key: Series[Text] = required()
    column: Series[Text] = optional()
    verdict: Series[Text] = required(isin=list(CELL_VERDICTS))
    recorded: Series[Text] = optional()
    derived: Series[Text] = optional()
    where: Series[Text] = optional()


class CellTotals(Table):
    """How much was compared, one row a table: ``same`` + ``not_same`` = ``cells``."""

    table: Series[Text] = required()
    rows: Series[Whole] = required(ge=0)
    cells: Series[Whole] = required(ge=0)
    same: Series[Whole] = required(ge=0)
    not_same: Series[Whole] = required(ge=0)


FILE_VERDICTS: Final = ("changed", "missing", "extra", "not listed")


class FileFaults(Table):
    """Where the files of a dataset are not what its description, or the evidence, gives: one row a file.

    ``where`` is the first byte that differs, and its line, where both contents are at hand.
    """

    path: Series[Text] = required()
    verdict: Series[Text] = required(isin=list(FILE_VERDICTS))
    against: Series[Text] = required(isin=["datapackage.json", "evidence"])
    where: Series[Text] = optional()
    message: Series[Text] = required()


class RecordedValues(Table):
    """Values that another system or a hand recorded, one row a value, as read from that table.

    ``record_no``, ``column_no``, ``column_name``, ``raw_text`` say where it stands there. ``recorded_on`` is the day
    it claims, ``step`` the step where the table tells it. ``resolution`` [``unit``]: one step of the last digit typed.
    """

    record_no: Series[Whole] = required(ge=1)
    column_no: Series[Whole] = required(ge=1)
    column_name: Series[Text] = optional()
    raw_text: Series[Text] = required()
    appliance_id: Series[Text] = optional()
    recorded_on: Series[LocalMoment] = optional()
    quantity: Series[Text] = required(isin=list(QUANTITIES))
    conductors: Series[Text] = optional(isin=list(CONDUCTORS))
    step: Series[Text] = optional(isin=list(STEPS))
    value: Series[Number] = optional()
    unit: Series[Text] = optional(isin=list(UNITS))
    comparator: Series[Text] = optional(isin=list(COMPARATORS))
    indication: Series[Text] = optional(isin=list(INDICATIONS))
    resolution: Series[Number] = optional()


RECORDED_VERDICTS: Final[dict[str, str]] = {
    "agrees": "the instrument says the same",
    "agrees within rounding": "the instrument's value, rounded to the digits recorded",
    "digits transposed": "two neighbouring digits of the instrument's value are exchanged",
    "unit or decimal slip": "the instrument's digits, at another power of ten",
    "qualifier lost": "the instrument said more than, or less than, this value",
    "qualifier added": "the instrument gave the value itself, the record says more or less than it",
    "superseded by a retest": "an earlier reading; a later one of the same step is not recorded",
    "another date": "the same appliance, or the same place, at another date",
    "another appliance": "the reading of another appliance",
    "no instrument evidence": "no reading explains this value",
    "left out": "a reading that the record does not have",
    "not readable": "the recorded cell could not be read",
}
"""Every verdict on a recorded value with its meaning."""

AGREEING: Final = ("agrees", "agrees within rounding")


class RecordedComparison(Table):
    """One verdict a row: first every recorded value, in its order, then the readings that were left out.

    ``recorded_*`` point into the recorded table, ``reading_id`` and ``evidence_*`` to the reading that explains it or,
    where none does, to the one that stands in its place. ``probability``: of the verdict among those considered.
    ``chance``: how likely a made-up value of this quantity would have been explained in this way all the same.
    ``failing``: the reading breaks a limit of its check.
    """

    verdict: Series[Text] = required(isin=list(RECORDED_VERDICTS))
    recorded_record_no: Series[OptionalWhole] = optional()
    recorded_column_no: Series[OptionalWhole] = optional()
    recorded_column: Series[Text] = optional()
    recorded_text: Series[Text] = optional()
    appliance_id: Series[Text] = optional()
    quantity: Series[Text] = optional()
    conductors: Series[Text] = optional()
    recorded_value: Series[Number] = optional()
    reading_value: Series[Number] = optional()
    unit: Series[Text] = optional()
    reading_id: Series[Text] = optional()
    evidence_sha256: Series[Text] = optional()
    evidence_record_no: Series[OptionalWhole] = optional()
    evidence_column: Series[Text] = optional()
    evidence_text: Series[Text] = optional()
    evidence_appliance_id: Series[Text] = optional()
    probability: Series[Number] = optional(ge=0, le=1)
    chance: Series[Number] = optional(ge=0, le=1)
    failing: Series[Truth] = required()
    note: Series[Text] = optional()


SCREENS: Final[dict[str, str]] = {
    "last digits": "the last digits shown are not spread evenly over 0 to 9",
    "round numbers": "the last digit shown is 0 too often",
    "repeated triple": "the same three supply voltages stand at several sites",
    "copied set": "two appliances share a whole set of readings",
    "short times": "readings follow each other faster than one can test or walk",
    "just inside a limit": "too many values lie just on the good side of their limit",
}
"""Every screen with what it says when it rings."""

SCREENING_WARNING: Final = (
    "Screening is a reason to ask, not proof. Honest work can look odd: a meter of coarse steps, a row of equal "
    "houses, two engineers of one name. Ask the engineer and look at the raw evidence before you conclude anything."
)


class Screening(Table):
    """One row a test made: what was looked at, how unlikely it is for honest readings, whether it rings.

    ``subject`` is an engineer, or two appliances. ``statistic`` is named by ``statistic_name``. ``p_value`` is of
    this test alone, ``p_corrected`` after Holm's correction over all tests of the table; ``rings`` where that is at
    most 0.01 and the effect is not small. ``reading_ids``: some of the readings, separated by spaces.
    """

    screen: Series[Text] = required(isin=list(SCREENS))
    subject: Series[Text] = required()
    quantity: Series[Text] = optional()
    count: Series[Whole] = required(ge=0)
    statistic_name: Series[Text] = required()
    statistic: Series[Number] = required()
    p_value: Series[Number] = required(ge=0, le=1)
    p_corrected: Series[Number] = required(ge=0, le=1)
    rings: Series[Truth] = required()
    reading_ids: Series[Text] = required()
    message: Series[Text] = required()


AUDIT_PARTS: Final = ("dataset files", "signature", "book", "dataset", "recorded values", "screening")


class AuditRows(Table):
    """Everything an audit has to say against what it was given, one row each: ``audit.csv``.

    ``where`` points into what was audited, ``evidence_*`` to the raw bytes behind it. ``recorded`` is what was found,
    ``evidence`` what the raw evidence gives instead.
    """

    part: Series[Text] = required(isin=list(AUDIT_PARTS))
    verdict: Series[Text] = required()
    where: Series[Text] = optional()
    what: Series[Text] = optional()
    recorded: Series[Text] = optional()
    evidence: Series[Text] = optional()
    evidence_sha256: Series[Text] = optional()
    evidence_name: Series[Text] = optional()
    evidence_record_no: Series[OptionalWhole] = optional()
    evidence_text: Series[Text] = optional()
    message: Series[Text] = optional()
    action: Series[Text] = optional()
