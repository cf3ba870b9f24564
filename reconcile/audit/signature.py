"""The signature of a dataset: Ed25519 over the canonical description, which names the hash of every file.

A detached JWS in compact form: ``<header>..<signature>`` and a line end. What is signed is
``<header>.<base64url of the canonical form of datapackage.json>``. Sources: RFC 7515 (JWS; appendix F, detached
content), RFC 8037 (Ed25519 in JOSE), RFC 8785 (canonical JSON), RFC 7638 (name of a key by its thumbprint).

The header also holds, protected by the signature: ``signed_at``, which is what the signer's clock said and proves
nothing by itself; ``datapackage_sha256``, the file to the byte; and ``journal``, the head of the book's journal, which
fixes every entry up to it.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import rfc8785
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from reconcile.audit.files import SIGNATURE, parse_package
from schemas.errors import InputError

ALGORITHM: Final = "EdDSA"
HEADER: Final = {"alg", "kid", "typ", "signed_at", "datapackage_sha256", "journal"}
TYPE: Final = "provebook-dataset+jws"


@dataclass(frozen=True, kw_only=True)
class Signature:
    """What a good signature says: the key's name, the signer's clock, and the journal's count and last hash."""

    key_id: str
    signed_at: str
    journal_entries: int | None
    journal_head: str | None


def canonical_package(package: bytes) -> bytes:
    """The canonical form (RFC 8785) of ``datapackage.json``. Raises InputError where it has none."""
    try:
        return rfc8785.dumps(parse_package(package))
    except rfc8785.CanonicalizationError as error:
        raise InputError("the description of the dataset has no canonical form", seen=str(error)) from error


def sign_package(
    package: bytes, key: Ed25519PrivateKey, *, signed_at: datetime, journal: tuple[int, str] | None = None
) -> bytes:
    """The content of ``datapackage.json.jws``. ``journal``: count and last hash of the book's journal."""
    header: dict[str, Any] = {
        "alg": ALGORITHM,
        "kid": key_id(key.public_key()),
        "typ": TYPE,
        "signed_at": signed_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "datapackage_sha256": hashlib.sha256(package).hexdigest(),
    }
    if journal is not None:
        header["journal"] = {"entries": journal[0], "head": journal[1]}
    protected = encode(rfc8785.dumps(header))
    signature = key.sign(protected + b"." + encode(canonical_package(package)))
    return protected + b".." + encode(signature) + b"\n"


def check_signature(package: bytes, signature: bytes, key: Ed25519PublicKey) -> Signature:
    """What the signature says, known to be made by ``key`` over exactly these bytes of ``datapackage.json``.

    Raises InputError where it is malformed, made by another key, or over anything else.
    """
    try:
        protected, empty, signed = signature.removesuffix(b"\n").split(b".")
        header = json.loads(decode(protected))
        value = decode(signed)
    except (ValueError, RecursionError) as error:
        raise InputError("this is not a detached signature (JWS)", where=SIGNATURE, seen=str(error)) from error
    if empty or not signature.endswith(b"\n") or not isinstance(header, dict) or set(header) - HEADER:
        raise InputError("this signature is not of a dataset", where=SIGNATURE, seen=str(header)[:200])
    if header.get("alg") != ALGORITHM:
        raise InputError(f"the algorithm is {header.get('alg')!r}, not {ALGORITHM}", where=SIGNATURE)
    if header.get("kid") != key_id(key):
        raise InputError(
            "signed with another key",
            where=SIGNATURE,
            seen=f"signed with {header.get('kid')}\ngiven       {key_id(key)}",
            advice="check with the public key that the signer handed over by another way",
        )  # fmt: skip
    try:
        key.verify(value, protected + b"." + encode(canonical_package(package)))
    except InvalidSignature as error:
        raise InputError(
            "the signature does not fit datapackage.json: one of them was altered", where=SIGNATURE
        ) from error
    if header.get("datapackage_sha256") != hashlib.sha256(package).hexdigest():
        raise InputError("datapackage.json says the same, in other bytes than were signed", where="datapackage.json")
    journal = header.get("journal") or {}
    return Signature(
        key_id=str(header["kid"]), signed_at=str(header.get("signed_at")),
        journal_entries=journal.get("entries"), journal_head=journal.get("head"),
    )  # fmt: skip


def make_key() -> Ed25519PrivateKey:
    """A new private key from the operating system's randomness."""
    return Ed25519PrivateKey.generate()


def private_key_pem(key: Ed25519PrivateKey, password: bytes | None) -> bytes:
    """The private key as PEM (PKCS #8), encrypted where there is a password."""
    locked = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    return key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, locked)


def public_key_jwk(key: Ed25519PublicKey) -> bytes:
    """The public key as a JSON Web Key (RFC 8037), one line."""
    return rfc8785.dumps(_jwk(key) | {"kid": key_id(key), "alg": ALGORITHM, "use": "sig"}) + b"\n"


def parse_private_key(content: bytes, password: bytes | None, *, where: str) -> Ed25519PrivateKey:
    """The private key of a PEM file. Raises InputError where it is none of Ed25519, or the password is wrong."""
    try:
        key = serialization.load_pem_private_key(content, password)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        advice = "the key is PEM (PKCS #8); give its password where it has one"
        raise InputError("the private key cannot be read", where=where, seen=str(error)[:200], advice=advice) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError("this is not an Ed25519 key", where=where)
    return key


def parse_public_key(content: bytes, *, where: str) -> Ed25519PublicKey:
    """The public key of a JWK or PEM file. Raises InputError where it is none of Ed25519."""
    try:
        if content.lstrip().startswith(b"{"):
            jwk = json.loads(content)
            if (jwk.get("kty"), jwk.get("crv")) != ("OKP", "Ed25519") or "d" in jwk:
                raise ValueError("not a public Ed25519 key")
            return Ed25519PublicKey.from_public_bytes(decode(str(jwk["x"]).encode("ascii")))
        key = serialization.load_pem_public_key(content)
    except (ValueError, TypeError, KeyError, UnsupportedAlgorithm) as error:
        advice = "a JSON Web Key or PEM file with an Ed25519 public key"
        raise InputError("the public key cannot be read", where=where, seen=str(error)[:200], advice=advice) from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError("this is not an Ed25519 key", where=where)
    return key


def key_id(key: Ed25519PublicKey) -> str:
    """The name of a key: its thumbprint (RFC 7638), so that two people can compare it by reading it out."""
    return encode(hashlib.sha256(rfc8785.dumps(_jwk(key))).digest()).decode("ascii")


def _jwk(key: Ed25519PublicKey) -> dict[str, str]:
    raw = key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    return {"kty": "OKP", "crv": "Ed25519", "x": encode(raw).decode("ascii")}


def encode(content: bytes) -> bytes:
    """Base64url without padding (RFC 7515, section 2)."""
    return base64.urlsafe_b64encode(content).rstrip(b"=")


def decode(text: bytes) -> bytes:
    """The bytes of base64url without padding; ValueError for any other spelling of them."""
    content = base64.b64decode(text + b"=" * (-len(text) % 4), altchars=b"-_", validate=True)
    if encode(content) != text:
        raise ValueError("not in the one spelling of base64url")
    return content
