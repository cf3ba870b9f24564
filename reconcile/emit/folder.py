"""A dataset on disk: written whole beside its place, then put there in one move, or not at all.

An existing folder is replaced only where it is empty or a dataset of ours with nothing else in it: a person's own
files (a signed scan, say) are never deleted and never carried along unseen.
"""

from __future__ import annotations

import glob
import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path, PurePosixPath
from typing import Final

from schemas.errors import InputError

DESCRIPTOR: Final = "datapackage.json"
LITTER: Final = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""What file managers leave behind; nobody's work."""

SIGNATURES: Final = frozenset({f"{DESCRIPTOR}.jws", f"{DESCRIPTOR}.jws.tsr"})
"""What signing puts beside a dataset: made by whoever holds the key, so it cannot be made again here."""

SHOWN_FILES: Final = 5
DAY_S: Final = 86_400.0


def replace_folder(out: Path, files: Iterable[tuple[str, bytes]]) -> list[str]:
    """Make ``out`` hold exactly ``files`` (path below it and content). The paths written, in the order given.

    Raises InputError where ``out`` holds anything that is not ours, or cannot be written.
    """
    out = Path(os.path.realpath(out))
    try:
        clear_dead(out)
        check_replaceable(out)
        out.parent.mkdir(parents=True, exist_ok=True)
        workplace = Path(tempfile.mkdtemp(prefix=f"{workplaces(out)}{os.getpid()}-", dir=out.parent))
        try:
            written = write_files(workplace / "new", files)
            swap_folders(workplace, out)
        finally:
            if out.exists() or not (workplace / "old").exists():
                shutil.rmtree(workplace, ignore_errors=True)
    except OSError as error:
        raise InputError(
            "the dataset cannot be written here", where=str(out), seen=str(error.strerror or error),
            advice="name a folder you may write to: --out DIR; close programs that have files of it open",
        ) from error  # fmt: skip
    return written


def workplaces(out: Path) -> str:
    """How the names of the folders begin in which datasets for ``out`` are written."""
    return f".{out.name}.writing-"


def clear_dead(out: Path) -> None:
    """Remove what killed processes left beside ``out``; a dataset that one had just moved away goes back first."""
    for workplace in out.parent.glob(f"{glob.escape(workplaces(out))}*"):
        process = workplace.name.removeprefix(workplaces(out)).partition("-")[0]
        if not process.isdigit() or is_running(int(process), workplace):
            continue
        if (workplace / "old").is_dir() and not out.exists():
            os.replace(workplace / "old", out)
        shutil.rmtree(workplace, ignore_errors=True)


def is_running(process: int, workplace: Path) -> bool:
    """Whether a process may still be at work; where that cannot be asked (Windows), for a day."""
    if os.name != "posix":
        return time.time() - workplace.stat().st_mtime < DAY_S
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def check_replaceable(out: Path) -> None:
    """Nothing, where ``out`` is missing, empty, or a dataset of ours with nothing else in it.

    Raises InputError naming what else is there.
    """
    if not out.exists():
        return
    if not out.is_dir():
        raise InputError("this is a file, not a folder", where=str(out), advice="name a folder: --out DIR")
    present = {path.relative_to(out).as_posix() for path in out.rglob("*") if not path.is_dir() or path.is_symlink()}
    foreign = sorted(path for path in present - listed_files(out) if PurePosixPath(path).name not in LITTER)
    if DESCRIPTOR in present and set(foreign) <= SIGNATURES and foreign:
        raise InputError(
            "the dataset here is signed, and its signature would not hold for another; nothing was changed",
            where=str(out), seen="\n".join(foreign),
            advice="name another folder: --out DIR; or move the signature elsewhere, if it is not wanted any more",
        )  # fmt: skip
    if foreign:
        more = [f"and {len(foreign) - SHOWN_FILES} more"] if len(foreign) > SHOWN_FILES else []
        raise InputError(
            "the folder holds files that this program did not write; nothing was changed", where=str(out),
            seen="\n".join(foreign[:SHOWN_FILES] + more),
            advice="move them elsewhere, or name another folder: --out DIR",
        )  # fmt: skip


def listed_files(out: Path) -> set[str]:
    """The paths that a dataset of ours in ``out`` says it wrote; none where there is no such dataset."""
    try:
        package = json.loads((out / DESCRIPTOR).read_text(encoding="utf-8"))
        if "dataset_format" not in package["provebook"]:
            return set()
        return {DESCRIPTOR} | {str(resource["path"]) for resource in package["resources"]}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def write_files(folder: Path, files: Iterable[tuple[str, bytes]]) -> list[str]:
    """Write every file below ``folder``. Not flushed one by one: a dataset can always be made again."""
    written = []
    for path, content in files:
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
        written.append(path)
    return written


def swap_folders(workplace: Path, out: Path) -> None:
    """Put ``workplace/new`` in the place of ``out``, which goes to ``workplace/old``; on trouble all is as it was."""
    if not out.exists():
        os.replace(workplace / "new", out)
        return
    os.replace(out, workplace / "old")
    try:
        os.replace(workplace / "new", out)
    except OSError:
        os.replace(workplace / "old", out)
        raise
