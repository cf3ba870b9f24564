"""Signing and checking, held against a JOSE library that is not ours and against openssl where it is installed."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from jwcrypto.jwk import JWK
from jwcrypto.jws import JWS

from reconcile.audit.signature import (
    canonical_package,
    check_signature,
    decode,
    encode,
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

PACKAGE = (
    b'{\n "name": "provebook-certificates",\n "title": "Stra\xc3\x9fe",\n "resources": [\n  {"path": "readings.csv", '
    b'"hash": "sha256:%s", "bytes": 12, "minimum": 0.0}\n ]\n}\n' % (b"ab" * 32)
)
SIGNED_AT = datetime(2031, 4, 2, 18, 0, tzinfo=UTC)
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
SIGNATURE = sign_package(PACKAGE, KEY, signed_at=SIGNED_AT, journal=(12, "cd" * 32))


def test_good_signature_says_key_time_and_journal() -> None:
    said = check_signature(PACKAGE, SIGNATURE, KEY.public_key())
    assert said.key_id == key_id(KEY.public_key())
    assert said.signed_at == "2031-04-02T18:00:00Z"
    assert (said.journal_entries, said.journal_head) == (12, "cd" * 32)


def test_same_input_gives_the_same_signature() -> None:
    assert sign_package(PACKAGE, KEY, signed_at=SIGNED_AT, journal=(12, "cd" * 32)) == SIGNATURE


def test_another_jose_library_accepts_it() -> None:
    key = JWK.from_json(public_key_jwk(KEY.public_key()).decode())
    token = JWS()
    token.deserialize(SIGNATURE.decode().strip())
    token.verify(key, detached_payload=canonical_package(PACKAGE))
    assert token.is_valid
    other = JWS()
    other.deserialize(SIGNATURE.decode().strip())
    with pytest.raises(Exception, match="Verification failed"):
        other.verify(key, detached_payload=canonical_package(PACKAGE.replace(b"12", b"13")))


def test_signature_of_another_jose_library_is_read() -> None:
    key = JWK.generate(kty="OKP", crv="Ed25519")
    token = JWS(canonical_package(PACKAGE))
    header = {"alg": "EdDSA", "kid": key.thumbprint(), "datapackage_sha256": sha256(PACKAGE)}
    token.add_signature(key, protected=json.dumps(header))
    token.detach_payload()
    public = parse_public_key(key.export_public().encode(), where="key")
    assert check_signature(PACKAGE, token.serialize(compact=True).encode() + b"\n", public).key_id == key.thumbprint()


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def test_canonical_form_by_the_rules_of_the_standard() -> None:
    # RFC 8785, 3.2.3: members sorted by UTF-16 code units; 3.2.2.3: numbers as ECMAScript writes them.
    package = '{"resources": [], "\\u20ac": 1E30, "\\r": 4.50, "1": 0.002, "\\ud83d\\ude00": 1, "\\u0080": "\\u20ac$"}'
    expected = '{"\\r":4.5,"1":0.002,"resources":[],"\u0080":"\u20ac$","\u20ac":1e+30,"\U0001f600":1}'
    assert canonical_package(package.encode()).decode() == expected


def test_test_vector_of_the_jose_standard() -> None:
    # RFC 8037, appendix A.1 and A.3: public key and its thumbprint.
    jwk = b'{"kty":"OKP","crv":"Ed25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}'
    assert key_id(parse_public_key(jwk, where="key")) == "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"


def test_every_bit_of_package_and_signature() -> None:
    public = KEY.public_key()
    for name, content in (("package", PACKAGE), ("signature", SIGNATURE)):
        for position in range(len(content)):
            for bit in range(8):
                altered = bytearray(content)
                altered[position] ^= 1 << bit
                pair = (bytes(altered), SIGNATURE) if name == "package" else (PACKAGE, bytes(altered))
                with pytest.raises(InputError):
                    check_signature(*pair, public)


@pytest.mark.parametrize("altered", [b"", SIGNATURE[:-1], SIGNATURE + b"\n", SIGNATURE * 2, b" " + SIGNATURE])
def test_shortened_and_lengthened_signatures(altered: bytes) -> None:
    with pytest.raises(InputError):
        check_signature(PACKAGE, altered, KEY.public_key())


def test_other_keys_and_algorithms_are_refused() -> None:
    with pytest.raises(InputError, match="another key"):
        check_signature(PACKAGE, SIGNATURE, make_key().public_key())
    header, _empty, signed = SIGNATURE.strip().split(b".")
    for name, value in (("alg", "none"), ("crit", ["b64"]), ("b64", False)):
        changed = json.loads(decode(header)) | {name: value}
        forged = encode(json.dumps(changed).encode()) + b".." + signed + b"\n"
        with pytest.raises(InputError):
            check_signature(PACKAGE, forged, KEY.public_key())


def test_keys_travel_through_files() -> None:
    key = make_key()
    for password in (None, b"a pass phrase"):
        again = parse_private_key(private_key_pem(key, password), password, where="key.pem")
        assert key_id(again.public_key()) == key_id(key.public_key())
    pem = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    assert key_id(parse_public_key(pem, where="key.pem")) == key_id(key.public_key())
    locked = private_key_pem(key, b"a pass phrase")
    for password in (None, b"wrong"):
        with pytest.raises(InputError, match="cannot be read"):
            parse_private_key(locked, password, where="key.pem")


@pytest.mark.parametrize("content", [b"", b"{}", b"{", b'{"kty":"RSA"}', b"-----BEGIN PUBLIC KEY-----"])
def test_what_is_no_key_is_told(content: bytes) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        parse_public_key(content, where="key")


def test_keys_of_another_kind_are_told() -> None:
    other = rsa.generate_private_key(public_exponent=65537, key_size=2048).public_key()
    with pytest.raises(InputError, match="not an Ed25519 key"):
        parse_public_key(other.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo), where="key")


def test_openssl_checks_the_signature(tmp_path: Path) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed here; the JOSE library above has checked the same")
    header, _empty, signed = SIGNATURE.strip().split(b".")
    (tmp_path / "signed").write_bytes(header + b"." + encode(canonical_package(PACKAGE)))
    (tmp_path / "signature").write_bytes(decode(signed))
    pem = KEY.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    (tmp_path / "key.pem").write_bytes(pem)
    command = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", "key.pem", "-rawin"]
    command += ["-in", "signed", "-sigfile", "signature"]
    answer = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stdout + answer.stderr


@pytest.fixture
def authority(tmp_path: Path) -> Path:
    """An invented time stamping authority, run by openssl in a folder of its own."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed here: there is no authority to ask")
    (tmp_path / "conf").write_text(
        "[req]\ndistinguished_name=name\nprompt=no\n[name]\nCN=Invented Time Authority\nO=Invented\n"
        "[ext]\nbasicConstraints=critical,CA:false\nkeyUsage=critical,digitalSignature\n"
        "extendedKeyUsage=critical,timeStamping\nsubjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n"
        "[rootext]\nbasicConstraints=critical,CA:true\nkeyUsage=critical,keyCertSign\nsubjectKeyIdentifier=hash\n"
        "[one]\ndir=.\nserial=./serial\ncrypto_device=builtin\nsigner_cert=tsa.pem\n"
        "signer_key=tsa.key\nsigner_digest=sha256\ndefault_policy=1.2.3.4.1\ndigests=sha256\n"
        "ess_cert_id_chain=no\ness_cert_id_alg=sha256\n",
        encoding="ascii",
    )
    (tmp_path / "serial").write_text("01\n", encoding="ascii")
    for command in (
        "req -x509 -new -newkey rsa:2048 -nodes -keyout root.key -out root.pem -days 30 -config conf "
        "-extensions rootext -subj /CN=Invented_Root",
        "req -new -newkey rsa:2048 -nodes -keyout tsa.key -out tsa.csr -config conf",
        "x509 -req -in tsa.csr -CA root.pem -CAkey root.key -CAcreateserial -out tsa.pem -days 20 -extfile conf "
        "-extensions ext",
    ):
        run_openssl(command, tmp_path)
    return tmp_path


def run_openssl(command: str, folder: Path) -> None:
    answer = subprocess.run(["openssl", *command.split()], cwd=folder, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stderr


def test_time_stamp_of_an_authority(authority: Path) -> None:
    (authority / "request").write_bytes(time_stamp_request(SIGNATURE))
    run_openssl("ts -reply -config conf -section one -queryfile request -out answer", authority)
    answer, roots = (authority / "answer").read_bytes(), (authority / "root.pem").read_bytes()
    moment = check_time_stamp(SIGNATURE, answer, roots)
    assert abs(moment - datetime.now(UTC)) < timedelta(minutes=5)
    for signature, response in ((SIGNATURE + b"x", answer), (SIGNATURE, answer[:-1]), (SIGNATURE, b"")):
        with pytest.raises(InputError, match="does not hold"):
            check_time_stamp(signature, response, roots)
    with pytest.raises(InputError, match="does not hold"):
        check_time_stamp(SIGNATURE, answer, (authority / "tsa.pem").read_bytes() * 0 + b"no certificate")
