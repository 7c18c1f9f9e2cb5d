"""What hosts of an area may find in another one: kinds of services, and the types they are made of.

A type is a service name with its protocol, as multicast DNS knows it (RFC 6763 section 7). The
names, and the ports that go with them, are those of the registry of the IANA (RFC 6335), from memory.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from netcharter.charter.values import Wrong, quoted
from netcharter.charter.words import suggest

_TYPE = re.compile(r"_([A-Za-z0-9-]{1,15})\._(tcp|udp)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ServiceType:
    """A type such as `_ipp._tcp`. ports: at which it is usually met; none: that is told anew by
    each service."""

    name: str
    ports: tuple[int, ...] = ()

    @property
    def protocol(self) -> int:
        return 6 if self.name.endswith("_tcp") else 17


def _types(*found: tuple[str, tuple[int, ...]]) -> tuple[ServiceType, ...]:
    return tuple(ServiceType(*one) for one in found)


KINDS_OF_SERVICES: Mapping[str, tuple[ServiceType, ...]] = {
    "printing": _types(
        ("_ipp._tcp", (631,)),
        ("_ipps._tcp", (631, 443)),
        ("_printer._tcp", (515,)),
        ("_pdl-datastream._tcp", (9100,)),
    ),
    "scanning": _types(
        ("_uscan._tcp", (80, 8080)), ("_uscans._tcp", (443,)), ("_scanner._tcp", ())
    ),
    "casting": _types(("_openscreen._udp", ()), ("_display._tcp", (7250,))),
    "files": _types(
        ("_smb._tcp", (445,)),
        ("_nfs._tcp", (2049,)),
        ("_webdav._tcp", (80,)),
        ("_webdavs._tcp", (443,)),
        ("_sftp-ssh._tcp", (22,)),
        ("_ftp._tcp", (21,)),
    ),
}


def found(value: str) -> str:
    """What can be found: a kind, or a type as a maker of devices tells it."""
    plain = value.strip()
    if plain in KINDS_OF_SERVICES:
        return plain
    match = _TYPE.fullmatch(plain.removesuffix(".").removesuffix(".local"))
    if match is None or not _is_service(match[1]):
        near = suggest(plain, {*KINDS_OF_SERVICES})
        raise Wrong(
            "bad-find",
            f"{quoted(value)} is no kind of service and no service type",
            f"write {near}" if near else
            f"write {', '.join(KINDS_OF_SERVICES)}, or a type such as _ipp._tcp",
        )  # fmt: skip
    return match[0].lower()


def _is_service(name: str) -> bool:
    """RFC 6335 section 5.1: a letter somewhere, and hyphens only within, one at a time."""
    edges = name.startswith("-") or name.endswith("-")
    return not edges and "--" not in name and re.search("[A-Za-z]", name) is not None


def types_of(terms: tuple[str, ...]) -> tuple[ServiceType, ...]:
    """The types of kinds and types, each once and in order."""
    known = {one.name: one for kind in KINDS_OF_SERVICES.values() for one in kind}
    each: dict[str, ServiceType] = {}
    for term in terms:
        for one in KINDS_OF_SERVICES.get(term, ()):
            each[one.name] = one
        if term not in KINDS_OF_SERVICES:
            each[term] = known.get(term, ServiceType(term))
    return tuple(each.values())
