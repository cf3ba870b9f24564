"""What a killed process leaves is told and cleared; what is broken is never written over."""

from __future__ import annotations

import multiprocessing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.book import Book
from ingest.derived import find_derived, write_derived
from ingest.integrity import check_integrity
from schemas.errors import BookError


def test_torn_last_line_is_told_cut_and_recorded(book: Book) -> None:
    before = len(book.journal.entries())
    with book.journal.path.open("ab") as stream:
        stream.write(b'{"at":"2031-04-')
    opened = Book(book.root)
    assert opened.journal.dropped() == '{"at":"2031-04-'
    assert check_integrity(opened).faults["fault"].tolist() == ["cut off"]
    opened.journal.append("decision", {"decision_id": "D2"})
    kinds = [entry.kind for entry in Book(book.root).journal.entries()][before:]
    assert kinds == ["dropped", "decision"]
    assert check_integrity(opened).faults.empty


def test_head_one_append_behind_is_told_and_caught_up(book: Book) -> None:
    head = book.journal.head_path.read_bytes()
    book.journal.append("decision", {"decision_id": "D2"})
    book.journal.head_path.write_bytes(head)
    opened = Book(book.root)
    assert check_integrity(opened).faults["fault"].tolist() == ["behind"]
    opened.journal.append("decision", {"decision_id": "D3"})
    assert check_integrity(opened).faults.empty


def test_shortened_journal_is_not_written_on(book: Book) -> None:
    lines = book.journal.path.read_bytes().split(b"\n")
    book.journal.path.write_bytes(b"\n".join(lines[:-2]) + b"\n")
    with pytest.raises(BookError, match="cut short"):
        Book(book.root).journal.append("decision", {"decision_id": "D2"})


def test_change_by_another_process_is_seen_by_an_open_journal(book: Book) -> None:
    first, second = Book(book.root), Book(book.root)
    first.journal.append("decision", {"decision_id": "D2"})
    second.journal.append("decision", {"decision_id": "D3"})
    first.journal.append("decision", {"decision_id": "D4"})
    answers = [entry.body["decision_id"] for entry in second.journal.entries() if entry.kind == "decision"]
    assert answers == ["D1", "D2", "D3", "D4"]


def _append_many(root: str, name: str) -> None:
    book = Book(Path(root))
    for number in range(15):
        book.evidence.keep(
            f"{name} {number}".encode(), original_name=name, kind="export", received_at=datetime.now(UTC)
        )
        book.evidence.keep(b"the same for all", original_name=name, kind="export", received_at=datetime.now(UTC))


def test_processes_side_by_side_keep_every_entry(book: Book) -> None:
    before = len(list(book.evidence.hashes()))
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_append_many, args=(str(book.root), f"w{number}")) for number in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
        assert worker.exitcode == 0
    assert check_integrity(book).faults.empty
    assert len(list(Book(book.root).evidence.hashes())) == before + 3 * 15 + 1


def test_damaged_evidence_is_mended_by_the_same_bytes(book: Book) -> None:
    sha256 = next(book.evidence.hashes())
    content = book.evidence.read(sha256)
    sidecar = book.evidence.sidecar(sha256)
    path = book.evidence.path(sha256)
    path.chmod(0o644)
    path.write_bytes(content + b"?")
    received_at = datetime.fromisoformat(sidecar.received_at)
    book.evidence.keep(content, original_name="again.csv", kind=sidecar.kind, received_at=received_at)
    assert book.evidence.read(sha256) == content
    assert "restored" in [entry.kind for entry in book.journal.entries()]
    assert check_integrity(book).faults.empty


def test_same_bytes_twice_change_nothing(book: Book) -> None:
    journal = book.journal.path.read_bytes()
    sha256 = next(book.evidence.hashes())
    again = book.evidence.keep(
        book.evidence.read(sha256), original_name="other.csv", kind="export", received_at=datetime.now(UTC)
    )
    assert not again.new
    assert again.sidecar == book.evidence.sidecar(sha256)
    assert book.journal.path.read_bytes() == journal


def test_unlisted_evidence_is_taken_in_when_its_file_is_imported_again(book: Book) -> None:
    lines = book.journal.path.read_bytes()
    head = book.journal.head_path.read_bytes()
    kept = book.evidence.keep(b"late", original_name="late.csv", kind="export", received_at=datetime.now(UTC))
    book.journal.path.write_bytes(lines)
    book.journal.head_path.write_bytes(head)
    opened = Book(book.root)
    assert check_integrity(opened).faults["fault"].tolist() == ["not listed", "not listed"]
    again = opened.evidence.keep(b"late", original_name="late.csv", kind="export", received_at=datetime.now(UTC))
    assert again.new
    assert again.sidecar.sha256 == kept.sidecar.sha256
    assert check_integrity(opened).faults.empty


def test_changed_and_removed_profiles_are_journalled(book: Book) -> None:
    profile = book.profiles / "field-meter.toml"
    profile.write_text('kind = "lines"\n', encoding="utf-8")
    assert check_integrity(book).faults["path"].tolist() == ["profiles/field-meter.toml"]
    book.keep_profiles()
    assert check_integrity(book).faults.empty
    profile.unlink()
    assert check_integrity(book).faults["fault"].tolist() == ["missing"]
    book.keep_profiles()
    assert check_integrity(book).faults.empty
    entries = len(book.journal.entries())
    book.keep_profiles()
    assert len(book.journal.entries()) == entries


def test_damaged_derived_file_is_not_used(book: Book) -> None:
    write_derived(book.derived, "extract-1", b"first")
    write_derived(book.derived, "extract-1", b"second")
    assert find_derived(book.derived, "extract-1") == b"second"
    (path,) = book.derived.iterdir()
    path.write_bytes(b"secons")
    assert find_derived(book.derived, "extract-1") is None


def test_creation_that_was_cut_off_is_finished(tmp_path: Path) -> None:
    root = tmp_path / "book"
    Book(root).create()
    book = Book(root)
    book.settings_path.unlink()
    book.journal.path.unlink()
    book.journal.head_path.write_bytes(b"0 " + b"0" * 64 + b"\n")
    opened = Book(root)
    opened.create("UTC")
    assert opened.zone.key == "UTC"
    assert check_integrity(opened).faults.empty


def test_folder_of_something_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("dear", encoding="utf-8")
    with pytest.raises(BookError, match="something else"):
        Book(tmp_path).create()
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]
