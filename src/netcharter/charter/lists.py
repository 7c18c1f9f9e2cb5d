"""Single values of lists: where one is fetched and how often, its file, its entries."""

from __future__ import annotations

import re
import unicodedata
from ipaddress import ip_address, ip_network
from typing import Final
from urllib.parse import urlsplit

from netcharter.charter.values import Wrong, file_name, name, quoted
from netcharter.diagnostics.escape import HIDDEN

NAMES, ADDRESSES = "names", "addresses"
ANYTHING: Final = "anything"  # every name
FORMS = ("plain", "hosts", "response-policy")
EVERY: Final = 24 * 3600  # seconds; common practice, no source
CHANGE: Final = 0.5  # the share of entries that may come or go at once; common practice, no source
HOUR: Final = 3600
LONGEST_URL = 500
LONGEST_DOMAIN = 253  # RFC 1035 section 2.3.4, as text
_LABEL = re.compile(r"[^\s.\x00-\x1f/:@*#!|^\\]{1,63}")


def url(value: str) -> str:
    """Where a list is fetched: https alone, since anybody on the way could change the rest."""
    if len(value) > LONGEST_URL or HIDDEN.search(value) or re.search(r"\s", value):
        raise Wrong("bad-url", f"{quoted(value)} can't be where a list is",
                    f"write it without spaces, in {LONGEST_URL} characters")  # fmt: skip
    try:
        parts = urlsplit(value)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if host is None or parts.scheme != "https":
        near = "https://" + value.partition("://")[2] if value.startswith("http://") else None
        raise Wrong("bad-url", f"{quoted(value)} is no address of the form https://…",
                    f"write {near}, if they have it" if near else
                    "for instance https://lists.example.org/names.txt")  # fmt: skip
    if "@" in parts.netloc:
        raise Wrong("bad-url", "a user name or password never stands in a charter",
                    "ask for an address that needs none")  # fmt: skip
    if port == 0 or not value.isascii() or parts.fragment:
        raise Wrong("bad-url", f"{quoted(value)} can't be asked of a server as it stands",
                    "copy the address from where the list is published")  # fmt: skip
    return value


def every(value: str) -> int:
    """Seconds between two times that a list is fetched."""
    match = re.fullmatch(r"([0-9]{1,4}) ?(min|h)", value)
    seconds = int(match[1]) * {"min": 60, "h": HOUR}[match[2]] if match else 0
    if match is None:
        near = re.fullmatch(r"\s*([0-9]{1,3})\s*(h|hours?)?\s*", value.lower())
        raise Wrong("bad-interval", f"{quoted(value)} is not how often a list is fetched",
                    f"write {near[1]}h" if near else "write number and unit: 24h")  # fmt: skip
    if not HOUR <= seconds <= EVERY:
        raise Wrong("bad-interval", f"{quoted(value)} can't be meant",
                    "a list is fetched every hour at the most, and every 24h at the least")  # fmt: skip
    return seconds


def entry(value: str) -> str:
    """One entry of a list that stands in the charter: which kind it must be, the list says."""
    plain = unicodedata.normalize("NFC", value.strip())
    if not plain or len(plain) > LONGEST_DOMAIN or HIDDEN.search(plain):
        raise Wrong("bad-entry", f"{quoted(value)} is no name and no address")
    return plain


def is_domain(value: str) -> bool:
    """Whether it has the form of a domain name: labels with dots between, of any script."""
    labels = value.removesuffix(".").split(".")
    return len(value) <= LONGEST_DOMAIN and all(_LABEL.fullmatch(label) for label in labels)


def domain_name(value: str) -> str:
    """One domain name, of any script, in NFC and without a dot at its end."""
    plain = unicodedata.normalize("NFC", value.strip()).removesuffix(".")
    if plain and is_domain(plain) and not is_numeric(plain) and not HIDDEN.search(plain):
        return plain
    raise Wrong("bad-name-asked", f"{quoted(value)} is no domain name", _domain_help(plain))


def _domain_help(plain: str) -> str:
    host = plain.partition("://")[2].partition("/")[0].partition(":")[0]
    if is_domain(host) and not is_numeric(host):
        return f"write {host}"
    below = plain.removeprefix("*.")
    if below != plain and is_domain(below):
        return f"write {below}, which takes in all names below it"
    if is_numeric(plain):
        return "names rules are about names; what is reached by its address is a matter of rules"
    return "for instance www.example.org"


def term(value: str) -> str:
    """What a names rule speaks of: `anything`, the name of a list or topic, or a domain name. A
    domain name has a dot in it; one of a single label ends in one (RFC 1034 section 3.1)."""
    if not re.search(r"[./:]", value):
        return name(value)
    plain = domain_name(value)
    return plain if "." in plain else plain + "."


def is_numeric(value: str) -> bool:
    """Whether it is an address or a prefix, and so no name."""
    try:
        ip_network(value, strict=False) if "/" in value else ip_address(value)
    except ValueError:
        return False
    return True


def list_file(value: str) -> str:
    """The file of a list, below the charter's own folder."""
    try:
        return file_name(value)
    except Wrong as wrong:
        raise Wrong("bad-list-file", wrong.message,
                    "keep it below the charter's folder: lists/games.txt") from None  # fmt: skip
