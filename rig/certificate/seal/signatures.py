"""The shop's signatures: PAdES on the PDF, an enveloped XML signature on the XML, by its own key. Extra `seal`.

    sign_pdf(pdf, key) ; sign_xml(xml, key) ; pdf_signature(pdf, known) / xml_signature(xml, known) -> Signature

It decides nothing about what is signed: simulated runs are refused above (issue.py). Keys are PEM files of the shop.
Source: ETSI EN 319 142 by pyHanko, W3C XML Signature by signxml; both are loaded only here, only when asked for.
"""

from __future__ import annotations

import io
import ssl
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.certificate.seal.xml import DS
from rig.certificate.shop import Shop
from rig.errors import RecordError, UsageError
from rig.records.files import read_file

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

FIELD = "Shop"
NO_PASSWORD = "Give a PEM key without password."


@dataclass(frozen=True, slots=True)
class Key:
    """A key pair of the shop: PEM files."""

    key: Path
    certificate: Path


@dataclass(frozen=True, slots=True)
class Signature:
    """whole: the signed bytes are unchanged and cover the file. known: by a key of this shop. by: the signer's name."""

    whole: bool
    known: bool
    by: str

    @property
    def words(self) -> str:
        """In words, for screen and report."""
        if not self.whole:
            return f"signature of {self.by} broken"
        return f"signed by {self.by}" + ("" if self.known else ", whose key this shop does not know")


def key_of(shop: Shop) -> Key | None:
    """The shop's key, None without one. Raises UsageError when its files or the libraries are missing."""
    if shop.seal is None:
        return None
    key = Key(shop.folder / shop.seal.key, shop.folder / shop.seal.certificate)
    for file in (key.key, key.certificate):  # what is in them is looked at before anything is set
        if not file.is_file():
            raise UsageError(
                f"shop.toml: [seal] {file} is not there.", next_action="Correct the path, or take [seal] out."
            )
    _check_libraries("pyhanko", "signxml")
    if not is_signature_of(b"", sign_bytes(b"", key), read_file(key.certificate)):
        raise UsageError(
            f"{key.certificate}: is no certificate of {key.key.name}.",
            next_action="Give the PEM certificate that was made for this key.",
        )
    return key


def sign_pdf(pdf: bytes, key: Key) -> bytes:
    """The PDF with the shop's PAdES signature appended; the bytes before it stay as they are."""
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign import fields, signers

    load: Any = signers.SimpleSigner.load  # untyped in the library
    signer = load(str(key.key), str(key.certificate))
    if signer is None:
        raise UsageError(f"{key.key}: is no usable key.", next_action=NO_PASSWORD)
    meta = signers.PdfSignatureMetadata(
        field_name=FIELD, subfilter=fields.SigSeedSubFilter.PADES, md_algorithm="sha256"
    )
    out = io.BytesIO()
    signers.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(pdf)), meta, signer=signer, output=out)
    return out.getvalue()


def sign_xml(xml: bytes, key: Key) -> bytes:
    """The XML with the shop's enveloped signature as its last element (the DCC's place for it)."""
    from lxml import etree
    from signxml import methods
    from signxml.signer import XMLSigner

    root = XMLSigner(method=methods.enveloped).sign(
        etree.fromstring(xml), key=key.key.read_bytes(), cert=key.certificate.read_text(encoding="utf-8")
    )
    made: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8")
    return made


def sign_bytes(data: bytes, key: Key) -> bytes:
    """A detached signature over bytes: SHA-256 with RSA (PKCS #1 v1.5) or ECDSA, as `openssl dgst -verify` reads it."""
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        secret = load_pem_private_key(read_file(key.key), None)
    except (ValueError, TypeError) as fault:
        raise UsageError(
            f"{key.key}: is no usable key ({fault}).", next_action="Give a PEM key without password."
        ) from fault
    if isinstance(secret, rsa.RSAPrivateKey):
        return secret.sign(data, padding.PKCS1v15(), hashes.SHA256())
    if isinstance(secret, ec.EllipticCurvePrivateKey):
        return secret.sign(data, ec.ECDSA(hashes.SHA256()))
    raise UsageError(f"{key.key}: is neither an RSA nor an EC key.", next_action="Make one: anglewright panel key.")


def is_signature_of(data: bytes, signature: bytes, certificate: bytes) -> bool:
    """Whether a detached signature over these bytes is of this certificate's key (PEM); False for junk of any kind."""
    _check_libraries("cryptography")
    from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa

    try:
        public = load_certificate(certificate).public_key()
        if isinstance(public, rsa.RSAPublicKey):
            public.verify(signature, data, padding.PKCS1v15(), hashes.SHA256())
            return True
        if isinstance(public, ec.EllipticCurvePublicKey):
            public.verify(signature, data, ec.ECDSA(hashes.SHA256()))
            return True
    except (InvalidSignature, UnsupportedAlgorithm, ValueError):
        return False
    return False


def fingerprint(certificate: bytes) -> str:
    """SHA-256 of a certificate (PEM) in its binary form, hex. Raises RecordError for junk."""
    import base64
    import binascii
    import hashlib

    body = b"".join(line for line in certificate.splitlines() if not line.startswith(b"-----"))
    try:
        return hashlib.sha256(base64.b64decode(body, validate=True)).hexdigest()
    except binascii.Error as fault:
        raise RecordError("the shop's certificate is no PEM.", next_action="Ask for it again.") from fault


