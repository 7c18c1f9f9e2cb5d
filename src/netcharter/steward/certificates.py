"""When a certificate ends: as much of X.509 (RFC 5280) as that takes.

A certificate is a sequence whose first part, after an optional version, has serial number,
signature algorithm, issuer and then the validity (section 4.1). Nothing is verified here.
"""

from __future__ import annotations

import binascii
import re
from datetime import UTC, datetime

MOST = 1 << 20  # bytes of a file that is looked at
_PEM = re.compile(rb"-----BEGIN CERTIFICATE-----\s(.*?)-----END CERTIFICATE-----", re.DOTALL)
_SEQUENCE, _UTC_TIME, _GENERALIZED, _VERSION = 0x30, 0x17, 0x18, 0xA0


def ends(data: bytes) -> datetime:
    """The instant at which the first certificate of a file, PEM or DER, ends.

    Raises ValueError, in words, where there is none.
    """
    found = _PEM.search(data)
    try:
        der = binascii.a2b_base64(found[1]) if found else data
    except binascii.Error:
        raise ValueError("it is no certificate") from None
    outer, _ = _part(der, _SEQUENCE)
    body, _ = _part(outer, _SEQUENCE)
    if body[:1] == bytes((_VERSION,)):
        _, body = _part(body)
    for _ in range(3):
        _, body = _part(body)
    validity, _ = _part(body, _SEQUENCE)
    _, validity = _part(validity)
    return _time(validity)


def _part(data: bytes, tag: int | None = None) -> tuple[bytes, bytes]:
    """The contents of the first value (X.690 section 8.1), and what follows it."""
    if len(data) < 2 or (tag is not None and data[0] != tag):
        raise ValueError("it is no certificate")
    length, begin = data[1], 2
    if length & 0x80:
        begin = 2 + (length & 0x7F)
        length = int.from_bytes(data[2:begin], "big")
    if begin > 6 or begin + length > len(data):
        raise ValueError("it is no certificate, or cut short")
    return data[begin : begin + length], data[begin + length :]


def _time(data: bytes) -> datetime:
    """RFC 5280 section 4.1.2.5: always in UTC, with seconds; years from 50 on are of the 1900s."""
    text, _ = _part(data)
    said = text.decode("ascii", "replace")
    try:
        if data[0] == _UTC_TIME:
            century = "19" if int(said[:2]) >= 50 else "20"
            said = century + said
        elif data[0] != _GENERALIZED:
            raise ValueError
        return datetime.strptime(said, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        raise ValueError("it doesn't say when it ends") from None
