"""Kills a command at its writing system calls, one run a call, and says what each left behind. Linux, x86-64.

Usage: python kill_sweep.py ACTION FOLDER FIRST EVERY MODE

ACTION is one of ``ACTIONS``; FOLDER is empty and ours. The child is traced with ptrace. Call number FIRST,
FIRST+EVERY, ... of those that write is where it dies: MODE ``before`` the call is made, or ``torn`` after it, a write
cut to half its bytes. After each death a second child opens the book, checks it, runs the action again to its end, and
compares with a run that was left in peace. One line of JSON a death; the last line counts them.
"""

from __future__ import annotations

import contextlib
import csv
import ctypes
import hashlib
import importlib
import io
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_exports"

# System call numbers of x86-64: those by which a process changes files.
WRITE, PWRITE, WRITEV = 1, 18, 20
OPEN, CREAT, OPENAT = 2, 85, 257
OTHERS = {
    74, 75, 76, 77,  # fsync, fdatasync, truncate, ftruncate
    82, 264, 316,  # rename, renameat, renameat2
    83, 258, 84,  # mkdir, mkdirat, rmdir
    86, 88, 265, 266,  # link, symlink, linkat, symlinkat
    87, 263,  # unlink, unlinkat
    90, 91, 268,  # chmod, fchmod, fchmodat
    40, 285, 326,  # sendfile, fallocate, copy_file_range
}  # fmt: skip
O_CREAT = 0o100
TRACEME, SYSCALL, SETOPTIONS, GETREGS, SETREGS = 0, 24, 0x4200, 12, 13
SYSGOOD = 1
SYSCALL_STOP = signal.SIGTRAP | 0x80


class Registers(ctypes.Structure):
    """``user_regs_struct`` of x86-64."""

    _fields_ = [
        (name, ctypes.c_ulonglong)
        for name in [
            "r15",
            "r14",
            "r13",
            "r12",
            "rbp",
            "rbx",
            "r11",
            "r10",
            "r9",
            "r8",
            "rax",
            "rcx",
            "rdx",
            "rsi",
            "rdi",
            "orig_rax",
            "rip",
            "cs",
            "eflags",
            "rsp",
            "ss",
            "fs_base",
            "gs_base",
            "ds",
            "es",
            "fs",
            "gs",
        ]
    ]


libc = ctypes.CDLL(None, use_errno=True)
libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]


def ptrace(request: int, pid: int, data: object = 0) -> None:
    pointer = ctypes.byref(data) if isinstance(data, Registers) else ctypes.c_void_p(data)  # type: ignore[arg-type]
    if libc.ptrace(request, pid, None, pointer) < 0:
        raise OSError(ctypes.get_errno(), "ptrace")


def writes(registers: Registers) -> bool:
    number = registers.orig_rax
    if number in (WRITE, PWRITE, WRITEV):
        return registers.rdi > 2  # not what is printed
    if number in (OPEN, CREAT):
        return number == CREAT or bool(registers.rsi & O_CREAT)
    if number == OPENAT:
        return bool(registers.rdx & O_CREAT)
    return number in OTHERS


def run_and_kill(action: Callable[[], None], at: int, mode: str) -> bool:
    """Run ``action`` in a child that dies at its writing call number ``at``; False where it came to its end."""
    pid = os.fork()
    if pid == 0:
        libc.ptrace(TRACEME, 0, None, None)
        os.kill(os.getpid(), signal.SIGSTOP)
        os._exit(quiet(action))
    os.waitpid(pid, 0)
    ptrace(SETOPTIONS, pid, SYSGOOD)
    entering, seen, dying, passed_on = True, 0, False, 0
    while True:
        ptrace(SYSCALL, pid, passed_on)
        passed_on = 0
        _pid, status = os.waitpid(pid, 0)
        if os.WIFEXITED(status) or os.WIFSIGNALED(status):
            return False
        if os.WSTOPSIG(status) != SYSCALL_STOP:
            passed_on = os.WSTOPSIG(status)
            continue
        if dying:
            break
        if entering:
            registers = Registers()
            ptrace(GETREGS, pid, registers)
            seen += writes(registers)
            if writes(registers) and seen == at:
                if mode == "before":
                    break
                if registers.orig_rax == WRITE:
                    registers.rdx //= 2
                    ptrace(SETREGS, pid, registers)
                dying = True
        entering = not entering
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return True


def quiet(action: Callable[[], None]) -> int:
    """Run with nothing printed; 0 where it did not raise."""
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    try:
        action()
    except BaseException:
        return 1
    return 0


def in_child(work: Callable[[], object]) -> object:
    """The JSON value that ``work`` gives in a child of its own, so that this process stays without threads."""
    readable, writable = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(readable)
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        try:
            answer = work()
        except BaseException as error:
            answer = {"raised": f"{type(error).__name__}: {error}"}
        with os.fdopen(writable, "w") as stream:
            json.dump(answer, stream)
        os._exit(0)
    os.close(writable)
    with os.fdopen(readable) as stream:
        text = stream.read()
    os.waitpid(pid, 0)
    return json.loads(text)


def command(*arguments: str) -> None:
    from cli.__main__ import run

    code = run(list(arguments))
    if code not in (0, 1):
        raise RuntimeError(f"{arguments} left with {code}")


ACTIONS: dict[str, Callable[[Path], Callable[[], None]]] = {
    "first import": lambda place: lambda: command("import", str(SAMPLES / "plain_day"), "--book", str(place / "book")),
    "import": lambda place: lambda: command("import", str(SAMPLES / "bad_day"), "--book", str(place / "book")),
    "jobs": lambda place: lambda: command("jobs", str(SAMPLES / "bad_day"), "--book", str(place / "book")),
    "certify": lambda place: (
        lambda: command("certify", "--book", str(place / "book"), "--out", str(place / "out"), "--no-pdf")
    ),
    "review": lambda place: (
        lambda: command("review", "--apply", str(place / "answers.csv"), "--book", str(place / "book"))
    ),
}


