"""File names of certificates: an id from a job list can be anything, a file name cannot."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.emit.names import certificate_stems


def test_a_plain_id_is_its_own_file_name() -> None:
    assert certificate_stems(["C-A-101", "J7.2_b"]) == {"C-A-101": "C-A-101", "J7.2_b": "J7.2_b"}


@pytest.mark.parametrize(
    "certificate_id",
    ["../../etc/passwd", "a/b", "a\\b", "CON", "nul.x", "", ".", "..", ".hidden", "end.", "é", "x" * 300],
)
def test_a_hostile_id_stays_in_its_folder(certificate_id: str) -> None:
    stem = certificate_stems([certificate_id])[certificate_id]
    assert re.fullmatch(r"certificate_[A-Za-z0-9_-]*_[0-9a-f]{16}", stem)
    assert len(stem) < 100


@given(st.lists(st.text("aA./\\é_-", max_size=4) | st.text(max_size=4), unique=True, max_size=6))
def test_names_differ_even_where_case_does_not_count(ids: list[str]) -> None:
    stems = certificate_stems(ids)
    assert len({stem.lower() for stem in stems.values()}) == len(ids)
    assert not any(set(stem) & set('/\\:*?"<>|') for stem in stems.values())
