"""A trusted time stamp over a signature (RFC 3161): shows that it existed at a time that a third party vouches for.

The request is a file for the user to take to an authority of their choice; nothing here opens a connection.
"""

from __future__ import annotations

from datetime import datetime

from cryptography import x509
from rfc3161_client import (
    HashAlgorithm,
    TimestampRequestBuilder,
    VerificationError,
    VerifierBuilder,
    decode_timestamp_response,
)

from reconcile.audit.files import TIME_STAMP
from schemas.errors import InputError


def time_stamp_request(signature: bytes) -> bytes:
    """A time stamp request (DER) for the content of ``datapackage.json.jws``; asks for the authority's certificate."""
    builder = TimestampRequestBuilder().data(signature).hash_algorithm(HashAlgorithm.SHA256)
    return builder.cert_request(cert_request=True).nonce(nonce=True).build().as_bytes()


def check_time_stamp(signature: bytes, response: bytes, roots: bytes) -> datetime:
    """The moment that the authority vouches for, in UTC.

    ``response``: the authority's answer (DER). ``roots``: PEM certificates that the user trusts. Raises InputError
    where the answer is malformed, is over other bytes, or does not lead to one of ``roots``.
    """
    try:
        builder = VerifierBuilder()
        for certificate in x509.load_pem_x509_certificates(roots):
            builder = builder.add_root_certificate(certificate)
        stamp = decode_timestamp_response(response)
        builder.build().verify_message(stamp, signature)
        return stamp.tst_info.gen_time
    except (ValueError, VerificationError) as error:
        raise InputError("the time stamp does not hold", where=TIME_STAMP, seen=str(error)[:200]) from error
