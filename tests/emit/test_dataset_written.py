"""The dataset on disk: same bytes twice, its own description, a reference validator, and folders that are not ours."""

from __future__ import annotations

from pathlib import Path

from frictionless import Package, system

from reconcile.emit.dataset import Dataset, write_dataset


def files_below(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_reference_validator_accepts_the_package(tmp_path: Path, dataset: Dataset) -> None:
    """Source of the expectation: frictionless, an implementation of Data Package from PyPI."""
    write_dataset(tmp_path / "out", dataset, pages={"index.html": b"<!doctype html><title>x</title>"})
    with system.use_context(trusted=True):
        report = Package(str(tmp_path / "out" / "datapackage.json")).validate()
    faults = report.flatten(["name", "rowNumber", "fieldName", "note"]) + report.errors + report.warnings
    assert report.valid, faults
    assert {task.name for task in report.tasks} >= {"readings", "refusals", "checks", "index.html"}


def test_reference_validator_sees_a_changed_byte(tmp_path: Path, dataset: Dataset) -> None:
    """The same validator refuses the package after one digit of one reading was changed."""
    write_dataset(tmp_path / "out", dataset)
    table = tmp_path / "out" / "readings.csv"
    table.write_bytes(table.read_bytes().replace(b"233.4,V", b"233.5,V", 1))
    with system.use_context(trusted=True):
        report = Package(str(tmp_path / "out" / "datapackage.json")).validate()
    assert "hash-count" in {fault for (fault,) in report.flatten(["type"])}
