"""What devices are lent and told: for how long an address, how many new ones come, which domain and
whose time."""

from __future__ import annotations

import re

from netcharter.charter.model import Address, Turnover
from netcharter.charter.values import Wrong, address, quoted

MINUTE, HOUR, DAY = 60, 3600, 86_400
LEAST_LEASE = 2 * MINUTE  # dnsmasq lends for no less
MOST_LEASE = 366 * DAY
PATTERN = r"^[0-9]+ ?(min|h|days?)$"
PACE = r"^[0-9]+ per (hour|day|week)$"
MOST_TURNOVER = 1_000_000
_UNITS = {"min": MINUTE, "h": HOUR, "day": DAY, "days": DAY}
_LIKE = {"m": "min", "h": "h", "d": "days"}
_PACES = {"h": "hour", "d": "day", "w": "week"}


def lease(value: str) -> int:
    """For how many seconds an address is lent."""
    match = re.fullmatch(r"([0-9]{1,7}) ?(min|h|days?)", value)
    if match is None:
        raise Wrong("bad-lease", f"{quoted(value)} is no time for which an address is lent",
                    _lease_help(value))  # fmt: skip
    seconds = int(match[1]) * _UNITS[match[2]]
    if not LEAST_LEASE <= seconds <= MOST_LEASE:
        raise Wrong("bad-lease", f"{quoted(value)} can't be meant",
                    "a lease goes from 2 min to 366 days")  # fmt: skip
    return seconds


def _lease_help(value: str) -> str:
    near = re.fullmatch(r"\s*([0-9]{1,9})\s*([A-Za-z]*)\.?\s*", value)
    if near is None:
        return "write number and unit: 12h (or min, days)"
    number, unit = int(near[1]), near[2].lower()
    if unit[:1] in ("", "s"):  # seconds, as other programs take them
        return (
            f"write {spelt(number)}" if number >= LEAST_LEASE else "write it as 30 min, 12h, 7 days"
        )
    return f"write {number} {_LIKE.get(unit[:1], 'h')}"


def spelt(seconds: int) -> str:
    """A lease as a charter says it, less what makes no whole minute."""
    minutes = seconds // MINUTE
    if minutes % (DAY // MINUTE) == 0 and minutes:
        days = minutes * MINUTE // DAY
        return "1 day" if days == 1 else f"{days} days"
    return f"{minutes // 60}h" if minutes % 60 == 0 and minutes else f"{minutes} min"


def turnover(value: str) -> Turnover:
    """How many devices come in an hour, a day or a week that were not there before."""
    match = re.fullmatch(r"([0-9]{1,9}) per (hour|day|week)", value)
    if match is None:
        near = re.fullmatch(r"([0-9]{1,9}) *(?:/|per|an?|each|every)? *(?:1 *)?([A-Za-z]*)", value)
        unit = _PACES.get(near[2].lower()[:1], "day") if near else "day"
        help = f"write {near[1] if near else 200} per {unit}"
        if not near or near[2].lower()[:1] not in _PACES:
            help += ", or per hour, or per week"
        raise Wrong("bad-turnover", f"{quoted(value)} is no number of devices in a time", help)
    if not 1 <= int(match[1]) <= MOST_TURNOVER:
        raise Wrong("bad-turnover", f"{quoted(value)} can't be meant",
                    f"it goes from 1 to {MOST_TURNOVER} per {match[2]}")  # fmt: skip
    return Turnover(int(match[1]), match[2])


_LABEL = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")  # RFC 1035 section 2.3.1, RFC 1123
MOST_DOMAIN = 189  # characters: with any label and a dot 253 (RFC 1035 section 2.3.4)
# Names that mean something else everywhere (RFC 6761, RFC 6762, RFC 7686).
_TAKEN = {
    "local": "it is for devices that ask each other, without a server (RFC 6762)",
    "localhost": "it is for a machine that talks to itself (RFC 6761)",
    "invalid": "there is never anything in it (RFC 6761)",
    "onion": "it is of another network (RFC 7686)",
}


def domain(value: str) -> str:
    """The local domain in lower case, without a dot at its end."""
    plain = value.lower().removesuffix(".")
    if not _is_name(plain):
        raise Wrong("bad-domain", f"{quoted(value)} is not a domain name", _domain_help(plain))
    if len(plain) > MOST_DOMAIN:
        raise Wrong("bad-domain", f"{quoted(value)} leaves no room for names of devices in it",
                    f"write one of {MOST_DOMAIN} characters at most")  # fmt: skip
    last = plain.rpartition(".")[2]
    if last in _TAKEN:
        raise Wrong("bad-domain", f"`{last}` can't be the local domain: {_TAKEN[last]}",
                    "write a name of your own, or leave it out for home.arpa")  # fmt: skip
    return plain


def time_server(value: str) -> str | Address:
    """Whom the gateway asks for the time: an address, or the name of a host."""
    if ":" in value or value.replace(".", "").isdigit():
        return address(value)
    plain = value.lower().removesuffix(".")
    if not _is_name(plain):
        raise Wrong("bad-time-server", f"{quoted(value)} is neither an address nor the name of a host",
                    _domain_help(plain))  # fmt: skip
    return plain


def _is_name(plain: str) -> bool:
    """Whether it is a name of hosts: RFC 1123 section 2.1, and no number, which would be read as an
    address (RFC 3696 section 2)."""
    labels = plain.split(".")
    return (
        len(plain) <= 253
        and all(_LABEL.fullmatch(label) for label in labels)
        and not labels[-1].isdigit()
    )


def _domain_help(plain: str) -> str:
    if not plain.isascii():
        return "write it in its form of plain letters, which begins with xn-- (RFC 5890)"
    return "letters, digits and hyphens, with dots between: tarn-hollow.example"
