"""What an audit says, one table a question."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Table, Text, Whole, optional, required

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
