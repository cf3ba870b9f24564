"""The evidence table: every file of bytes that a book holds."""

from __future__ import annotations

from typing import Final

from pandera.typing.pandas import Series

from schemas.columns import Moment, Table, Text, Whole, key, optional, required

EVIDENCE_KINDS: Final = (
    "export", "transcript", "job list", "appliance list", "attestations", "meter register", "profile",
)  # fmt: skip


class Evidence(Table):
    """One row an evidence object. ``received_at`` is when the bytes reached this computer (see README)."""

    sha256: Series[Text] = key(str_length={"min_value": 64, "max_value": 64})
    original_name: Series[Text] = required()
    bytes: Series[Whole] = required(ge=0)
    received_at: Series[Moment] = required()
    kind: Series[Text] = required(isin=list(EVIDENCE_KINDS))
    profile: Series[Text] = optional()
    tool_version: Series[Text] = required()