def pdf_signature(pdf: bytes, known: bytes | None) -> Signature | None:
    """The signature of a PDF, None without one. known: the shop's certificate (PEM)."""
    if b"/ByteRange" not in pdf:
        return None
    _check_libraries("pyhanko")
    from cryptography.hazmat.primitives.serialization import Encoding
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko.sign.validation.errors import SignatureValidationError
    from pyhanko.sign.validation.status import SignatureCoverageLevel
    from pyhanko_certvalidator import ValidationContext

    try:
        embedded = PdfFileReader(io.BytesIO(pdf)).embedded_signatures[-1]
        made = embedded.signer_cert
        status = validate_pdf_signature(embedded, ValidationContext(trust_roots=[made], allow_fetching=False))
        whole = status.intact and status.valid and status.coverage == SignatureCoverageLevel.ENTIRE_FILE
    except (PdfError, SignatureValidationError, ValueError, IndexError, KeyError):
        return Signature(False, False, "an unreadable signer")
    try:
        certificate = load_certificate(ssl.DER_cert_to_PEM_cert(made.dump()).encode())
    except ValueError:
        return Signature(False, False, "an unreadable signer")
    return Signature(whole, _same(certificate.public_bytes(Encoding.PEM), known), certificate.subject.rfc4514_string())


def xml_signature(xml: bytes, known: bytes | None) -> Signature | None:
    """The signature of an XML, None without one; whole only when it covers every element of the document but itself.

    known: the shop's certificate (PEM). The document must have passed `XmlReport`: one signature, below the root.
    """
    from lxml import etree

    root = etree.fromstring(xml)
    signature = root.find(f"{DS}Signature")
    if signature is None:
        return None
    _check_libraries("signxml")
    from signxml.exceptions import SignXMLException
    from signxml.verifier import SignatureConfiguration, XMLVerifier

    held = signature.findtext(f"{DS}KeyInfo/{DS}X509Data/{DS}X509Certificate") or ""
    pem = f"-----BEGIN CERTIFICATE-----\n{held.strip()}\n-----END CERTIFICATE-----\n"
    try:
        who = load_certificate(pem.encode()).subject.rfc4514_string()
    except ValueError:
        return Signature(False, False, "an unreadable signer")
    try:
        made = XMLVerifier().verify(xml, x509_cert=pem, expect_config=SignatureConfiguration(location="./"))
    except (SignXMLException, ValueError):
        return Signature(False, _same(pem.encode(), known), who)
    root.remove(signature)
    signed = None if isinstance(made, list) else made.signed_xml
    covered = signed is not None and _elements(signed) == _elements(root)
    return Signature(covered, _same(pem.encode(), known), who)


def _elements(root: Any) -> list[tuple[str, str, dict[str, str]]]:
    return [(element.tag, (element.text or "").strip(), dict(element.attrib)) for element in root.iter()]


def new_key(folder: Path, name: str) -> Key:
    """A new key pair of the shop, self-signed for ten years: shop.key.pem (readable by the owner only), shop.crt.pem.

    Raises UsageError when a key is there already: it is never overwritten.
    """
    _check_libraries("cryptography")
    from datetime import UTC, datetime, timedelta

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import rsa
    from cryptography.x509.oid import NameOID

    key = Key(folder / "shop.key.pem", folder / "shop.crt.pem")
    if key.key.exists() or key.certificate.exists():
        raise UsageError(f"{folder}: holds a key already.", next_action="Move it away first; keep it for old reports.")
    secret = rsa.generate_private_key(public_exponent=65537, key_size=3072)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:64])])
    now = datetime.now(UTC)
    usage = x509.KeyUsage(True, True, False, False, False, False, False, False, False)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(secret.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(days=3652))
        .add_extension(usage, critical=True)
        .sign(secret, hashes.SHA256())
    )
    folder.mkdir(parents=True, exist_ok=True)
    key.key.touch(mode=0o600)
    form = serialization.PrivateFormat.PKCS8
    key.key.write_bytes(secret.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()))
    key.certificate.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    return key


def _same(pem: bytes, known: bytes | None) -> bool:

    if known is None:
        return False
    try:
        return load_certificate(pem) == load_certificate(known)
    except ValueError as fault:
        raise UsageError(
            f"shop.toml: the certificate under [seal] can't be read ({fault}).", next_action="Give a PEM certificate."
        ) from fault


def load_certificate(pem: bytes) -> Certificate:
    """A certificate in PEM. Raises ValueError for whatever is none (an unknown version too)."""
    from cryptography import x509
    from cryptography.exceptions import UnsupportedAlgorithm

    try:
        return x509.load_pem_x509_certificate(pem)
    except (x509.InvalidVersion, UnsupportedAlgorithm) as fault:
        raise ValueError(str(fault)) from fault


def _check_libraries(*libraries: str) -> None:
    if missing := [name for name in libraries if find_spec(name) is None]:
        raise UsageError(
            f"signatures need {' and '.join(missing)}, not installed here.",
            next_action='Install the extra: pip install "anglewright[seal]".',
        )
