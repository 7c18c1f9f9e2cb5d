"""A resolver to be asked by TLS (RFC 7858), which knows a signed root zone (RFC 4035) and nothing else.

Run as a program: FOLDER ADDRESS NAME. It listens at ADDRESS, port 853, with a certificate for NAME
by an authority of its own, which it leaves in FOLDER/authority.pem; FOLDER/key.NAME gets the root's key.
What it says of `forged.example` is not what was signed. FOLDER/ready.NAME is there once it listens, and
FOLDER/heard.NAME has the names that it was asked for.
"""

from __future__ import annotations

import socket
import ssl
import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import dns.dnssec
import dns.flags
import dns.message
import dns.name
import dns.rdataclass
import dns.rdatatype
import dns.rrset
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

TRUE, FALSE = "192.0.2.80", "192.0.2.81"
DAY = timedelta(days=1)
PEM = serialization.Encoding.PEM


def certificates(folder: Path, name: str) -> Path:
    """Files of an authority, and of a server that it vouches for; the latter with its key."""
    own, authority = (
        ec.generate_private_key(ec.SECP256R1()),
        ec.generate_private_key(ec.SECP256R1()),
    )
    above = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"the authority of {name}")])
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])

    def made(whose: x509.Name, key: ec.EllipticCurvePrivateKey, more: x509.ExtensionType) -> bytes:
        now = datetime.now(UTC)
        built = x509.CertificateBuilder(
            above, whose, key.public_key(), x509.random_serial_number(), now - DAY, now + DAY
        ).add_extension(more, critical=True)
        return built.sign(authority, hashes.SHA256()).public_bytes(PEM)

    root = made(above, authority, x509.BasicConstraints(ca=True, path_length=0))
    with (folder / "authority.pem").open("ab") as file:
        file.write(root)
    secret = own.private_bytes(PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    both = folder / f"server.{name}.pem"
    both.write_bytes(made(subject, own, x509.SubjectAlternativeName([x509.DNSName(name)])) + secret)
    return both


class Zone:
    """The root, with two names, signed by one key."""

    def __init__(self) -> None:
        self._secret = ec.generate_private_key(ec.SECP256R1())
        self._key = dns.dnssec.make_dnskey(self._secret.public_key(), "ECDSAP256SHA256", flags=257)
        self._signed = [
            self._with_signature(dns.rrset.from_rdata(".", 300, self._key)),
            self._with_signature(dns.rrset.from_text("right.example.", 300, "IN", "A", TRUE)),
            self._with_signature(dns.rrset.from_text("forged.example.", 300, "IN", "A", TRUE)),
        ]

    def anchor(self) -> str:
        return f". IN DNSKEY {self._key.to_text()}\n"

    def _with_signature(self, each: dns.rrset.RRset) -> tuple[dns.rrset.RRset, dns.rrset.RRset]:
        rrsig = dns.dnssec.sign(
            each, self._secret, dns.name.root, self._key, lifetime=86_400, deterministic=False
        )
        return each, dns.rrset.from_rdata(each.name, 300, rrsig)

    def answer(self, wire: bytes) -> tuple[str, bytes]:
        asked = dns.message.from_wire(wire)
        (question,) = asked.question
        made = dns.message.make_response(asked, recursion_available=True)
        for each, signature in self._signed:
            if (each.name, each.rdtype) == (question.name, question.rdtype):
                forged = each.name.to_text() == "forged.example."
                told = dns.rrset.from_text(each.name, 300, "IN", "A", FALSE) if forged else each
                made.answer += [told, signature]
        return question.name.to_text(), made.to_wire()


def received(one: socket.socket, length: int) -> bytes:
    found = b""
    while len(found) < length:
        more = one.recv(length - len(found))
        if not more:
            raise OSError("it ended too early")
        found += more
    return found


def main(folder: Path, address: str, name: str) -> None:
    zone = Zone()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificates(folder, name))
    (folder / f"key.{name}").write_text(zone.anchor())
    with socket.create_server((address, 853)) as server:
        (folder / f"ready.{name}").touch()
        while True:
            plain, _ = server.accept()
            with suppress(OSError), context.wrap_socket(plain, server_side=True) as one:
                one.settimeout(2.0)
                while True:
                    length = int.from_bytes(received(one, 2), "big")
                    heard, made = zone.answer(received(one, length))
                    with (folder / f"heard.{name}").open("a") as file:
                        file.write(f"{heard}\n")
                    one.sendall(len(made).to_bytes(2, "big") + made)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
