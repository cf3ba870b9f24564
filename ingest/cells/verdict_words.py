"""Words that meters write beside a number or in its place to say how a test came out, by what each list is for.

The lists overlap and are not one: a word may fill a column of verdicts and still be too doubtful beside a number. All
are in small letters, as ``simplify`` leaves them.
"""

from __future__ import annotations

from typing import Final

_PASS_OR_FAIL: Final = frozenset(("pass", "fail", "passed", "failed", "p", "f"))

VERDICT_COLUMN: Final = _PASS_OR_FAIL | {
    "ok", "yes", "no", "y", "n", "good", "bad", "-", "n/a", "na", "true", "false", "valid", "invalid", "✓", "✗",
}  # fmt: skip
"""What may stand in a column of verdicts: a column that holds nothing else has no values. It says nothing of what a
word does to the number beside it."""

ONLY_VERDICTS: Final = _PASS_OR_FAIL
"""What makes a column under an unknown heading one of verdicts: words that nothing else in a table is called by. A
column of yes and no may be a statement that somebody wants to see refused rather than lost."""

NUMBER_STANDS: Final = _PASS_OR_FAIL | {"ok", "-", "yes", "no", "✓", "✗", "good", "true"}
"""Verdicts beside a number that leave it as it is. ``bad``, ``invalid`` or ``false`` are looked at one by one."""

FLAG_NOT_SET: Final = _PASS_OR_FAIL | {
    "", "0", "no", "n", "false", "off", "ok", "none", "nil", "in range", "within range", "in-range", "valid", "normal",
    "good", "✓", "✗", "eq", "=", "not flagged", "unset", "clear", "stored", "saved", "new", "synced", "sent",
    "exported", "uploaded", "auto", "automatic", "measured", "battery low", "low battery",
}  # fmt: skip
"""What a column of flags (over range, voided) holds where its flag is not set."""

RECORD_VOID: Final = frozenset(
    ("void", "voided", "deleted", "invalid", "error", "err", "aborted", "cancelled", "canceled", "erased", "bad",
     "corrupt", "discarded", "ignore", "rejected", "not valid", "wrong")
)  # fmt: skip
"""Words for a record that does not count, in whatever column they stand."""
