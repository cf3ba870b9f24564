"""What counts as judging code, its digest, and the numbers of the packs, which do not change once they are out."""

from __future__ import annotations

import ast
import hashlib
import subprocess
import sys
from pathlib import Path

import pytest

from reconcile import judging_code
from reconcile.judging_code import judging_files, judging_sha256
from reconcile.pack import list_packs, load_pack

RECONCILE = Path(__file__).parents[2] / "reconcile"
NOT_JUDGING = {"tables.py", "__init__.py"}
"""Shared tables without a decision in them."""

PACKS = {
    "bs7671-2008.1": "5982644b44cdf79ff14587e706c0fd877f0e69635476aeef847769ce7368544b",
    "bs7671-2018-a2-guarded.1": "ce06d58e807513472d858d3a12a89d811a910e3d6fe2850ab0527101094be7bc",
    "bs7671-2018-a2.1": "4dd3d5c988faac10f59580635db294dfda5865c68641eff475620595d2313dba",
}
"""SHA-256 over every number, choice, plan and signature of a pack. A pack that is out keeps its numbers: an old
certificate must be judged again as it was. What changes gets a new name."""


def imported(path: Path) -> set[Path]:
    """The files of ``reconcile`` that a file imports."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    places = [RECONCILE.parent / name.replace(".", "/") for name in names if name.split(".")[0] == "reconcile"]
    return {file for place in places for file in (place.with_suffix(".py"), place / "__init__.py") if file.exists()}


def test_all_that_judging_uses_is_judging_code() -> None:
    found: set[Path] = set()
    new = {RECONCILE / "judging.py", RECONCILE / "plan.py", *(RECONCILE / "rules").glob("*.py")}
    while new:
        found |= new
        new = {file for path in new for file in imported(path)} - found
    used = {path.relative_to(RECONCILE).as_posix() for path in found} - NOT_JUDGING
    named = {path for path in judging_files() if path.endswith(".py")}
    assert named - {"limits/__init__.py"} == used
    assert {path.name for path in (RECONCILE / "limits").glob("*.toml")} == {
        path.removeprefix("limits/") for path in judging_files() if path.endswith(".toml")
    }


def test_the_digest_follows_every_file_and_no_line_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = judging_files()
    assert judging_sha256() == judging_sha256.__wrapped__()
    copies = {path: tmp_path / str(place) for place, path in enumerate(whole)}
    monkeypatch.setattr(judging_code, "judging_files", lambda: copies)
    for path, copy in copies.items():
        copy.write_bytes(whole[path].read_bytes().replace(b"\n", b"\r\n"))
    assert judging_sha256.__wrapped__() == judging_sha256()
    for path, copy in copies.items():
        before = copy.read_bytes()
        copy.write_bytes(before + b"#")
        assert judging_sha256.__wrapped__() != judging_sha256(), path
        copy.write_bytes(before)


def test_the_digest_is_the_same_in_another_process() -> None:
    code = "from reconcile.judging_code import judging_sha256; print(judging_sha256())"
    told = subprocess.run(
        [sys.executable, "-c", code], cwd=RECONCILE.parent, capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == judging_sha256()


def numbers_of(name: str) -> str:
    """SHA-256 over what a pack fixes: each limit with unit and value, each choice, the plan, the signatures."""
    pack = load_pack(name)
    lines = [f"{limit.id} {limit.value!r} {limit.unit}" for _, limit in sorted(pack.limits.items())]
    lines += [f"{key} {setting.value}" for key, setting in sorted(pack.settings.items())]
    lines += [f"{work} {sorted(plan.items())}" for work, plan in sorted(pack.plans.items()) if isinstance(plan, dict)]
    lines += [f"{sorted(row.items())}" for row in pack.signatures]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


@pytest.mark.parametrize("name", list_packs())
def test_a_pack_keeps_its_numbers(name: str) -> None:
    assert numbers_of(name) == PACKS[name]
