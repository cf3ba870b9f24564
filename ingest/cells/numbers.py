"""One number as text to an exact decimal, or why not: separators are decided, never guessed.

``1,250`` is 1.25 or 1250: only the file as a whole can say (``NumberStyle``). ``0,350`` and ``1,25`` can only be
decimal commas, ``1,250.5`` and ``1,250,000`` only thousands.
"""

from __future__ import annotations

import re
from decimal import Decimal
from enum import Enum
from functools import lru_cache
from typing import Final

from ingest.cells.text import CACHE

LONGEST: Final = 40
"""A number of more characters is no reading of an instrument."""


class NumberStyle(Enum):
    """Which separator marks the decimals, as far as the file tells."""

    UNKNOWN = 0
    POINT = 1
    COMMA = 2
    POINT_IF_SHOWN = 3
    """A point marks decimals (the file separates its cells by commas); what a comma marks is not settled."""


class Ambiguous(Exception):
    """The text is a number in two ways, and nothing settles which."""


_BODY: Final = re.compile(r"([+-]?)((?:\d[\d.,·' ]*)?\d|[.,·]\d+)(?:[eE]([+-]?\d{1,3}))?")
_SPACED: Final = re.compile(r"([1-9]\d{0,2})((?:[ ']\d{3})+)([.,·]\d+)?")
_GROUPS: Final = {
    ",": re.compile(r"[1-9]\d{0,2}(?:,\d{3})+"),
    ".": re.compile(r"[1-9]\d{0,2}(?:\.\d{3})+"),
}


@lru_cache(maxsize=CACHE)
def parse_number(text: str, style: NumberStyle) -> Decimal | None:
    """The exact decimal that folded ``text`` is, with its shown digits kept; None where it is no number.

    Raises Ambiguous where point or comma could mark decimals or thousands and ``style`` does not know.
    """
    found = _BODY.fullmatch(text) if len(text) <= LONGEST else None
    if found is None:
        return None
    sign, body, exponent = found.groups()
    plain = _plain(body, style, scientific=bool(exponent) and body[1:2] in (".", ","))
    if plain is None:
        return None
    return Decimal(f"{sign}{plain}{'e' + exponent if exponent else ''}")


def number_evidence(text: str) -> NumberStyle:
    """What one folded number alone proves about the separators of its column; UNKNOWN where nothing."""
    found = _BODY.fullmatch(text) if len(text) <= LONGEST else None
    if found is None:
        return NumberStyle.UNKNOWN
    proved = NumberStyle.UNKNOWN
    for style, other in ((NumberStyle.POINT, NumberStyle.COMMA), (NumberStyle.COMMA, NumberStyle.POINT)):
        if _mark(found[2], style) and not _mark(found[2], other):
            proved = style
    return proved


def _mark(body: str, style: NumberStyle) -> bool:
    """True where ``body`` is well formed if ``style`` marks the decimals."""
    decimal, group = (".", ",") if style is NumberStyle.POINT else (",", ".")
    if decimal not in body and group not in body:
        return True
    body = body.replace("'", "").replace(" ", "") if _SPACED.fullmatch(body) else body
    whole, mark, fraction = body.partition(decimal)
    if mark and not fraction.isdigit():
        return False
    return whole == "" or whole.isdigit() or _GROUPS[group].fullmatch(whole) is not None


def _plain(body: str, style: NumberStyle, *, scientific: bool) -> str | None:
    """Digits with at most one point, or None. Raises Ambiguous.

    ``scientific``: one digit before the mark and an exponent behind it, where nobody writes thousands.
    """
    if body.isdigit():
        return body
    if " " in body or "'" in body:
        if _SPACED.fullmatch(body) is None:
            return None
        body = body.replace(" ", "").replace("'", "")
        # After grouping by blanks, a single point or comma can only mark decimals.
        return body.replace(",", ".").replace("·", ".")
    if "·" in body:
        whole, _, fraction = body.partition("·")
        return f"{whole}.{fraction}" if whole.isdigit() and fraction.isdigit() else None
    as_point, as_comma = _mark(body, NumberStyle.POINT), _mark(body, NumberStyle.COMMA)
    if as_point and as_comma:
        if scientific:
            return body.replace(",", ".")
        if style is NumberStyle.UNKNOWN or (style is NumberStyle.POINT_IF_SHOWN and "," in body):
            raise Ambiguous
        as_point = style is not NumberStyle.COMMA
    elif not as_point and not as_comma:
        return None
    return body.replace(",", "") if as_point else body.replace(".", "").replace(",", ".")
