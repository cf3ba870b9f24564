"""Every change of every file of a book is found, and the row names the file (and the line of the journal)."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from ingest.book import Book
from ingest.chain import parse_chain
from ingest.derived import write_derived
from ingest.integrity import check_integrity
from schemas.errors import BookError

POSITIONS = 15
"""Sampled bytes of each file on disk; the journal and its head are tried bit by bit in memory."""


def files_of(book: Book) -> list[Path]:
    return sorted(path for path in book.root.rglob("*") if path.is_file() and path.name != ".lock")


def overwrite(path: Path, content: bytes) -> None:
    path.chmod(0o644)
    path.write_bytes(content)


def faults(book: Book) -> list[tuple[str, str]]:
    table = check_integrity(Book(book.root)).faults
    return list(zip(table["path"], table["fault"], strict=True))


def relative(book: Book, path: Path) -> str:
    return path.relative_to(book.root).as_posix()


def test_untouched_book_has_no_fault(book: Book) -> None:
    write_derived(book.derived, "extract-1", b"made from evidence")
    found = check_integrity(book)
    assert found.faults.empty
    assert found.files == len(files_of(book)) + 1  # the lock file too
    assert found.entries == len(book.journal.entries())
    assert found.head == book.journal.entries()[-1].hash


def test_every_bit_of_journal_and_head(book: Book) -> None:
    journal, head = book.journal.path.read_bytes(), book.journal.head_path.read_bytes()
    starts = [0]
    for line in journal.split(b"\n")[:-1]:
        starts.append(starts[-1] + len(line) + 1)
    assert parse_chain(journal, head).broken is None
    for position in range(len(journal)):
        line = max(number for number, start in enumerate(starts, 1) if start <= position)
        for bit in range(8):
            altered = bytearray(journal)
            altered[position] ^= 1 << bit
            broken = parse_chain(bytes(altered), head).broken
            assert broken is not None, (position, bit)
            assert broken.line == line, (position, bit)
    for position in range(len(head)):
        for bit in range(8):
            altered = bytearray(head)
            altered[position] ^= 1 << bit
            assert parse_chain(journal, bytes(altered)).broken is not None, (position, bit)


def test_every_truncation_insertion_and_removal_of_a_byte_in_journal_and_head(book: Book) -> None:
    journal, head = book.journal.path.read_bytes(), book.journal.head_path.read_bytes()
    for length in range(len(journal)):
        assert parse_chain(journal[:length], head).broken is not None, length
    for length in range(len(head)):
        assert parse_chain(journal, head[:length]).broken is not None, length
    for position in range(len(journal)):
        assert parse_chain(journal[:position] + journal[position + 1 :], head).broken is not None, position
        for byte in (b" ", b"\n", b"0", b"\x00"):
            chain = parse_chain(journal[:position] + byte + journal[position:], head)
            assert chain.broken is not None or chain.torn, (position, byte)
    for extra in (b"\n", b"x", b"{}\n", journal.split(b"\n")[0] + b"\n"):
        chain = parse_chain(journal + extra, head)
        assert chain.broken is not None or chain.torn, extra


def test_every_entry_removed_repeated_or_swapped(book: Book) -> None:
    journal, head = book.journal.path.read_bytes(), book.journal.head_path.read_bytes()
    lines = journal.split(b"\n")[:-1]
    for first in range(len(lines)):
        without = lines[:first] + lines[first + 1 :]
        broken = parse_chain(b"\n".join(without) + b"\n", head).broken
        assert broken is not None
        assert broken.line == first + 1
        repeated = lines[: first + 1] + lines[first:]
        broken = parse_chain(b"\n".join(repeated) + b"\n", head).broken
        assert broken is not None
        assert broken.line == first + 2
        for second in range(first + 1, len(lines)):
            swapped = list(lines)
            swapped[first], swapped[second] = swapped[second], swapped[first]
            broken = parse_chain(b"\n".join(swapped) + b"\n", head).broken
            assert broken is not None
            assert broken.line == first + 1


def test_sampled_bits_of_every_file_on_disk(book: Book) -> None:
    write_derived(book.derived, "extract-1", b"made from evidence")
    rng = random.Random(20310402)
    tried = 0
    for path in files_of(book):
        content = path.read_bytes()
        for position in sorted(rng.sample(range(len(content)), min(POSITIONS, len(content)))):
            altered = bytearray(content)
            altered[position] ^= 1 << rng.randrange(8)
            overwrite(path, bytes(altered))
            assert relative(book, path) in {where for where, _fault in faults(book)}, (path, position)
            tried += 1
        overwrite(path, content)
    assert faults(book) == []
    assert tried >= POSITIONS * 8


def test_truncation_growth_and_deletion_of_every_file(book: Book) -> None:
    for path in files_of(book):
        content = path.read_bytes()
        for changed in (
            b"",
            content[:-1],
            content[: len(content) // 2],
            content + b"x",
            content + b"\n",
            b"x" + content,
        ):
            overwrite(path, changed)
            found = faults(book)
            journal_pair = {"journal.jsonl", "journal.head"}
            named = {where for where, _fault in found}
            wanted = journal_pair if path.name in journal_pair else {relative(book, path)}
            assert named & wanted, (path, changed)
        path.unlink()
        assert found, path
        assert {where for where, _fault in faults(book)} & wanted, path
        path.write_bytes(content)
    assert faults(book) == []


def test_every_pair_of_files_swapped(book: Book) -> None:
    files = files_of(book)
    for number, first in enumerate(files):
        for second in files[number + 1 :]:
            one, other = first.read_bytes(), second.read_bytes()
            if one == other:  # a profile and the evidence made of it: exchanging them changes nothing
                continue
            overwrite(first, other)
            overwrite(second, one)
            named = {where for where, _fault in faults(book)}
            assert named & {relative(book, first), relative(book, second)}, (first, second)
            overwrite(first, one)
            overwrite(second, other)
    assert faults(book) == []


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("note.txt", "stray"),
        ("evidence/note.txt", "stray"),
        ("evidence/ab/" + "ab" * 32, "not listed"),
        ("evidence/ab/" + "ab" * 32 + ".json", "not listed"),
        ("evidence/.incoming/.part-x1", "left over"),
        (".part-x1", "left over"),
        ("profiles/own.toml", "not listed"),
        ("profiles/deep/own.toml", "stray"),
        ("conversations/x.transcript", "left over"),
        ("derived/plain", "stray"),
        ("derived/key." + "0" * 64, "changed"),
        ("journal.jsonl.bak", "stray"),
    ],
)
def test_inserted_file_is_named(book: Book, name: str, fault: str) -> None:
    path = book.root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"put here")
    assert faults(book) == [(name, fault)]


def test_link_instead_of_the_file(book: Book, tmp_path: Path) -> None:
    sha256 = next(book.evidence.hashes())
    path = book.evidence.path(sha256)
    path.rename(tmp_path / "elsewhere")
    os.symlink(tmp_path / "elsewhere", path)
    assert (relative(book, path), "changed") in faults(book)


def test_forged_evidence_with_a_proper_name_and_sidecar(book: Book) -> None:
    other = Book(book.root.parent / "other")
    other.create()
    kept = other.evidence.keep(b"made up", original_name="x.csv", kind="export", received_at=other_moment(book))
    sha256 = kept.sidecar.sha256
    target = book.evidence.path(sha256)
    target.parent.mkdir(exist_ok=True)
    target.write_bytes(b"made up")
    book.evidence.sidecar_path(sha256).write_bytes(other.evidence.sidecar_path(sha256).read_bytes())
    assert [fault for _path, fault in faults(book)] == ["not listed", "not listed"]
    assert sha256 not in list(book.evidence.hashes())
    assert sha256 not in set(book.evidence.table()["sha256"])


def other_moment(book: Book):  # type: ignore[no-untyped-def]
    from datetime import datetime

    return datetime.fromisoformat(book.evidence.sidecar(next(book.evidence.hashes())).received_at)


def test_altered_sidecar_is_not_believed(book: Book) -> None:
    sha256 = next(book.evidence.hashes())
    path = book.evidence.sidecar_path(sha256)
    overwrite(path, path.read_bytes().replace(b"2031-", b"2032-"))
    with pytest.raises(BookError, match="does not know this sidecar"):
        book.evidence.table()


def test_altered_zone_is_not_believed(book: Book) -> None:
    overwrite(book.settings_path, book.settings_path.read_bytes().replace(b"London", b"Berlin"))
    with pytest.raises(BookError, match="altered"):
        _ = Book(book.root).zone


def test_folder_without_a_book_is_told(tmp_path: Path) -> None:
    with pytest.raises(BookError, match="no book here"):
        check_integrity(Book(tmp_path / "nothing"))
