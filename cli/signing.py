"""Keys, signatures and time stamps of datasets on disk."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

from cli.auditing import read_dataset
from ingest.book import Book
from ingest.integrity import check_integrity
from ingest.writing import write_whole
from reconcile.audit.files import DESCRIPTOR, SIGNATURE, TIME_STAMP, check_files
from reconcile.audit.signature import (
    Signature,
    check_signature,
    key_id,
    make_key,
    parse_private_key,
    parse_public_key,
    private_key_pem,
    public_key_jwk,
    sign_package,
)
from reconcile.audit.time_stamp import check_time_stamp, time_stamp_request
from schemas.errors import InputError

PRIVATE: int = 0o600


def write_keys(path: Path, password: bytes | None) -> tuple[Path, str]:
    """Make a key pair: the private key at ``path`` (PEM), the public one beside it; its path, and the key's name.

    Raises InputError where either file is there already: a key is never written over.
    """
    public = path.with_name(path.name + ".pub.jwk")
    key = make_key()
    for target, content, mode in (
        (path, private_key_pem(key, password), PRIVATE),
        (public, public_key_jwk(key.public_key()), 0o644),
    ):
        try:
            handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
        except OSError as error:
            raise InputError(
                "the key cannot be written", where=str(target), seen=str(error.strerror or error),
                advice="name a file that is not there yet, in a folder that only you can read",
            ) from error  # fmt: skip
    return public, key_id(key.public_key())


def sign_dataset(out: Path, key_path: Path, password: bytes | None, book: Book | None) -> str:
    """Sign the dataset in ``out``; the name of the key. With a book, the head of its journal is signed as well.

    Raises InputError where the dataset's files are not as described or it is signed already, BookError where the book
    is damaged: nobody should put a name to that.
    """
    package, described, found = read_dataset(out)
    faults = check_files(described, found)
    if len(faults):
        raise InputError(
            "the files of the dataset are not as described; it was not signed", where=str(out),
            seen="\n".join(faults["path"].head(5)), advice="write it again: provebook certify",
        )  # fmt: skip
    if (out / SIGNATURE).exists():
        raise InputError("it is signed already", where=str(out / SIGNATURE), advice="delete this file to sign again")
    journal = None
    if book is not None:
        integrity = check_integrity(book)
        if len(integrity.faults):
            seen = "\n".join(integrity.faults["path"].head(5))
            raise InputError("the book is not as journalled; it was not signed", where=str(book.root), seen=seen)
        journal = (integrity.entries, integrity.head)
    key = parse_private_key(read(key_path, "the private key"), password, where=str(key_path))
    write_whole(out / SIGNATURE, sign_package(package, key, signed_at=datetime.now(UTC), journal=journal))
    return key_id(key.public_key())


def write_time_stamp_request(out: Path, target: Path) -> None:
    """Write a time stamp request for the signature of ``out``. Raises InputError where there is none."""
    write_whole(target, time_stamp_request(read(out / SIGNATURE, "the signature")))


def attach_time_stamp(out: Path, answer: Path, roots: Path) -> datetime:
    """Put the authority's answer beside the signature; the moment it vouches for. Raises InputError if it is bad."""
    content = read(answer, "the time stamp")
    moment = check_time_stamp(read(out / SIGNATURE, "the signature"), content, read(roots, "the certificates"))
    write_whole(out / TIME_STAMP, content)
    return moment


def check_signed(out: Path, public_key: Path, book: Book | None) -> Signature:
    """The signature of ``out``, made with ``public_key``, its journal head found in ``book``. Raises InputError."""
    key = parse_public_key(read(public_key, "the public key"), where=str(public_key))
    said = check_signature(read(out / DESCRIPTOR, "the dataset"), read(out / SIGNATURE, "the signature"), key)
    if book is not None and said.journal_entries is not None:
        entries = book.journal.entries()
        known = entries[said.journal_entries - 1].hash if 0 < said.journal_entries <= len(entries) else None
        if known != said.journal_head:
            raise InputError(
                f"the book's journal is not the one that was signed: entry {said.journal_entries - 1} has another hash",
                where=str(book.journal.path), advice="restore the book from a backup made before it was changed",
            )  # fmt: skip
    return said


def read(path: Path, what: str) -> bytes:
    """The bytes of a file. Raises InputError that names it."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{what} cannot be read", where=str(path), seen=str(error.strerror or error)) from error
