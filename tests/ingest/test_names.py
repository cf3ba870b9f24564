"""What names of tests and headings mean, each matched whole; the table of names is ours (names_of_tests.toml)."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.exports.measurements import Meaning, parse_meaning

TABLE = tomllib.loads((Path(__file__).parent / "names_of_tests.toml").read_text(encoding="utf-8"))
READ = [(name, meaning) for meaning, names in TABLE["read"].items() for name in names]
REFUSED = TABLE["refused"]["names"]


def spoken(meaning: Meaning) -> str:
    multiple = f"x{meaning.rcd_multiple:g}" if meaning.rcd_multiple else ""
    return " ".join(part for part in (meaning.quantity, meaning.conductors, multiple) if part)


@pytest.mark.parametrize(("name", "meaning"), READ)
def test_ordinary_name_is_understood(name: str, meaning: str) -> None:
    assert spoken(parse_meaning(name)) == meaning


@pytest.mark.parametrize("name", REFUSED)
def test_name_of_something_else_gives_no_reading(name: str) -> None:
    meaning = parse_meaning(name)
    assert not meaning.is_reading
    assert not (meaning.other and meaning.unclear)


def test_table_holds_hundreds_of_each() -> None:
    assert len(READ) >= 300 and len(REFUSED) >= 300
    assert not {name for name, _ in READ} & set(REFUSED)


@given(st.sampled_from([name for name, _ in READ]), st.text("bcdfghjkqwyz", min_size=6, max_size=9))
def test_word_that_nobody_knows_takes_the_reading_away(name: str, word: str) -> None:
    assert not parse_meaning(f"{word} {name}").is_reading
    assert not parse_meaning(f"{name} {word}").is_reading


@given(st.sampled_from([name for name, _ in READ]), st.integers(min_value=1001, max_value=99999))
def test_number_that_nothing_explains_takes_the_reading_away(name: str, number: int) -> None:
    assert not parse_meaning(f"{name} {number}").is_reading