def prepare(action: str, place: Path) -> None:
    """The state before the action: a book with a day in it and an open question, or nothing before the first import."""
    if action == "first import":
        return
    day = Path(shutil.copytree(SAMPLES / "plain_day", place / "day"))
    export = day / "multifunction.csv"
    export.write_text(export.read_text(encoding="utf-8").replace("2031-04-02", "02/04/2031"), encoding="utf-8")
    command("import", str(day), "--book", str(place / "book"))
    command("jobs", str(day), "--book", str(place / "book"))
    listed = io.StringIO()
    with contextlib.redirect_stdout(listed):
        command("review", "--list", "--book", str(place / "book"))
    rows = list(csv.DictReader(io.StringIO(listed.getvalue())))
    with (place / "answers.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, ["question_id", "answer", "by", "why"], extrasaction="ignore")
        writer.writeheader()
        writer.writerows(
            row | {"answer": "dmy", "by": "I. Tarrow", "why": "our meters say the day first"}
            for row in rows
            if row["kind"] == "dates"
        )


def describe(place: Path) -> dict[str, object]:
    """What a book says, apart from moments: kinds and bodies of its entries, and its faults."""
    from ingest.book import Book
    from ingest.integrity import check_integrity
    from schemas.errors import BookError

    book = Book(place / "book")
    if not book.exists and not book.journal.path.exists():
        return {"entries": [], "faults": [], "evidence": [], "dataset": {}}
    entries = [[entry.kind, strip(entry.body)] for entry in book.journal.entries()]
    try:
        faults = check_integrity(book).faults[["path", "fault"]].values.tolist()
    except BookError as error:
        return {"raised": str(error)}
    evidence = sorted(book.evidence.hashes())
    for sha256 in evidence:
        book.evidence.read(sha256)
        book.evidence.sidecar(sha256)
    dataset = {
        path.relative_to(place).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(place.rglob("*"))
        if path.is_file() and not path.is_relative_to(place / "book")
    }
    return {"entries": entries, "faults": faults, "evidence": evidence, "dataset": dataset}


def strip(body: dict[str, object]) -> dict[str, object]:
    """Without what holds the moment of keeping."""
    return {name: value for name, value in body.items() if name not in ("sidecar_sha256", "settings_sha256")}


def readings_of(place: Path) -> list[list[str]]:
    """All readings and decisions of the book, from the raw evidence."""
    from ingest.book import Book
    from ingest.decided import read_decisions
    from ingest.imports import read_book

    book = Book(place / "book")
    decisions = read_decisions(book)
    read = read_book(book, use_derived=False, decisions=decisions).readings[["reading_id", "raw_text", "meter_time"]]
    return (
        sorted(read.astype(str).fillna("").values.tolist())
        + decisions[["kind", "subject", "answer"]].astype(str).values.tolist()
    )


def judge_death(
    place: Path, before: dict[str, object], peaceful: dict[str, object], again: Callable[[], None]
) -> object:
    """What is wrong after a death; empty where all is as promised."""
    wrong = []
    left = describe(place)
    if "raised" in left:
        return [f"the book cannot be opened: {left['raised']}"]
    bad = [fault for fault in left["faults"] if fault[1] in ("changed", "missing", "stray")]  # type: ignore[union-attr]
    wrong += [f"damaged: {fault}" for fault in bad]
    known = before["entries"]
    if left["entries"][: len(known)] != known:  # type: ignore[index,arg-type]
        wrong.append("entries of before are gone")
    if not set(before["evidence"]) <= set(left["evidence"]):  # type: ignore[call-overload]
        wrong.append("evidence of before is gone")
    again()
    done = describe(place)
    if done.get("faults") != []:
        wrong.append(f"not clean after it was run again: {done.get('faults', done)}")
    if done.get("evidence") != peaceful["evidence"]:
        wrong.append("not the same evidence after it was run again")
    if done.get("dataset") != peaceful["dataset"]:
        wrong.append("not the same files beside the book after it was run again")
    if readings_of(place) != peaceful["readings"]:
        wrong.append("not the same readings and decisions after it was run again")
    return wrong


def main() -> None:
    action, folder, first, every, mode = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]), sys.argv[5]
    sys.path.insert(0, str(ROOT))
    os.environ["OMP_NUM_THREADS"] = "1"
    # Loaded once, before anything is forked: a death then costs what the command does, not what Python loads.
    for module in ("cli.app", "cli.pipeline", "cli.review", "cli.pages.render", "ingest.integrity", "scipy.stats"):
        importlib.import_module(module)

    start, peace, place = folder / "start", folder / "peace", folder / "place"
    start.mkdir()
    in_child(lambda: prepare(action, start))
    before = in_child(lambda: describe(start))
    shutil.copytree(start, peace)
    in_child(ACTIONS[action](peace))
    peaceful = in_child(lambda: {**describe(peace), "readings": readings_of(peace)})
    assert isinstance(before, dict)
    assert isinstance(peaceful, dict)
    deaths, at = 0, first
    while True:
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(start, place)
        if not run_and_kill(ACTIONS[action](place), at, mode):
            break
        deaths += 1
        wrong = in_child(lambda: judge_death(place, before, peaceful, ACTIONS[action](place)))
        print(json.dumps({"at": at, "wrong": wrong}), flush=True)
        at += every
    print(json.dumps({"deaths": deaths, "peaceful": {name: len(part) for name, part in peaceful.items()}}))


if __name__ == "__main__":
    main()
