"""What an audit says, one table a question."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Table, Text, optional, required

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
