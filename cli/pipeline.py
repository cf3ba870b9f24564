"""The story on one screen: take in, derive, write. Usable from Python; prints nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

from cli.inputs import Inputs
from ingest.book import Book, find_zone
from ingest.decided import follow_copies, read_decisions
from ingest.imports import BookExtract, import_exports, read_book
from ingest.made import note_dataset
from ingest.office import Office, read_office, take_office_files
from ingest.profiles import load_profiles
from reconcile.emit.build import build_dataset
from reconcile.emit.dataset import Dataset, write_dataset
from reconcile.emit.day import build_day
from reconcile.emit.folder import DESCRIPTOR
from reconcile.judging import judge
from reconcile.matching import match_sightings
from reconcile.plan import plan_steps
from reconcile.tables import Brief, Judged, MatchResult
from schemas.errors import InputError, ProvebookError
from schemas.matches import Sightings

if TYPE_CHECKING:
    from cli.pages.render import Pages

Progress = Callable[[int], None]
MOST_PDFS: Final = 100
SEEN: Final = list(Sightings.to_schema().columns)
"""What the matcher sees of a reading; it checks that this is all."""


@dataclass(frozen=True, kw_only=True)
class Taken:
    """What one command took into the book: counts of exports, office files by name and kind, and their hashes.

    ``same_bytes``: exports whose bytes are those of another name, with that name.
    """

    files: pd.DataFrame
    office: tuple[tuple[str, str], ...]
    left_alone: tuple[str, ...]
    same_bytes: tuple[tuple[str, str], ...]
    exports: frozenset[str]
    lists: frozenset[str]
    errors: tuple[ProvebookError, ...]


@dataclass(frozen=True, kw_only=True)
class Scope:
    """Which evidence to derive from (SHA-256); None: all of the book."""

    exports: Collection[str] | None = None
    office: Collection[str] | None = None


@dataclass(frozen=True, kw_only=True)
class Derived:
    """Everything derived from evidence, decisions and the rule pack; the same inputs give the same tables."""

    office: Office
    extract: BookExtract
    plan: pd.DataFrame
    result: MatchResult
    brief: Brief
    judged: Judged
    refusals: pd.DataFrame
    evidence: pd.DataFrame
    scope: Scope = Scope()

    @property
    def needs_a_person(self) -> bool:
        """True where a certificate is not satisfactory, a question is open, or anything was refused or flagged."""
        findings = self.judged.findings
        return bool(
            self.office.errors
            or self.office.jobs.empty
            or len(self.refusals)
            or len(self.result.questions)
            or (findings["severity"] != "note").any()
            or (self.judged.certificates["outcome"] != "satisfactory").any()
        )


@dataclass(frozen=True, kw_only=True)
class Report:
    """What one command has to tell; parts that it did not do are None. ``brief``: totals only, not the whole day.
    ``book_zone``: the zone of times for which neither their file nor the operator names one.
    """

    taken: Taken | None = None
    book_zone: str | None = None
    office: Office | None = None
    derived: Derived | None = None
    out: Path | None = None
    written: tuple[str, ...] = ()
    brief: bool = False


@dataclass(frozen=True, kw_only=True)
class OperatorWord:
    """What the operator says where files are silent: profile, zone, order of day and month."""

    profile: str | None = None
    zone: str | None = None
    date_order: str | None = None

    def check(self) -> None:
        """Nothing. Raises InputError for a zone or an order of day and month that there is not."""
        if self.zone is not None:
            find_zone(self.zone)
        if self.date_order not in (None, "dmy", "mdy"):
            raise InputError(f"no such order of day and month: {self.date_order!r}", advice="dmy or mdy")


def take_in(
    book: Book, inputs: Inputs, *, word: OperatorWord, progress: Progress | None = None, office_only: bool = False
) -> Taken:
    """Everything of ``inputs`` into the book: office files, then exports; one bad file never stops the rest.

    Raises InputError for a word of the operator that cannot be, BookError where the book cannot be written.
    """
    word.check()
    book.create()
    with book.locked():
        lists = take_office_files(book, inputs.office)
        exports = [] if office_only else inputs.exports
        profiles, faults = load_profiles([book.profiles, *inputs.profiles])
        report = import_exports(
            book, exports, profiles=profiles, profile=word.profile, zone=word.zone, date_order=word.date_order,
            meter_zones=meter_zones(read_office(book)), progress=progress,
        )  # fmt: skip
    return Taken(
        files=report.files,
        office=tuple((name, kind) for _, name, kind in inputs.office),
        left_alone=tuple(inputs.left_alone),
        same_bytes=tuple(second_names(exports, report.files)),
        exports=frozenset(report.files["evidence_sha256"]),
        lists=frozenset(lists),
        errors=(*inputs.errors, *faults, *report.errors),
    )


def second_names(exports: Sequence[tuple[Path, str]], files: pd.DataFrame) -> Iterator[tuple[str, str]]:
    """Exports that are not in ``files`` under their own name, each with the name that its bytes have there."""
    names = dict(zip(files["evidence_sha256"], files["original_name"], strict=True))
    known = set(names.values())
    for path, name in exports:
        if name in known or not path.is_file():
            continue
        with path.open("rb") as stream:
            sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
        if sha256 in names:
            yield name, names[sha256]


def meter_zones(office: Office) -> dict[str, str]:
    """Serial number to time zone, for the meters of the register that name one."""
    zoned = office.meters.dropna(subset=["zone"])
    return dict(zip(zoned["meter_serial"], zoned["zone"], strict=True))


def run_scope(taken: Taken) -> Scope:
    """What ``run`` derives from: the folder alone where it has a job list, else the whole book."""
    return Scope(exports=taken.exports, office=taken.lists) if taken.lists else Scope()


def derive(book: Book, scope: Scope | None = None, *, pack: str | None = None, use_derived: bool = True) -> Derived:
    """Readings, matches, verdicts and findings from the book's evidence. Writes no dataset.

    Without ``use_derived`` every export is read from its raw bytes again.

    Raises BookError where evidence is missing or changed.
    """
    if not book.exists:
        raise InputError("there is no book", where=str(book.root), advice="take something in first: provebook import")
    scope = scope or Scope()
    office = read_office(book, only=scope.office)
    decisions = read_decisions(book)
    extract = read_book(
        book, only=scope.exports, decisions=decisions, meter_zones=meter_zones(office), use_derived=use_derived
    )
    decisions = follow_copies(decisions, extract.duplicates)
    plan = plan_steps(office.jobs, office.appliances)
    result = match_sightings(
        sightings=extract.readings[SEEN], jobs=office.jobs, appliances=office.appliances,
        plan=plan, meters=office.meters, clock_readings=extract.clock_readings, decisions=decisions,
    )  # fmt: skip
    refusals = pd.concat([extract.refusals, office.refusals], ignore_index=True)
    brief = Brief(
        readings=extract.readings, refusals=refusals, duplicates=extract.duplicates, conflicts=extract.conflicts,
        jobs=office.jobs, appliances=office.appliances, attestations=office.attestations, meters=office.meters,
        accuracies=office.accuracies, plan=plan, matches=result.matches, clocks=result.clocks,
        questions=result.questions, decisions=decisions,
    )  # fmt: skip
    evidence = with_readers(book.evidence.table(), extract.files)
    if scope.exports is not None:
        evidence = evidence[evidence["sha256"].isin({*scope.exports, *(scope.office or ())})].reset_index(drop=True)
    return Derived(
        office=office, extract=extract, plan=plan, result=result, brief=brief, judged=judge(brief, pack=pack),
        refusals=refusals, evidence=evidence, scope=scope,
    )  # fmt: skip


def with_readers(evidence: pd.DataFrame, files: pd.DataFrame) -> pd.DataFrame:
    """Evidence with the profile that read it where its sidecar names none: exports are read after they are kept.

    ``files``: schemas.readings.FileCounts. The built-in reader has a name too; nobody's name is null.
    """
    reader = files.set_index("evidence_sha256")["profile"]
    return evidence.assign(profile=evidence["profile"].fillna(evidence["sha256"].map(reader)).astype("str"))


def dataset_of(derived: Derived, *, pdf: bool | None = None) -> tuple[Dataset, Pages]:
    """The dataset and its pages, ready to be written or compared.

    ``pdf``: a PDF beside each HTML page, or not; None: where there are at most 100 certificates, for a PDF takes about
    a tenth of a second.
    """
    from cli.pages.render import Pages

    dataset = build_dataset(derived.brief, derived.judged, derived.evidence)
    day = build_day(derived.brief, derived.judged, derived.evidence, derived.extract.files)
    drawn = len(dataset.records) <= MOST_PDFS if pdf is None else pdf
    return dataset, Pages(dataset.records, day, pdf=drawn)


def certify(derived: Derived, out: Path, *, book: Book, tables: str = "csv", pdf: bool | None = None) -> list[str]:
    """Write the dataset with its pages to ``out`` and note it in the book; the paths written.

    Raises InputError where ``out`` cannot be written, BookError where the book cannot.
    """
    dataset, pages = dataset_of(derived, pdf=pdf)
    written = write_dataset(out, dataset, tables=tables, pages=pages)
    package = (out / DESCRIPTOR).read_bytes()
    note_dataset(
        book, package, rule_pack=derived.judged.rule_pack, exports=derived.scope.exports, office=derived.scope.office
    )
    return written
