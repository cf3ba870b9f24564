"""What a killed certify leaves beside its dataset: cleared by the next one, and a dataset moved away comes back."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from reconcile.emit.folder import replace_folder, workplaces

PACKAGE = b'{"provebook": {"dataset_format": 1}, "resources": []}'


def dead_process() -> int:
    """The number of a process that has ended."""
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    return child.pid


def test_leftovers_of_a_dead_process_are_cleared(tmp_path: Path) -> None:
    out = tmp_path / "certificates"
    left = tmp_path / f"{workplaces(out)}{dead_process()}-abc"
    (left / "new").mkdir(parents=True)
    running = tmp_path / f"{workplaces(out)}{os.getpid()}-abc"
    running.mkdir()
    mine = tmp_path / f"{workplaces(out)}notes"
    mine.mkdir()
    replace_folder(out, [("datapackage.json", PACKAGE)])
    assert not left.exists()
    assert running.exists()
    assert mine.exists()
    assert (out / "datapackage.json").read_bytes() == PACKAGE


def test_a_dataset_that_was_moved_away_comes_back(tmp_path: Path) -> None:
    """Killed between the two moves: the old one is put back before the new one takes its place."""
    out = tmp_path / "certificates"
    old = tmp_path / f"{workplaces(out)}{dead_process()}-abc" / "old"
    old.mkdir(parents=True)
    (old / "datapackage.json").write_bytes(PACKAGE)
    replace_folder(out, [("datapackage.json", PACKAGE), ("a.txt", b"a")])
    assert sorted(path.name for path in tmp_path.iterdir()) == ["certificates"]
    assert sorted(path.name for path in out.iterdir()) == ["a.txt", "datapackage.json"]
