"""An audit on a terminal: 80 columns, no colour, the same when piped."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from cli.auditing import Audit
from cli.pages.wording import count_text
from cli.text import printable_lines
from schemas.audit import SCREENING_WARNING

WIDTH: Final = 78
SHOWN: Final = 12


def audit_lines(audit: Audit, written: Sequence[Path]) -> str:
    """The audit as lines of text."""
    lines = [f"audit of {audit.subject}", ""]
    for name, text in audit.totals.items():
        lines += _wrapped(f"{name + ':':24}{text}", indent=" " * 24)
    if "sample" in audit.tables:
        lines += _wrapped("drawn:" + " " * 18 + " ".join(audit.tables["sample"]["certificate_id"]), indent=" " * 24)
    lines.append("")
    for number, row in enumerate(audit.rows.head(SHOWN).to_dict("records"), start=1):
        texts = {name: value for name, value in row.items() if isinstance(value, str)}
        lines += _wrapped(f"{number}. {texts['part']}: {texts['verdict']}", indent="   ")
        for name in ("where", "what"):
            lines += _wrapped(f"   {texts[name]}", indent="   ") if name in texts else []
        if "recorded" in texts or "evidence" in texts:
            ours, theirs = texts.get("recorded", "nothing"), texts.get("evidence", "nothing")
            lines += _wrapped(f"   on record {ours}, by the evidence {theirs}", indent="   ")
        for name in ("message", "action"):
            before = "   try: " if name == "action" else "   "
            lines += _wrapped(f"{before}{texts[name]}", indent="   ") if name in texts else []
    if len(audit.rows) > SHOWN:
        lines.append(f"   and {len(audit.rows) - SHOWN} more")
    for note in audit.notes:
        lines += _wrapped(f"note: {note}", indent="  ")
    if "screening" in audit.tables:
        lines += _wrapped(SCREENING_WARNING, indent="")
    lines.append("no mismatch" if audit.clean else count_text(len(audit.rows), "mismatch", "mismatches"))
    lines.append(f"report: {', '.join(str(path) for path in written)}")
    return printable_lines("\n".join(lines))


def _wrapped(text: str, *, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
