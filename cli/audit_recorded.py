"""The audit of values recorded elsewhere: typed by hand, or exported by another system."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

import pandas as pd

from cli.audit_rows import book_rows, recorded_rows
from cli.auditing import Audit, Progress, damaged_evidence, finish, scope_without
from cli.pipeline import OperatorWord, Scope, dataset_of, derive
from cli.recorded_beyond import with_beyond
from ingest.book import Book
from ingest.exports.read import read_export
from ingest.extract import Extract
from ingest.integrity import check_integrity
from ingest.profiles import load_profiles
from reconcile.audit.places import find_failing
from reconcile.audit.recorded import compare_recorded
from schemas.audit import AGREEING, RecordedValues
from schemas.check import conform_table
from schemas.errors import InputError

IN_DAMAGED: Final = "evidence that is damaged was left out, which may say otherwise"


def audit_recorded(
    path: Path, book: Book, *, word: OperatorWord, profiles: tuple[Path, ...] = (), progress: Progress = lambda _: None
) -> Audit:
    """Every value of a recorded table held against the instrument's readings of the book.

    Damaged evidence is named and left out, and so may be what a value without a reading rests on: that is said beside
    each value that does not agree. Raises InputError where the table cannot be read, BookError where the book cannot.
    """
    word.check()
    progress("hashing the book")
    integrity = check_integrity(book)
    damaged = damaged_evidence(integrity)
    progress("reading the recorded table")
    extract = read_recorded(path, book, word, profiles)
    progress("reading the raw evidence again")
    whole = book.as_of(None, without=damaged)
    derived = derive(whole, scope_without(whole, damaged, Scope()), use_derived=False)
    dataset, _pages = dataset_of(derived)
    known = derived.brief.appliances
    recorded = recorded_values(extract.readings, known)
    progress("comparing")
    comparison = compare_recorded(
        recorded,
        dataset.readings,
        zone=book.zone.key,
        failing=find_failing(dataset.readings, dataset.checks),
        certificates=dataset.certificates,
        refused=extract.refusals,
    )
    audit = Audit(subject=f"recorded values of {path.name}")
    if damaged:
        comparison = told_of_damage(comparison)
        audit.notes.append(
            f"damaged evidence was left out (files: {len(damaged)}): agreement is shown, but what does not agree "
            "may stand in it; restore it and audit again"
        )
    audit.tables |= {"recorded values": comparison, "book": integrity.faults}
    counts = comparison["verdict"].value_counts()
    audit.totals = {"recorded values": str(len(recorded)), "cells not readable": str(len(extract.refusals))}
    audit.totals |= {str(verdict): str(count) for verdict, count in counts.items()}
    agreeing = comparison["verdict"].isin(AGREEING)
    if agreeing.any():
        common = float(comparison.loc[agreeing, "chance"].median())
        audit.notes.append(
            f"a made-up value would agree by chance with a probability of {common:.0%} (median of those that agree): "
            "agreement of common values proves little"
        )
    rows = [*book_rows(integrity.faults), *recorded_rows(comparison, path.name)]
    finish(audit, rows, dict(zip(derived.evidence["sha256"], derived.evidence["original_name"], strict=True)))
    return audit


def told_of_damage(comparison: pd.DataFrame) -> pd.DataFrame:
    """The comparison with a word of the damage beside every value that does not agree: it proves nothing yet."""
    open_ = ~comparison["verdict"].isin([*AGREEING, "not readable"])
    notes = comparison["note"].fillna("").where(comparison["note"].isna(), comparison["note"] + "; ") + IN_DAMAGED
    return comparison.assign(note=comparison["note"].where(~open_, notes))


def read_recorded(path: Path, book: Book, word: OperatorWord, profiles: tuple[Path, ...]) -> Extract:
    """The recorded table, read like an export: the same words, profiles and care. Raises InputError."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError("the recorded table cannot be read", where=str(path), seen=str(error.strerror)) from error
    known, faults = load_profiles([book.profiles, *profiles])
    if faults:
        raise faults[0]

    def read(told: bytes) -> Extract:
        return read_export(
            told, name=path.name, sha256=hashlib.sha256(content).hexdigest(), profiles=known, profile=word.profile,
            zone=word.zone, date_order=word.date_order, book_zone=book.zone.key,
        )  # fmt: skip

    extract = with_beyond(content, read(content), read)
    if extract.readings.empty:
        seen = extract.refusals["message"].iloc[0] if len(extract.refusals) else "no rows"
        raise InputError(
            "no recorded value could be read", where=str(path), seen=str(seen),
            advice="describe its columns in a profile and name it with --profile",
        )  # fmt: skip
    return extract


def recorded_values(readings: pd.DataFrame, appliances: pd.DataFrame) -> pd.DataFrame:
    """The recorded values (schemas.audit.RecordedValues) of a table that was read like an export.

    The appliance is told by its id, or by a label that only one appliance of the job list has; case does not matter.
    """
    told = readings["label"].str.strip().str.casefold()
    ids = appliances["appliance_id"].str.casefold()
    by_id = dict(zip(ids, appliances["appliance_id"], strict=True))
    labelled = appliances.dropna(subset="label").assign(key=lambda table: table["label"].str.strip().str.casefold())
    single = labelled.drop_duplicates("key", keep=False)
    by_label = dict(zip(single["key"], single["appliance_id"], strict=True))
    values = readings.assign(
        appliance_id=told.map({**by_label, **by_id}).fillna(readings["label"].str.strip()),
        recorded_on=readings["meter_time"].dt.normalize(),
        step=pd.Series(None, index=readings.index, dtype="str"),
    )
    return conform_table(RecordedValues, values)
