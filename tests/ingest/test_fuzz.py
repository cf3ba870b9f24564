"""Arbitrary bytes raise nothing, hang nowhere, and leave every record as a reading or a refusal."""

from __future__ import annotations

import gzip
import random
import zipfile
from io import BytesIO

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ingest.exports.read import read_export
from tests.ingest.test_corpus import make_file

FUZZ = settings(deadline=None, suppress_health_check=list(HealthCheck), max_examples=60, derandomize=True)
PIECES = st.sampled_from([
    b"Memory", b"Date", b"Time", b"Test", b"Value", b"Unit", b"Label", b"Zs", b"V L-N", b"0.35", b"0,35", b"1,250",
    b">999", b"Ohm", b"\xce\xa9", b"M\xce\xa9", b"2031-04-02", b"02/04/2031", b"12:01", b"PASS", b";", b",", b"\t",
    b"|", b"\n", b"\r\n", b"\r", b'"', b'""', b"\x00", b"\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"#", b":", b"=", b" ",
    b"sep=;", b"Serial: 1", b"-", b"Average", b"PK\x03\x04", b"\x1f\x8b", b"{", b"\\", b"'", b"\xe2\x80\x8b", b"OL",
    b"1e309", b"9" * 50, b"Insulation L-E 500V",
])  # fmt: skip


def read(content: bytes) -> None:
    extract = read_export(content, name="fuzz.csv", sha256="a" * 64, book_zone="Europe/London")
    assert extract.records == len(extract.readings) + len(extract.refusals)


@FUZZ
@given(st.binary(max_size=400))
@example(b"\x1f\x8b\x08\x00")
@example(b"PK\x03\x04" + b"\x00" * 40)
@example(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 600)
def test_any_bytes(content: bytes) -> None:
    read(content)


@FUZZ
@given(st.lists(PIECES, max_size=60).map(b"".join))
def test_pieces_of_exports_in_any_order(content: bytes) -> None:
    read(content)


@pytest.mark.parametrize("seed", range(12))
def test_damaged_exports(seed: int) -> None:
    rng = random.Random(seed)
    content = bytearray(make_file(seed).content)
    for _ in range(rng.randint(1, 40)):
        at = rng.randrange(len(content))
        kind = rng.randrange(3)
        if kind == 0:
            content[at] = rng.randrange(256)
        elif kind == 1:
            del content[at : at + rng.randint(1, 30)]
        else:
            content[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 8)))
    read(bytes(content))


def test_a_bomb_is_not_unpacked() -> None:
    packed = gzip.compress(b"\x00" * (64 << 20), mtime=0)
    extract = read_export(packed, name="bomb.csv.gz", sha256="a" * 64)
    assert extract.refusals["reason"].tolist() == ["unreadable"]
    buffer = BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bomb.csv", b"\x00" * (64 << 20))
    extract = read_export(buffer.getvalue(), name="bomb.zip", sha256="a" * 64)
    assert extract.refusals["reason"].tolist() == ["unreadable"]


@pytest.mark.parametrize(
    "content",
    [
        b"Date;Test;Value\n" + b'"' * 20_000,
        b"Test;Value;Unit\n" + b"Zs;" + b"9" * 100_000 + b";Ohm\n",
        b"Test;Value;Unit\n" + b"Zs;" + b"1 " * 20_000 + b";Ohm\n",
        b"Test" + b" L" * 20_000 + b";Value;Unit\nZs;1;Ohm\n",
        b";" * 50_000,
        b"\n" * 50_000,
        (b"Test;Value;Unit\n" * 300) + b"Zs;1;Ohm\n",
        b"Site" + b":" * 20_000 + b"\n",
        b"a: b " * 5_000,
        ("Date;Time;Test;Value;Unit\n" + "Wed " * 5_000 + ";12:00;Zs;1;Ohm\n").encode(),
    ],
    ids=["quotes", "digits", "blanks", "heading", "separators", "lines", "headings", "colons", "pairs", "weekdays"],
)
def test_long_cells_and_lines_take_no_long_time(content: bytes) -> None:
    read(content)
