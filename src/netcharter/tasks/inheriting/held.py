"""Leases, reservations and ranges from a file of whatever known kind."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping

from netcharter.diagnostics import Diagnostic
from netcharter.tasks.inheriting.dhcpd import read_dhcpd
from netcharter.tasks.inheriting.dnsmasq import read_leases, read_settings
from netcharter.tasks.inheriting.lines import Told, good_lines, shown, whole
from netcharter.tasks.inheriting.shapes import FileKind, Held
from netcharter.tasks.inheriting.table import headings, read_table

__all__ = ["KINDS", "kind_of", "read_held", "shown"]

LOOKED_AT = 400  # lines that tell what kind a file is

_Reader = Callable[[str | bytes, str], Held]
KINDS: Mapping[FileKind, _Reader] = {
    "dnsmasq": read_settings,
    "dnsmasq-leases": read_leases,
    "dhcpd": read_dhcpd,
    "dhcpd-leases": read_dhcpd,
    "csv": read_table,
}
_MARKS: tuple[tuple[FileKind, re.Pattern[str]], ...] = (
    ("dnsmasq-leases", re.compile(r"[0-9]+ \S+ [0-9A-Fa-f.:]+ \S+( \S+)?|duid [0-9A-Fa-f:]+")),
    ("dhcpd-leases", re.compile(r"(lease\s+[0-9.]+|ia-na\s+\".*)\s*\{?|(server-duid|binding)\s.*;")),
    ("dhcpd", re.compile(
        r"(subnet6?|host|group|pool6?|shared-network)\b[^=;]*\{.*|(option|range6?|fixed-address"
        r"|hardware|default-lease-time|max-lease-time|authoritative|ddns-update-style)\b[^=]*;.*",
        re.IGNORECASE,
    )),
    ("dnsmasq", re.compile(
        r"(dhcp-[a-z0-9-]+|interface|listen-address|domain|conf-file|conf-dir|server|address"
        r"|except-interface|no-dhcp-interface|bind-interfaces|expand-hosts|domain-needed"
        r"|bogus-priv|local|enable-ra|host-record|no-resolv|addn-hosts|cache-size)\s*(=.*)?",
    )),
)  # fmt: skip


def read_held(data: str | bytes, name: str, kind: FileKind | None = None) -> Held:
    """What a file says of leases, reservations and ranges; never raises, whatever it holds.

    name: how to call the file in findings; kind: told from the content where it is not given.
    """
    found = kind or kind_of(data)
    if found is None:
        return Held(problems=(_unknown(name),))
    return KINDS[found](data, name)


def _unknown(name: str) -> Diagnostic:
    return Diagnostic(
        "file-kind-unknown",
        "error",
        "no leases or reservations are recognised in this file",
        whole(name),
        help=f"say which kind it is ({', '.join(KINDS)}), or give another file",
    )


def kind_of(data: str | bytes) -> FileKind | None:
    """The kind that most of the telling lines at the beginning of a file speak for."""
    found: Counter[FileKind] = Counter()
    for number, text in enumerate(_telling(data)):
        if number == 0 and headings(text)[0]:
            return "csv"
        mark = next((kind for kind, mark in _MARKS if mark.fullmatch(text)), None)
        if mark is not None:
            found[mark] += 1
    if found["dhcpd-leases"]:
        return "dhcpd-leases"  # within its blocks it reads like settings
    best = found.most_common(1)
    return best[0][0] if best else None


def _telling(data: str | bytes) -> Iterator[str]:
    """The first lines that are no comments."""
    lines = good_lines(data[:1_000_000], Told(""), every=True)
    texts = (line.text.strip() for line in lines)
    telling = (text for text in texts if text and not text.startswith("#") and text[:4] != "sep=")
    for _, text in zip(range(LOOKED_AT), telling, strict=False):
        yield text
