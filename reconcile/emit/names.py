"""File names of certificates: safe on every file system, never two the same."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

LONGEST_STEM: Final = 100
RESERVED: Final = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(10))]
)
"""Names that Windows keeps for devices, with any ending. Source: common practice."""


def certificate_stems(certificate_ids: Sequence[str]) -> dict[str, str]:
    """File name without ending of each certificate: its id, where that is a plain name.

    Anything but letters, digits and ``. _ -`` becomes ``_``, so an id cannot leave its folder. Where that changes the
    id, or the name would be reserved, too long, or the same as another but for case, part of the id's hash is added.
    """
    seen = Counter(certificate_id.lower() for certificate_id in certificate_ids)
    return {
        certificate_id: certificate_id
        if is_plain_name(certificate_id) and seen[certificate_id.lower()] == 1
        else hashed_stem(certificate_id)
        for certificate_id in certificate_ids
    }


def is_plain_name(stem: str) -> bool:
    """True for a name that every file system takes as it is."""
    reserved = stem.split(".")[0].lower() in RESERVED
    plain = re.fullmatch(r"[A-Za-z0-9_-]([A-Za-z0-9._-]*[A-Za-z0-9_-])?", stem) is not None
    return plain and len(stem) <= LONGEST_STEM and not reserved


def hashed_stem(certificate_id: str) -> str:
    """What can be kept of the id, and the start of its hash."""
    kept = re.sub(r"[^A-Za-z0-9_-]+", "_", certificate_id)[:60].strip("_")
    return f"certificate_{kept}_{hashlib.sha256(certificate_id.encode()).hexdigest()[:16]}"
