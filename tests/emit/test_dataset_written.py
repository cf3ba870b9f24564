"""The dataset on disk: same bytes twice, its own description, a reference validator, and folders that are not ours."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
from pathlib import Path

import pandas as pd
import pytest
from frictionless import Package, system

from cli.pages.render import Pages
from reconcile.emit.build import build_dataset
from reconcile.emit.dataset import Dataset, dataset_files, write_dataset
from reconcile.emit.day import Day
from reconcile.tables import Brief, Judged
from schemas.dataset import TABLES
from schemas.errors import InputError, TableError

CONTRACT_READINGS = (
    "reading_id, evidence_sha256, record_no, column_name, raw_text, meter_serial, memory_no, meter_time, taken_at, "
    "quantity, conductors, value, unit, comparator, indication, reason, resolution, label, job_id, appliance_id, step, "
    "match_confidence, match_status"
)


def files_below(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def validate(folder: Path) -> list[str]:
    """The kinds of fault that frictionless, an implementation of Data Package from PyPI, finds."""
    with system.use_context(trusted=True):
        report = Package(str(folder / "datapackage.json")).validate()
    return [str(kind) for (kind,) in report.flatten(["type"])]


def test_reference_validator_accepts_the_package(tmp_path: Path, dataset: Dataset, day: Day) -> None:
    write_dataset(tmp_path / "out", dataset, pages=Pages(dataset.records, day))
    assert validate(tmp_path / "out") == []


@pytest.mark.parametrize(
    ("file", "old", "new", "fault"),
    [
        ("readings.csv", b"233.4,V", b"233.5,V", "hash-count"),
        ("readings.csv", b",eq,", b",==,", "constraint-error"),
        ("checks.csv", b"C-A-101", b"C-A-10X", "foreign-key"),
        ("certificates.csv", b"2031-04-02T08:00:00Z", b"2 April", "type-error"),
        ("index.html", b"Danger", b"Notice", "hash-count"),
    ],
)
def test_reference_validator_sees_what_was_changed(
    tmp_path: Path, dataset: Dataset, day: Day, file: str, old: bytes, new: bytes, fault: str
) -> None:
    write_dataset(tmp_path / "out", dataset, pages=Pages(dataset.records, day))
    target = tmp_path / "out" / file
    assert old in target.read_bytes()
    target.write_bytes(target.read_bytes().replace(old, new, 1))
    assert fault in validate(tmp_path / "out")


def test_readings_have_the_columns_that_others_rely_on() -> None:
    assert ", ".join(TABLES["readings"].model.to_schema().columns) == CONTRACT_READINGS


def test_every_file_is_described_with_its_size_and_hash(tmp_path: Path, dataset: Dataset, day: Day) -> None:
    write_dataset(tmp_path / "out", dataset, tables="both", pages=Pages(dataset.records, day))
    files = files_below(tmp_path / "out")
    resources = json.loads(files.pop("datapackage.json"))["resources"]
    described = {resource["path"]: (resource["bytes"], resource["hash"]) for resource in resources}
    assert described == {
        path: (len(content), "sha256:" + hashlib.sha256(content).hexdigest()) for path, content in files.items()
    }
    assert len({resource["name"] for resource in resources}) == len(resources)


def test_every_column_is_described_and_numbers_have_units(dataset: Dataset) -> None:
    package = json.loads(dict(dataset_files(dataset))["datapackage.json"])
    fields = [
        field for resource in package["resources"] if "schema" in resource for field in resource["schema"]["fields"]
    ]
    assert all(field["description"] for field in fields)
    bare = {field["name"] for field in fields if field["type"] == "number"} - {
        field["name"] for field in fields if "unit" in field or "unitColumn" in field
    }
    assert bare == set()


def test_same_day_twice_gives_the_same_bytes(tmp_path: Path, dataset: Dataset, day: Day) -> None:
    for name in ("one", "two"):
        write_dataset(tmp_path / name, dataset, tables="both", pages=Pages(dataset.records, day, pdf=True))
    assert files_below(tmp_path / "one") == files_below(tmp_path / "two")


@pytest.mark.parametrize("seed", [1, 2])
def test_order_of_rows_in_the_judged_tables_changes_nothing(
    brief: Brief, judged: Judged, evidence: pd.DataFrame, dataset: Dataset, seed: int
) -> None:
    """Attestations, clocks, questions and decisions keep the order in which a person gave them."""
    kept = {"attestations", "clocks", "questions", "decisions"}

    def shuffled(tables: Brief | Judged) -> dict[str, pd.DataFrame]:
        return {
            field.name: getattr(tables, field.name).sample(frac=1, random_state=seed).reset_index(drop=True)
            for field in dataclasses.fields(tables)
            if field.name not in kept and isinstance(getattr(tables, field.name), pd.DataFrame)
        }

    other = build_dataset(
        dataclasses.replace(brief, **shuffled(brief)),
        dataclasses.replace(judged, **shuffled(judged)),
        evidence.sample(frac=1, random_state=seed).reset_index(drop=True),
    )
    assert dict(dataset_files(other)) == dict(dataset_files(dataset))


def test_parquet_holds_the_same_rows_with_all_text_unchanged(tmp_path: Path, dataset: Dataset) -> None:
    write_dataset(tmp_path / "out", dataset, tables="parquet")
    assert not list((tmp_path / "out").glob("*.csv"))
    for name in TABLES:
        read = pd.read_parquet(tmp_path / "out" / f"{name}.parquet")
        expected = dataset.table(name)
        assert list(read.columns) == list(expected.columns)
        assert [read[column].dropna().tolist() for column in read] == [
            expected[column].dropna().tolist() for column in expected
        ]


def test_writing_again_removes_what_is_no_longer_made(tmp_path: Path, dataset: Dataset) -> None:
    write_dataset(tmp_path / "out", dataset, tables="both", pages={"index.html": b"old"})
    (tmp_path / "out" / ".DS_Store").write_bytes(b"litter of a file manager")
    write_dataset(tmp_path / "out", dataset, tables="csv")
    assert not (tmp_path / "out" / "index.html").exists()
    assert not list((tmp_path / "out").glob("*.parquet"))
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_empty_folder_and_a_missing_parent_are_taken(tmp_path: Path, dataset: Dataset) -> None:
    (tmp_path / "empty").mkdir()
    write_dataset(tmp_path / "empty", dataset)
    write_dataset(tmp_path / "not" / "there" / "yet", dataset)
    assert files_below(tmp_path / "empty") == files_below(tmp_path / "not" / "there" / "yet")


def test_a_persons_own_file_is_never_deleted(tmp_path: Path, dataset: Dataset) -> None:
    write_dataset(tmp_path / "out", dataset)
    (tmp_path / "out" / "certificates" / "C-A-101 signed.pdf").write_bytes(b"a scan")
    before = files_below(tmp_path / "out")
    with pytest.raises(InputError, match=r"certificates/C-A-101 signed\.pdf"):
        write_dataset(tmp_path / "out", dataset, tables="both")
    assert files_below(tmp_path / "out") == before


@pytest.mark.parametrize(
    "descriptor", ["not json", "[]", '{"resources": [{"path": "thesis.odt"}]}', '{"provebook": {}, "resources": 3}']
)
def test_a_folder_that_only_looks_like_ours_is_refused(tmp_path: Path, dataset: Dataset, descriptor: str) -> None:
    (tmp_path / "datapackage.json").write_text(descriptor)
    (tmp_path / "thesis.odt").write_bytes(b"years of work")
    with pytest.raises(InputError, match=r"thesis\.odt"):
        write_dataset(tmp_path, dataset)
    assert (tmp_path / "thesis.odt").read_bytes() == b"years of work"


def test_a_file_in_the_way_is_refused(tmp_path: Path, dataset: Dataset) -> None:
    (tmp_path / "out").write_bytes(b"mine")
    with pytest.raises(InputError, match="a file, not a folder"):
        write_dataset(tmp_path / "out", dataset)
    with pytest.raises(InputError, match="cannot be written here"):
        write_dataset(tmp_path / "out" / "below", dataset)
    assert (tmp_path / "out").read_bytes() == b"mine"


@pytest.mark.parametrize("failing_move", [1, 2])
def test_a_failed_swap_leaves_the_old_dataset(
    tmp_path: Path, dataset: Dataset, monkeypatch: pytest.MonkeyPatch, failing_move: int
) -> None:
    """A folder held open by another program cannot be moved on Windows: the first or the second move fails."""
    write_dataset(tmp_path / "out", dataset, tables="csv")
    before = files_below(tmp_path / "out")
    moves = 0
    replace = os.replace

    def replace_or_fail(source: object, target: object) -> None:
        nonlocal moves
        moves += 1
        if moves == failing_move:
            raise PermissionError(13, "Permission denied")
        replace(source, target)  # type: ignore[arg-type]

    monkeypatch.setattr("reconcile.emit.folder.os.replace", replace_or_fail)
    with pytest.raises(InputError, match="Permission denied"):
        write_dataset(tmp_path / "out", dataset, tables="parquet")
    assert files_below(tmp_path / "out") == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_page_that_cannot_be_made_leaves_nothing_behind(tmp_path: Path, dataset: Dataset) -> None:
    class Broken(dict[str, bytes]):
        def items(self) -> object:  # type: ignore[override]
            raise RuntimeError("a page failed")

    with pytest.raises(RuntimeError):
        write_dataset(tmp_path / "out", dataset, pages=Broken())
    assert list(tmp_path.iterdir()) == []


def test_unknown_kind_of_tables_is_named(tmp_path: Path, dataset: Dataset) -> None:
    with pytest.raises(InputError, match=r"'xlsx'.*\n.*csv, parquet, both"):
        write_dataset(tmp_path / "out", dataset, tables="xlsx")
    assert list(tmp_path.iterdir()) == []


def test_a_reading_from_evidence_that_is_not_there_is_refused(
    brief: Brief, judged: Judged, evidence: pd.DataFrame
) -> None:
    with pytest.raises(TableError, match="readings, column evidence_sha256: 4 rows"):
        build_dataset(brief, judged, evidence[evidence["original_name"] != "second.csv"])


def test_a_reading_that_the_matcher_forgot_is_refused(brief: Brief, judged: Judged, evidence: pd.DataFrame) -> None:
    forgetful = dataclasses.replace(brief, matches=brief.matches.iloc[1:].reset_index(drop=True))
    with pytest.raises(TableError, match="without a word from the matcher"):
        build_dataset(forgetful, judged, evidence)
