"""Certificates for servers of the tests' own, made by `cryptography`: right ones and wrong ones."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric.ec import (
    SECP256R1,
    EllipticCurvePrivateKey,
    generate_private_key,
)
from cryptography.x509.oid import NameOID

DAY = timedelta(days=1)
PEM = serialization.Encoding.PEM


@cache
def _key(whose: str) -> EllipticCurvePrivateKey:
    return generate_private_key(SECP256R1())


def _name(whose: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, whose)])


def _begun(whose: str, by: str, ends: datetime) -> x509.CertificateBuilder:
    key, signing = _key(whose).public_key(), _key(by).public_key()
    known = x509.AuthorityKeyIdentifier.from_issuer_public_key(signing)
    return (
        x509.CertificateBuilder()
        .subject_name(_name(whose))
        .issuer_name(_name(by))
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(ends - 30 * DAY)
        .not_valid_after(ends)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
        .add_extension(known, critical=False)
    )


def authority(folder: Path, whose: str = "Own authority") -> str:
    """The path of an authority's certificate (RFC 5280 section 4.2.1.9)."""
    usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
    made = (
        _begun(whose, whose, datetime.now(UTC) + 10 * DAY)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .sign(_key(whose), hashes.SHA256())
    )
    path = folder / f"{whose}.pem"
    path.write_bytes(made.public_bytes(PEM))
    return str(path)


@dataclass(frozen=True)
class Server:
    """What a server shows. names: for which it is; by: who vouches; left: until it ends."""

    names: tuple[str, ...] = ("127.0.0.1", "localhost")
    by: str = "Own authority"
    left: timedelta = 5 * DAY

    def encryption(self, folder: Path) -> ssl.SSLContext:
        """The server's side of TLS."""
        whose = self.names[0]
        made = (
            _begun(whose, self.by, datetime.now(UTC) + self.left)
            .add_extension(x509.SubjectAlternativeName(list(map(_called, self.names))), False)
            .sign(_key(self.by), hashes.SHA256())
        )
        path = folder / "server.pem"
        form = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        path.write_bytes(made.public_bytes(PEM) + _key(whose).private_bytes(PEM, *form))
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(path)
        return context


def _called(name: str) -> x509.GeneralName:
    if name[0].isdigit():
        return x509.IPAddress(ip_address(name))
    return x509.DNSName(name)
