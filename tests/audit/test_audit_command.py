"""The audit as people run it: clean, altered in every way, signed, checked by strangers."""

from __future__ import annotations

import csv
import hashlib
import itertools
import json
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from jwcrypto.jwk import JWK
from jwcrypto.jws import JWS

from cli.__main__ import run
from cli.auditing import Again, Audit, compare_out, derive_again, hash_file, list_files, read_dataset
from ingest.book import Book
from ingest.decided import keep_decisions
from ingest.made import find_made, list_made
from reconcile.audit.files import DESCRIPTOR, SIGNATURE, check_files, compare_file, parse_package
from reconcile.audit.signature import canonical_package
from reconcile.emit.descriptor import FileFacts
from schemas.check import conform_table
from schemas.errors import InputError
from schemas.matches import Decisions

SAMPLES = Path(__file__).resolve().parents[2] / "sample_exports"
CHECKER = Path(__file__).with_name("independent_check.py")
POSITIONS = 6


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a book, a signed dataset ``out`` and the keys, made by the commands of the README."""
    folder = tmp_path_factory.mktemp("signed")
    book, out = str(folder / "book"), str(folder / "out")
    assert run(["run", str(SAMPLES / "bad_day"), "--book", book, "--out", out, "--no-pdf"]) in (0, 1)
    assert run(["sign", "--new-key", str(folder / "office.key")]) == 0
    assert run(["sign", out, "--key", str(folder / "office.key"), "--book", book]) == 0
    return folder


@pytest.fixture
def copy(signed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(signed, tmp_path / "copy"))


def audit(folder: Path, *more: str) -> tuple[int, list[dict[str, str]]]:
    """Exit code and rows of audit.csv of a full audit."""
    report = folder / "report"
    code = run([
        "audit", str(folder / "out"), "--book", str(folder / "book"), "--key", str(folder / "office.key.pub.jwk"),
        "--report", str(report), *more,
    ])  # fmt: skip
    if not (report / "audit.csv").exists():
        return code, []
    with (report / "audit.csv").open(encoding="utf-8", newline="") as stream:
        return code, list(csv.DictReader(stream))


def test_untouched_dataset_agrees(signed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, rows = audit(signed)
    assert (code, rows) == (0, [])
    printed = capsys.readouterr().out
    assert "no mismatch" in printed
    assert "signature:              good" in printed
    found = json.loads((signed / "report" / "audit.json").read_text(encoding="utf-8"))
    assert found["clean"] is True
    assert found["totals"]["files derived again"].endswith("the same, 0 not")
    assert sum(row["not_same"] for row in found["tables"]["comparison"]) == 0


def test_altered_value_is_shown_beside_the_line_of_the_instrument(copy: Path) -> None:
    path = copy / "out" / "readings.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    victim = next(row for row in rows if row["quantity"] == "earth_fault_loop_impedance")
    lines = path.read_text(encoding="utf-8").split("\n")
    place = next(number for number, line in enumerate(lines) if line.startswith(victim["reading_id"]))
    old = f",{victim['value']},Ohm"
    assert old in lines[place]
    lines[place] = lines[place].replace(old, ",0.21,Ohm", 1)
    path.write_text("\n".join(lines), encoding="utf-8")
    code, found = audit(copy)
    assert code == 1
    row = next(row for row in found if row["verdict"] == "differs")
    assert (row["recorded"], row["evidence"]) == ("0.21", victim["value"])
    assert row["where"] == f"readings.csv line {place + 1}"
    assert (row["evidence_record_no"], row["evidence_sha256"]) == (victim["record_no"], victim["evidence_sha256"])
    page = (copy / "report" / "audit.html").read_text(encoding="utf-8")
    assert f"<mark>{victim['raw_text']}</mark>" in page
    assert '<th scope="col">On record</th>' in page


def test_forger_who_mends_every_hash_is_found(copy: Path) -> None:
    out = copy / "out"
    path = out / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b",eq,", b",lt,", 1))
    package = json.loads((out / DESCRIPTOR).read_text(encoding="utf-8"))
    for resource in package["resources"]:
        content = (out / resource["path"]).read_bytes()
        resource["hash"], resource["bytes"] = f"sha256:{hashlib.sha256(content).hexdigest()}", len(content)
    (out / DESCRIPTOR).write_text(json.dumps(package, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    code, found = audit(copy)
    assert code == 1
    assert {(row["part"], row["verdict"]) for row in found} >= {("signature", "does not hold"), ("dataset", "differs")}


def test_row_left_out_and_row_made_up(copy: Path) -> None:
    path = copy / "out" / "readings.csv"
    lines = path.read_text(encoding="utf-8").split("\n")
    lines[1], gone = lines[2].replace(lines[2].split(",")[0], "f" * 16 + "-9-9"), lines[1]
    path.write_text("\n".join(lines), encoding="utf-8")
    code, found = audit(copy)
    assert code == 1
    verdicts = {row["what"]: row["verdict"] for row in found if row["part"] == "dataset"}
    assert verdicts[gone.split(",")[0]] == "missing"
    assert verdicts["f" * 16 + "-9-9"] == "extra"


def test_a_damaged_sidecar_is_named_and_the_rest_is_still_compared(copy: Path) -> None:
    """Each fourth sidecar: the file is named, and no dataset as a whole is given up for it."""
    for path in sorted((copy / "book" / "evidence").glob("*/*.json"))[::4]:
        content = path.read_bytes()
        path.chmod(0o644)
        path.write_bytes(content.replace(b'"bytes": ', b'"bytes": 1', 1))
        code, found = audit(copy)
        assert code == 1
        assert any(row["verdict"] == "changed" and path.name in row["where"] for row in found), path.name
        assert not any(row["part"] == "dataset" and row["verdict"] == "not derivable" and row["where"].endswith("out")
                       for row in found)  # fmt: skip
        path.write_bytes(content)
    assert audit(copy)[0] == 0


def test_damaged_evidence_makes_rows_not_derivable(copy: Path) -> None:
    book = Book(copy / "book")
    sha256 = next(iter(find_made(book, (copy / "out" / DESCRIPTOR).read_bytes()).exports))  # type: ignore[union-attr]
    path = book.evidence.path(sha256)
    path.chmod(0o644)
    path.write_bytes(path.read_bytes() + b" ")
    code, found = audit(copy)
    assert code == 1
    assert {"changed", "not derivable"} <= {row["verdict"] for row in found}
    assert any(row["where"].endswith(sha256) for row in found if row["part"] == "book")


def test_later_imports_and_decisions_leave_an_old_dataset_auditable(copy: Path) -> None:
    book = str(copy / "book")
    assert run(["import", str(SAMPLES / "plain_day" / "multifunction.csv"), "--book", book]) in (0, 1)
    assert run(["certify", "--book", book, "--out", str(copy / "later"), "--no-pdf"]) in (0, 1)
    assert len(list_made(Book(copy / "book"))) == 2
    assert audit(copy) == (0, [])


def test_a_fuller_export_that_takes_over_the_ids_leaves_an_old_dataset_auditable(tmp_path: Path) -> None:
    """A reading is named by the fullest export that holds it, so its id changes when a fuller one comes."""
    book, whole = str(tmp_path / "book"), (SAMPLES / "plain_day" / "multifunction.csv").read_bytes()
    lines = whole.splitlines(keepends=True)
    (tmp_path / "early.csv").write_bytes(b"".join(lines[:-9]))
    (tmp_path / "late.csv").write_bytes(whole)
    assert run(["import", str(tmp_path / "early.csv"), "--book", book]) in (0, 1)
    assert run(["certify", "--book", book, "--out", str(tmp_path / "out"), "--no-pdf"]) in (0, 1)
    answered = column(tmp_path / "out" / "readings.csv", "reading_id")[:2]
    keep_decisions(Book(tmp_path / "book"), decision(" ".join(answered), "stray"))
    assert run(["import", str(tmp_path / "late.csv"), "--book", book]) in (0, 1)
    assert run(["certify", "--book", book, "--out", str(tmp_path / "later"), "--no-pdf"]) in (0, 1)
    early, late = (column(tmp_path / name / "readings.csv", "reading_id") for name in ("out", "later"))
    assert set(early).isdisjoint(late)
    # What a person said of a reading stays said of it, whatever its name.
    assert column(tmp_path / "later" / "readings.csv", "match_status")[:3] == ["decided", "decided", "none"]
    assert len(column(tmp_path / "later" / "duplicates.csv", "reading_id")) == len(early)
    for name in ("out", "later"):
        assert run(["audit", str(tmp_path / name), "--book", book, "--report", str(tmp_path / "report")]) == 0


def test_the_dataset_names_who_read_each_export(signed: Path) -> None:
    kinds = zip(*(column(signed / "out" / "evidence.csv", name) for name in ("kind", "profile")), strict=True)
    assert {(kind, profile) for kind, profile in kinds if kind == "export"} == {("export", "built-in")}


def test_a_signed_dataset_is_not_written_over(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = {path: (copy / "out" / path).read_bytes() for path in list_files(copy / "out")}
    assert run(["certify", "--book", str(copy / "book"), "--out", str(copy / "out"), "--no-pdf"]) == 2
    told = capsys.readouterr().err
    assert "the dataset here is signed" in told
    assert SIGNATURE in told
    assert {path: (copy / "out" / path).read_bytes() for path in list_files(copy / "out")} == before


def decision(subject: str, answer: str) -> pd.DataFrame:
    row = {"decision_id": "d-1", "kind": "match", "subject": subject, "answer": answer, "by": "O. Brandreth",
           "decided_at": pd.Timestamp("2031-04-05T10:00:00Z"), "why": "bench test of the meter"}  # fmt: skip
    return conform_table(Decisions, pd.DataFrame([row]))


def column(path: Path, name: str) -> list[str]:
    with path.open(encoding="utf-8", newline="") as stream:
        return [row[name] for row in csv.DictReader(stream)]


def test_journal_rewritten_after_signing_is_found(copy: Path) -> None:
    book = Book(copy / "book")
    entries = book.journal.entries()
    book.journal.path.unlink()
    book.journal.head_path.unlink()
    fresh = Book(copy / "book")
    fresh.journal.start()
    fresh.journal.append_all([(entry.kind, entry.body) for entry in entries])  # a whole new chain, only times differ
    code, found = audit(copy)
    assert code == 1
    assert [row["part"] for row in found] == ["signature"]
    assert "not the one that was signed" in found[0]["message"]


def derived_files(folder: Path) -> tuple[Again, list[tuple[FileFacts, bytes]]]:
    package, _described, found = read_dataset(folder / "out")
    book = Book(folder / "book")
    again = derive_again(book, find_made(book, package), (), found)
    return again, list(again.files)


def compared_places(out: Path, again: Again, files: list[tuple[FileFacts, bytes]]) -> set[str]:
    """The files that the comparison with the evidence names, without deriving again each time."""
    repeated = Again(derived=again.derived, dataset=again.dataset, files=iter(files))
    found = {path: hash_file(out / path) for path in list_files(out)}
    rows = compare_out(Audit(subject="dataset"), out, repeated, found, (), "")
    return {str(row["where"]).split(" ")[0] for row in rows}


def described_places(out: Path) -> set[str]:
    """The files that the description alone finds wrong."""
    try:
        _package, described, found = read_dataset(out)
    except InputError as error:
        return {DESCRIPTOR, error.where}
    return set(check_files(described, found)["path"])


def altered_contents(content: bytes, rng: random.Random) -> list[bytes]:
    """Shortened, lengthened, and single bits of it flipped."""
    made = [content[:-1], content + b"\n", content[: len(content) // 2], b"", content[1:]]
    for position in rng.sample(range(len(content)), min(POSITIONS, len(content))):
        flipped = bytearray(content)
        flipped[position] ^= 1 << rng.randrange(8)
        made.append(bytes(flipped))
    return made


def test_every_kind_of_change_of_every_file_of_a_dataset(copy: Path) -> None:
    out = copy / "out"
    again, files = derived_files(copy)
    given = {file.path: content for file, content in files}
    paths = [path for path in list_files(out) if path != SIGNATURE]
    assert set(given) == set(paths)
    assert described_places(out) | compared_places(out, again, files) == set()
    rng = random.Random(7)
    for path in paths:
        content = (out / path).read_bytes()
        for changed in altered_contents(content, rng):
            (out / path).write_bytes(changed)
            # The description finds every file but itself; what the evidence gives finds every file.
            assert path == DESCRIPTOR or path in described_places(out), (path, len(changed))
            assert len(compare_file(path, changed, given[path])) == 1, (path, len(changed))
        if path.endswith((".csv", "index.html")):
            assert path in compared_places(out, again, files), path
        (out / path).unlink()
        assert path in described_places(out), path
        (out / path).write_bytes(content)
    for path in ("readings.csv", "index.html", DESCRIPTOR):
        content = (out / path).read_bytes()
        (out / path).unlink()
        assert path in compared_places(out, again, files), path
        (out / path).write_bytes(content)


def test_files_swapped_and_put_into_a_dataset(copy: Path) -> None:
    out = copy / "out"
    paths = [path for path in list_files(out) if path not in (SIGNATURE, DESCRIPTOR)]
    for first, second in itertools.pairwise(paths):
        one, other = (out / first).read_bytes(), (out / second).read_bytes()
        (out / first).write_bytes(other)
        (out / second).write_bytes(one)
        assert {first, second} <= described_places(out), (first, second)
        (out / first).write_bytes(one)
        (out / second).write_bytes(other)
    for extra in ("note.txt", "certificates/extra.json", ".hidden"):
        (out / extra).write_bytes(b"put here")
        assert described_places(out) == {extra}
        (out / extra).unlink()
    (out / "linked.csv").symlink_to(out / "readings.csv")
    assert described_places(out) == {"linked.csv"}


def test_standard_library_alone_follows_every_value_to_its_line(signed: Path) -> None:
    with (signed / "out" / "readings.csv").open(encoding="utf-8", newline="") as stream:
        ids = [row["reading_id"] for row in csv.DictReader(stream) if row["value"]]
    for reading_id in (ids[0], ids[len(ids) // 2], ids[-1]):
        # -I and -S: no packages, no folder of ours, only the standard library.
        command = [sys.executable, "-I", "-S", str(CHECKER), str(signed / "out"), str(signed / "book"), reading_id]
        answer = subprocess.run(command, capture_output=True, text=True, check=False)
        assert (answer.returncode, answer.stderr) == (0, "")
        assert "stands in:" in answer.stdout


def test_standard_library_checker_sees_a_changed_file(copy: Path) -> None:
    (copy / "out" / "checks.csv").write_bytes((copy / "out" / "checks.csv").read_bytes() + b" ")
    command = [sys.executable, "-I", "-S", str(CHECKER), str(copy / "out"), str(copy / "book"), "x"]
    answer = subprocess.run(command, capture_output=True, text=True, check=False)
    assert answer.returncode == 1
    assert "checks.csv" in answer.stderr


def test_signature_of_the_command_is_good_for_another_jose_library(signed: Path) -> None:
    package = (signed / "out" / DESCRIPTOR).read_bytes()
    token = JWS()
    token.deserialize((signed / "out" / SIGNATURE).read_text(encoding="ascii").strip())
    key = JWK.from_json((signed / "office.key.pub.jwk").read_text(encoding="ascii"))
    token.verify(key, detached_payload=canonical_package(package))
    # Plain JSON with sorted keys is the canonical form of this description, so that common tools will do.
    plain = json.dumps(parse_package(package), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert plain.encode() == canonical_package(package)


def test_dataset_without_a_book_is_checked_as_far_as_it_goes(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(copy / "book")
    assert run(["audit", str(copy / "out"), "--report", str(copy / "report")]) == 0
    assert "no book was given" in capsys.readouterr().out
    (copy / "out" / "index.html").write_bytes(b"other")
    assert run(["audit", str(copy / "out"), "--report", str(copy / "report")]) == 1


def test_recorded_table_typed_by_hand(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with (copy / "out" / "readings.csv").open(encoding="utf-8", newline="") as stream:
        loop = [
            row for row in csv.DictReader(stream)
            if row["quantity"] == "earth_fault_loop_impedance" and row["match_status"] == "auto" and row["value"]
        ]  # fmt: skip
    last = {row["appliance_id"]: row for row in loop}
    typed = ["Appliance,Date,Zs (ohm)"] + [
        f"{name},{row['meter_time'][:10]},{row['raw_text'].split()[0]}" for name, row in last.items()
    ]
    table = copy / "typed.csv"
    table.write_text("\n".join(typed) + "\n", encoding="utf-8")
    arguments = ["audit", "--recorded", str(table), "--book", str(copy / "book"), "--report", str(copy / "report")]
    run(arguments)
    found = json.loads((copy / "report" / "audit.json").read_text(encoding="utf-8"))
    values = [row for row in found["tables"]["recorded values"] if row["verdict"] != "left out"]
    assert {row["verdict"] for row in values} <= {"agrees", "agrees within rounding"}
    assert len(values) == len(last)
    table.write_text("\n".join([*typed[:-1], typed[-1].rpartition(",")[0] + ",7.77"]) + "\n", encoding="utf-8")
    assert run(arguments) == 1
    assert "on record 7.77" in capsys.readouterr().out


def test_a_slip_beyond_what_can_be_measured_is_told_as_a_slip(copy: Path) -> None:
    """A reader of exports refuses 350,000 ohm of earth loop; in a record it is the reading in another prefix."""
    with (copy / "out" / "readings.csv").open(encoding="utf-8", newline="") as stream:
        found = [row for row in csv.DictReader(stream) if row["match_status"] == "auto" and row["value"]]
    last = {row["appliance_id"]: row for row in found if row["quantity"] == "earth_fault_loop_impedance"}
    name, row = next((name, row) for name, row in sorted(last.items()) if 0.1 < float(row["value"]) < 2)
    day, number = row["meter_time"][:10], row["raw_text"].split()[0]
    table = copy / "typed.csv"
    table.write_text(
        f"Appliance,Date,Zs (ohm)\n{name},{day},{number}\n{name},{day},{float(number) * 1e6:.0f}\n"
        f"{name},{day},12345678901234567890\n{name},{day},pass\n",
        encoding="utf-8",
    )
    arguments = ["audit", "--recorded", str(table), "--book", str(copy / "book"), "--report", str(copy / "report")]
    assert run(arguments) == 1
    told = json.loads((copy / "report" / "audit.json").read_text(encoding="utf-8"))["tables"]["recorded values"]
    verdicts = {row["recorded_record_no"]: row["verdict"] for row in told if row["verdict"] != "left out"}
    assert verdicts == {2: "agrees", 3: "unit or decimal slip", 4: "not readable", 5: "not readable"}
    slip = next(row for row in told if row["recorded_record_no"] == 3)
    assert slip["note"] == "the record has 10^6 times the reading"
    assert slip["recorded_text"] == f"{float(number) * 1e6:.0f}"


def test_damaged_evidence_is_named_and_recorded_values_are_still_compared(tmp_path: Path) -> None:
    """One export of two is damaged: values of the other still agree, those of the damaged one carry a word of it."""
    book = tmp_path / "book"
    assert run(["run", str(SAMPLES / "plain_day"), "--book", str(book), "--out", str(tmp_path / "out")]) == 0
    with (tmp_path / "out" / "readings.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["quantity"] == "earth_fault_loop_impedance"]
    table = tmp_path / "typed.csv"
    typed = [f"{row['appliance_id']},{row['meter_time'][:10]},{row['raw_text'].split()[0]}" for row in rows]
    table.write_text("\n".join(["Appliance,Date,Zs (ohm)", *typed]) + "\n", encoding="utf-8")
    arguments = ["audit", "--recorded", str(table), "--book", str(book), "--report", str(tmp_path / "report")]
    names = {one.original_name: sha256 for sha256 in Book(book).evidence.hashes()
             if (one := Book(book).evidence.sidecar(sha256)).kind == "export"}  # fmt: skip
    for name, agrees in (("indicator.csv", True), ("multifunction.csv", False)):
        path = Book(book).evidence.path(names[name])
        content = path.read_bytes()
        path.chmod(0o644)
        path.write_bytes(content[:-1] + b"?")
        assert run(arguments) == 1
        found = json.loads((tmp_path / "report" / "audit.json").read_text(encoding="utf-8"))
        assert any(names[name] in row["where"] for row in found["mismatches"] if row["part"] == "book")
        values = [row for row in found["tables"]["recorded values"] if row["verdict"] != "left out"]
        assert len(values) == len(rows)
        assert all((row["verdict"] == "agrees") == agrees for row in values)
        assert agrees or all("damaged" in row["note"] for row in values)
        path.write_bytes(content)


def test_parquet_tables_are_compared_cell_by_cell(copy: Path) -> None:
    book, out = str(copy / "book"), copy / "parquet"
    arguments = ["--book", book, "--out", str(out), "--tables", "parquet", "--no-pdf"]
    assert run(["certify", *arguments]) in (0, 1)
    audited = ["audit", str(out), "--book", book, "--report", str(copy / "report")]
    assert run(audited) == 0
    table = pq.read_table(out / "checks.parquet")
    column = table.column_names.index("outcome")
    outcomes = table["outcome"].to_pylist()
    outcomes[0] = "satisfactory" if outcomes[0] != "satisfactory" else "unsatisfactory"
    pq.write_table(table.set_column(column, "outcome", [outcomes]), out / "checks.parquet")
    assert run(audited) == 1
    with (copy / "report" / "audit.csv").open(encoding="utf-8", newline="") as stream:
        found = [row for row in csv.DictReader(stream) if row["verdict"] == "differs"]
    assert [(row["recorded"], row["where"]) for row in found] == [(outcomes[0], "checks row 1")]


def test_sample_and_screening_are_in_the_report(signed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _rows = audit(signed, "--screen", "--sample", "50%", "--seed", "agreed")
    assert code in (0, 1)
    printed = capsys.readouterr().out
    assert "reason to ask, not proof" in printed
    found = json.loads((signed / "report" / "audit.json").read_text(encoding="utf-8"))
    drawn = found["tables"]["sample"]
    assert drawn
    assert f"{len(drawn)} of" in found["totals"]["sample"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "one of both"),
        (["nowhere"], "no dataset can be read here"),
        (["--recorded", "nowhere.csv", "--book", "{book}"], "cannot be read"),
        (["{out}", "--book", "nowhere"], "there is no book"),
        (["{out}", "--book", "{book}", "--report", "{out}/report"], "inside what is audited"),
        (["{out}", "--book", "{book}", "--sample", "some"], "no such sample"),
    ],
)
def test_mistakes_are_told(
    signed: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    told = [text.format(out=signed / "out", book=signed / "book") for text in arguments]
    assert run(["audit", *told]) == 2
    assert words in capsys.readouterr().err


def test_keys_are_never_written_over_and_signing_twice_is_told(
    copy: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert run(["sign", "--new-key", str(copy / "office.key")]) == 2
    assert run(["sign", str(copy / "out"), "--key", str(copy / "office.key"), "--book", str(copy / "book")]) == 2
    assert "signed already" in capsys.readouterr().err
    (copy / "out" / SIGNATURE).unlink()
    (copy / "out" / "index.html").write_bytes(b"other")
    assert run(["sign", str(copy / "out"), "--key", str(copy / "office.key"), "--book", str(copy / "book")]) == 2
    assert "not signed" in capsys.readouterr().err
    assert (copy / "office.key").stat().st_mode & 0o077 == 0


def test_a_dataset_of_other_rules_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same version and pack, but other rule code or limits: the audit says so beside what differs."""
    book, out = str(tmp_path / "book"), str(tmp_path / "out")
    with monkeypatch.context() as patched:
        patched.setattr("reconcile.emit.descriptor.judging_sha256", lambda: "5" * 64)
        assert run(["run", str(SAMPLES / "plain_day"), "--book", book, "--out", out, "--no-pdf"]) == 0
    report = tmp_path / "report"
    assert run(["audit", out, "--book", book, "--report", str(report)]) == 1
    told = json.loads((report / "audit.json").read_text(encoding="utf-8"))
    assert any("judged by other rules or limits (SHA-256 5555555555555555)" in note for note in told["notes"])
