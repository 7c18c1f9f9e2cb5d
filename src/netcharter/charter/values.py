"""Single values: the text of a scalar in, the value out, or `Wrong` with what to say."""

from __future__ import annotations

import re
import unicodedata
from datetime import date, time
from ipaddress import (
    IPv4Address,
    IPv4Interface,
    IPv4Network,
    IPv6Address,
    IPv6Interface,
    IPv6Network,
    ip_address,
    ip_interface,
    ip_network,
)
from typing import Final
from zoneinfo import ZoneInfo

from netcharter.charter.model import Window
from netcharter.charter.services import FORMS, parse_written
from netcharter.charter.words import by_letters, by_meaning, suggest
from netcharter.diagnostics.escape import HIDDEN

LONGEST_NAME, LONGEST_TEXT, LONGEST_SHOWN = 60, 500, 40
RESERVED = ("anyone", "anywhere", "anything", "internet", "gateway")
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
UNITS = {"bit/s": 1, "kbit/s": 10**3, "Mbit/s": 10**6, "Gbit/s": 10**9}
LEAST_RATE, MOST_RATE = 8_000, 1_000 * 10**9
YEARS = range(2000, 2200)
MOST_DAYS = 1_100  # of one dated exception: three years
MOST_INTERFACE = 15  # characters of an interface's name: IFNAMSIZ of linux/if.h less its end
MULTICAST_BIT = 1 << 40
MOST_TARGETS = 4  # of one IP version, by which a line is watched
PACES = {"s": "second", "m": "minute", "h": "hour"}
MOST_PACES = {"second": 1_000, "minute": 60_000, "hour": 3_600_000}  # more limits nobody
MOST_AT_ONCE = 65_535  # an address has no more ports to begin from (RFC 9293 section 3.1)
LOCAL6 = IPv6Network("fd00::/8")
GLOBAL6 = IPv6Network("2000::/3")
# RFC 6052 section 2.1, RFC 8215, and what is given out (RFC 6052 section 2.2)
TRANSLATORS = (IPv6Network("64:ff9b::/96"), IPv6Network("64:ff9b:1::/48"), GLOBAL6)


class Wrong(Exception):
    """A value that can't be taken: the id, the message and the help of its diagnostic."""

    def __init__(self, id: str, message: str, help: str | None = None) -> None:
        super().__init__(message)
        self.id, self.message, self.help = id, message, help


def quoted(text: str) -> str:
    """Foreign text within a message: marked, on one line, and no longer than one can read."""
    plain = " ".join(text.split())
    if len(plain) > LONGEST_SHOWN:
        plain = plain[: LONGEST_SHOWN - 3] + "..."
    return f"`{plain}`"


def name(text: str) -> str:
    """A name in composed form (NFC), so that one name is one name however it was typed."""
    plain = unicodedata.normalize("NFC", text)
    fault = _name_fault(plain)
    if fault is None:
        return plain
    example = re.sub(r"[^\w.-]+", "-", plain).strip("-_.0123456789")[:LONGEST_NAME]
    help = f"for instance {example}" if example and _name_fault(example) is None else None
    raise Wrong("bad-name", f"{quoted(text)} can't be a name: {fault}", help)


def _name_fault(plain: str) -> str | None:
    if not plain:
        return "it is empty"
    if len(plain) > LONGEST_NAME:
        return f"it is longer than {LONGEST_NAME} characters"
    if (
        plain.isascii()
        and plain[0].isalpha()
        and plain.replace("-", "a").replace("_", "a").replace(".", "a").isalnum()
    ):
        return None
    if not unicodedata.category(plain[0]).startswith("L"):
        return "a name begins with a letter"
    if any(not _in_names(character) for character in plain):
        return "only letters, digits, `-`, `_` and `.` can stand in it"
    return None


def _in_names(character: str) -> bool:
    category = unicodedata.category(character)
    return (
        category[0] == "L" or category in ("Mn", "Mc", "Nd") or character in "-_."
    ) and not HIDDEN.match(character)


def who(text: str) -> str:
    """A name in the place of who starts."""
    return _term(text, ("anyone", "internet", "gateway"), "device")


def reach(text: str) -> str:
    """A name in the place of what is reached."""
    return _term(text, ("anywhere", "internet", "gateway"), "place")


def _term(text: str, words: tuple[str, ...], named: str) -> str:
    try:
        return name(text)
    except Wrong as wrong:
        meant = by_meaning(text, words)
        if meant is not None:
            raise Wrong("foreign-word", f"{quoted(text)} is called `{meant}` here",
                        f"write {meant}") from None  # fmt: skip
        if re.fullmatch(r"[0-9a-fA-F.:]+(/[0-9]+)?", text) and ("." in text or ":" in text):
            raise Wrong("bad-name", f"an address can't stand here: {quoted(text)}",
                        f"give it a name as a {named}, and write that name") from None  # fmt: skip
        raise wrong from None


def thing(text: str) -> str:
    """A name for something the charter defines."""
    plain = name(text)
    if plain in RESERVED:
        raise Wrong("reserved-name", f"`{plain}` has a meaning of its own in every charter",
                    "choose another name")  # fmt: skip
    return plain


def service_name(text: str) -> str:
    """A name for a service of the charter."""
    plain = name(text)
    if plain == "anything":
        raise Wrong("reserved-name", "`anything` has a meaning of its own in every charter",
                    "choose another name")  # fmt: skip
    return plain


def service(text: str) -> str:
    """A service's name, or a service written out."""
    plain = unicodedata.normalize("NFC", text)
    if "/" in plain:
        if parse_written(plain) is None:
            raise Wrong("bad-service", f"{quoted(text)} is not a service", _service_help(plain))
        return plain
    if plain.isascii() and plain.isdigit():
        raise Wrong("bad-service", f"{quoted(text)} could be a port of TCP or of UDP",
                    f"write tcp/{int(plain[:9])} or udp/{int(plain[:9])}")  # fmt: skip
    fault = _name_fault(plain)
    if fault is not None:
        raise Wrong("bad-service", f"{quoted(text)} is not a service: {fault}", f"write {FORMS}")
    return plain


def _service_help(plain: str) -> str:
    """The right form, if one can tell: other case, the port first, spaces, leading zeros."""
    tidy = re.sub(r"\s+", "", plain.lower()).replace("icmp6", "icmpv6").replace(":", "-")
    first, _, rest = tidy.partition("/")
    trimmed = re.sub(r"(?<![0-9])0+(?=[0-9])", "", rest)
    for guess in (f"{first}/{trimmed}", f"{rest}/{first}"):
        if parse_written(guess) is not None:
            return f"write {guess}"
    return f"write {FORMS}; ports go from 0 to 65535, the lower one first"


def text(value: str) -> str:
    """A line of prose, its white space evened out."""
    plain = " ".join(value.split())
    hidden = HIDDEN.search(plain)
    if not plain:
        raise Wrong("bad-text", "nothing is said here", "write some words, or leave the key out")
    if len(plain) > LONGEST_TEXT:
        raise Wrong("bad-text", f"this is longer than {LONGEST_TEXT} characters", "say it shorter")
    if hidden is not None:
        code = f"U+{ord(hidden.group()):04X}"
        raise Wrong("bad-text", f"a character that can't be seen stands in this text: {code}",
                    "delete it")  # fmt: skip
    return plain


def title(value: str) -> str:
    """A short free name, for a rule, an offer or the site."""
    plain = text(value)
    if len(plain) > LONGEST_NAME:
        raise Wrong("bad-text", f"this name is longer than {LONGEST_NAME} characters",
                    "a few words are enough; the rest goes into `because`")  # fmt: skip
    return plain


def timezone(value: str) -> str:
    """A key of the IANA time zone database that means the same on every machine."""
    try:
        if not re.fullmatch(r"[A-Za-z0-9_+/-]{1,64}", value) or not _is_zone(value):
            raise ValueError(value)
        ZoneInfo(value)
    except (LookupError, ValueError, OSError):
        raise Wrong("bad-timezone", f"there is no time zone {quoted(value)}",
                    _timezone_help(value)) from None  # fmt: skip
    return value


def _is_zone(key: str) -> bool:
    """Is this no other thing that the folder of the database holds besides its zones?

    `localtime` and `posixrules` are what a machine was set to, `Factory` is none, and below
    `posix` and `right` lie copies, the latter of them with leap seconds counted.
    """
    first = key.partition("/")[0]
    return first not in ("posix", "right") and key not in ("localtime", "posixrules", "Factory")


def _timezone_help(value: str) -> str:
    from zoneinfo import available_timezones

    known = set(filter(_is_zone, available_timezones()))
    copied = value.partition("/")[2]
    if not _is_zone(value) and copied in known:
        return f"write {copied}"
    cities = {key.rpartition("/")[2]: key for key in sorted(known)}
    near = by_letters(value, known) or cities.get(by_letters(value, cities) or "")
    if near:
        return f"write {near}"
    return "write area and city as the IANA time zone database does: Europe/London"


def interface(value: str) -> str:
    """The name of a network interface of the gateway, as Linux takes it."""
    fits = re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*", value) and len(value) <= MOST_INTERFACE
    if not fits or value in ("lo", "all", "default"):  # the last two mean more to sysctl
        raise Wrong("bad-interface", f"{quoted(value)} can't be a network interface",
                    "write its name as `ip link` shows it, at most 15 characters: eth0")  # fmt: skip
    return value


def interface_of(device: str, vlan: int | None) -> str:
    """What the gateway calls an interface: a VLAN hangs its number on its parent's name."""
    return device if vlan is None else f"{device}.{vlan}"


def login(value: str) -> str:
    """The name by which a provider knows the site (RFC 1334 and RFC 1994 give it bytes)."""
    if not re.fullmatch(r"[!-~]{1,128}", value):
        raise Wrong("bad-login", f"{quoted(value)} can't be a user name at a provider",
                    "write it as the provider's letter does: letters, digits and signs of ASCII,"
                    " no blanks, at most 128")  # fmt: skip
    return value


def rate(value: str) -> int:
    """Bits per second."""
    match = re.fullmatch(r"([0-9]{1,9}(?:\.[0-9]{1,6})?) ?([kMG]?bit/s)", value)
    if match is None:
        raise Wrong("bad-rate", f"{quoted(value)} is not a rate", _rate_help(value))
    whole, _, part = match[1].partition(".")
    bits: int = int(whole + part) * UNITS[match[2]] // 10 ** len(part)
    if not LEAST_RATE <= bits <= MOST_RATE:
        raise Wrong("bad-rate", f"{quoted(value)} can't be the rate of a line",
                    "rates go from 8 kbit/s to 1000 Gbit/s")  # fmt: skip
    return bits


def _rate_help(value: str) -> str:
    match = re.fullmatch(
        r"\s*([0-9]{1,6}(?:[.,][0-9]{1,3})?)\s*([kKmMgG]?)([bB]?)[a-zA-Z/]{0,7}\s*", value
    )
    if match is None or not (match[2] or match[3]):
        return "write number and unit: 40 Mbit/s (or kbit/s, Gbit/s)"
    number, unit = match[1].replace(",", "."), match[2].upper().replace("K", "k")
    if match[3] == "B":
        return (
            f"write {8 * float(number):g} {unit}bit/s if bytes are meant, else {number} {unit}bit/s"
        )
    return f"write {number} {unit}bit/s"


def share(value: str) -> float:
    """0.5 for `50 %`."""
    match = re.fullmatch(r"([0-9]{1,4}(?:\.[0-9]{1,3})?) ?%", value)
    if match is None or float(match[1]) > 1000:
        number = re.fullmatch(r"0?\.[0-9]{1,2}", value)
        help = f"{float(value) * 100:g} %" if number else "write it as `50 %`, at most 1000 %"
        raise Wrong("bad-share", f"{quoted(value)} is not a share in per cent", help)
    return float(match[1]) / 100


def every(value: str) -> float:
    """Seconds between two rounds of questions."""
    return _time(value, 1, 60, "how often a line is asked goes from 1 s to 60 s")


def delay(value: str) -> float:
    """Seconds that an answer may take."""
    return _time(value, 0.01, 5, "how long an answer may take goes from 10 ms to 5 s")


def _time(value: str, least: float, most: float, limits: str) -> float:
    match = re.fullmatch(r"([0-9]{1,6}(?:\.[0-9]{1,3})?) ?(ms|s)", value)
    if match is None:
        alone = re.fullmatch(r"[0-9]{1,4}", value)
        help = f"write {value} s, or {value} ms" if alone else "write number and unit: 2 s, 400 ms"
        raise Wrong("bad-time", f"{quoted(value)} is not a time", help)
    seconds = float(match[1]) / (1000 if match[2] == "ms" else 1)
    if not least <= seconds <= most:
        raise Wrong("bad-time", f"{quoted(value)} can't be meant", limits)
    return seconds


def pace(value: str) -> tuple[int, str]:
    """How many conversations may be begun in a second, a minute or an hour: number and unit."""
    match = re.fullmatch(r"([0-9]{1,9}) per (second|minute|hour)", value)
    if match is None:
        near = re.fullmatch(r"([0-9]{1,9}) *(?:/|per|an?|each|every)? *(?:1 *)?([A-Za-z]*)", value)
        unit = PACES.get(near[2].lower()[:1], "minute") if near else "minute"
        help = f"write {near[1] if near else 30} per {unit}"
        if not near or near[2].lower()[:1] not in PACES:
            help += ", or per second, or per hour"
        raise Wrong("bad-limit", f"{quoted(value)} is not so many in a time", help)
    number, unit = int(match[1]), match[2]
    if not 1 <= number <= MOST_PACES[unit]:
        raise Wrong("bad-limit", f"{quoted(value)} can't be meant",
                    f"it goes from 1 to {MOST_PACES[unit]} per {unit}")  # fmt: skip
    return number, unit


def at_once(value: int) -> int:
    """How many conversations one source may have at a time."""
    if not 1 <= value <= MOST_AT_ONCE:
        raise Wrong("bad-limit", f"{quoted(str(value))} can't be meant",
                    f"it goes from 1 to {MOST_AT_ONCE}")  # fmt: skip
    return value


def loss(value: str) -> float:
    """The share of questions without answer, above which a line has failed."""
    found = share(value)
    if not 0.01 <= found <= 0.99:
        raise Wrong("bad-share", f"{quoted(value)} says of no line when it has failed",
                    "it goes from 1 % to 99 %")  # fmt: skip
    return found


def target(value: str) -> IPv4Address | IPv6Address:
    """Who is asked whether a line works. The plan lets the gateway ask nobody on the link alone."""
    found = address(value)
    if found.is_link_local:
        raise Wrong("bad-address", f"{quoted(value)} is of the link alone",
                    "name somebody farther away")  # fmt: skip
    return found


def address(value: str) -> IPv4Address | IPv6Address:
    """One address of a host."""
    try:
        found = ip_address(value if "%" not in value else "")
    except ValueError:
        help = "write the address alone, without `/` and length" if "/" in value else None
        raise Wrong("bad-address", f"{quoted(value)} is not an address",
                    help or "for instance 192.0.2.10 or 2001:db8::10") from None  # fmt: skip
    if found.is_multicast or found.is_unspecified or found.is_loopback:
        raise Wrong("bad-address", f"{quoted(value)} can't be the address of a host on a network")
    return found


def next_hop(value: str) -> IPv4Address | IPv6Address:
    """The neighbour that takes what goes out by a line."""
    return address(value)


def address_with_length(value: str) -> IPv4Interface | IPv6Interface:
    """A line's own address with the length of its network's prefix."""
    alone, slash, length = value.partition("/")
    if not slash:
        address(value)
        raise Wrong("bad-address", f"how long is the prefix of the network {quoted(value)} is in?",
                    f"write {value}/29, with the length from your provider")  # fmt: skip
    address(alone)
    try:
        if not re.fullmatch(r"[0-9]{1,3}", length):
            raise ValueError(length)
        found = ip_interface(value)
    except ValueError:
        raise Wrong("bad-address", f"{quoted(value)} is not an address with a prefix length",
                    "for instance 203.0.113.10/29 or 2001:db8:1::2/64") from None  # fmt: skip
    _check_edges(found)
    return found


def _check_edges(found: IPv4Interface | IPv6Interface) -> None:
    net = found.network
    if found.version == 4 and net.prefixlen < 31 and found.ip == net.broadcast_address:
        raise Wrong("bad-address", f"`{found.ip}` is the broadcast address of `{net}`",
                    "write the line's own address")  # fmt: skip
    if net.prefixlen < net.max_prefixlen - 1 and found.ip == net.network_address:
        raise Wrong("bad-address", f"`{found.ip}` is the address of the network `{net}` itself",
                    "write the line's own address")  # fmt: skip


def prefix(value: str) -> IPv4Network | IPv6Network:
    """A network address with its length and no host bits."""
    alone, slash, length = value.partition("/")
    try:
        if "%" in alone or (slash and not re.fullmatch(r"[0-9]{1,3}", length)):
            raise ValueError(value)
        loose = ip_network(value, strict=False)
    except ValueError:
        raise Wrong("bad-prefix", f"{quoted(value)} is not a prefix",
                    "for instance 192.0.2.0/24 or 2001:db8:1::/48") from None  # fmt: skip
    if not slash:
        raise Wrong("bad-prefix", f"{quoted(value)} has no length",
                    f"write {loose} for this one address")  # fmt: skip
    if str(loose.network_address) != str(ip_address(alone)):
        raise Wrong("bad-prefix", f"{quoted(value)} has bits set beyond its length {length}",
                    f"write {loose}")  # fmt: skip
    return loose


def spared(value: str) -> str | IPv4Network | IPv6Network:
    """A prefix, or the name of something that has addresses."""
    return prefix(value) if re.match(r"[0-9A-Fa-f:.]*[/:.]", value) else name(value)


def area_prefix(value: str) -> IPv4Network | IPv6Network:
    """A prefix that an area can have."""
    found = prefix(value)
    if found.is_multicast or found.is_loopback or found.is_unspecified or found.is_link_local:
        raise Wrong("bad-prefix", f"`{found}` can't be the prefix of an area",
                    "for instance 10.20.0.0/24 or 192.168.20.0/24")  # fmt: skip
    if found.version == 6 and found.prefixlen != 64:
        raise Wrong("bad-prefix", f"an area's IPv6 prefix is a /64, not a /{found.prefixlen}",
                    f"write {found.network_address}/64")  # fmt: skip
    if found.version == 4 and not 8 <= found.prefixlen <= 30:
        raise Wrong("bad-prefix", f"an area's IPv4 prefix is a /8 to a /30, not a /{found.prefixlen}",
                    "for instance 10.20.0.0/24")  # fmt: skip
    return found


def local_prefix(value: str) -> IPv6Network:
    """A /48 inside fd00::/8 (RFC 4193)."""
    found = prefix(value)
    if not isinstance(found, IPv6Network) or found.prefixlen != 48 or not found.subnet_of(LOCAL6):
        raise Wrong("bad-prefix", f"`{found}` is not a local IPv6 prefix: those are /48 in fd00::/8",
                    "leave it out, and one is drawn for this site")  # fmt: skip
    return found


DELEGATED: Final = "delegated"  # a prefix that the gateway asks the provider for (RFC 8415)


def line_prefix(value: str) -> IPv6Network:
    """The global IPv6 prefix that a provider gives the site."""
    found = prefix(value)
    if not isinstance(found, IPv6Network) or not found.subnet_of(GLOBAL6):
        raise Wrong("bad-prefix", f"`{found}` is not a global IPv6 prefix",
                    "write the prefix your provider gives the site: 2001:db8:7a00::/48")  # fmt: skip
    if not 48 <= found.prefixlen <= 60:
        raise Wrong("bad-prefix", f"a line's prefix is a /48 to a /60, not a /{found.prefixlen}",
                    "every area takes a /64 of it; ask your provider for a /56 or a /48")  # fmt: skip
    return found


def translator(value: str) -> IPv6Network:
    """The prefix of a provider's translator to IPv4: RFC 6052's own, one of RFC 8215, or another."""
    found = prefix(value)
    if not isinstance(found, IPv6Network) or not any(map(found.subnet_of, TRANSLATORS)):
        raise Wrong("bad-prefix", f"`{found}` can't be the prefix of a translator",
                    "most providers that have one use 64:ff9b::/96")  # fmt: skip
    if found.prefixlen != 96:
        raise Wrong("bad-prefix", f"a translator's prefix is a /96 here, not a /{found.prefixlen}",
                    f"write {found.network_address}/96, if the last 32 bits are the IPv4 address")  # fmt: skip
    return found


def hardware(value: str) -> int:
    """A 48-bit hardware address as a number."""
    pairs = re.fullmatch(r"[0-9A-Fa-f]{2}(?:([:-])[0-9A-Fa-f]{2})(?:\1[0-9A-Fa-f]{2}){4}", value)
    dotted = re.fullmatch(r"[0-9A-Fa-f]{4}\.[0-9A-Fa-f]{4}\.[0-9A-Fa-f]{4}", value)
    digits = re.sub(r"[^0-9A-Fa-f]", "", value)
    spelt = ":".join(digits[i : i + 2].lower() for i in range(0, 12, 2))
    if not pairs and not dotted:
        help = spelt if len(digits) == 12 and len(value) < 20 else "for instance 02:00:00:aa:00:01"
        raise Wrong("bad-hardware", f"{quoted(value)} is not a hardware address", help)
    number = int(digits, 16)
    if number == 0:
        raise Wrong("bad-hardware", "no device has the hardware address zero",
                    "read it off the device's label")  # fmt: skip
    if number & MULTICAST_BIT:
        raise Wrong("bad-hardware", f"`{spelt}` addresses a group of devices, not one",
                    "read the address off the device's label")  # fmt: skip
    return number


def day(value: str) -> date:
    """A date written as 2027-03-31."""
    try:
        if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
            raise ValueError(value)
        found = date.fromisoformat(value)
    except ValueError:
        raise Wrong("bad-date", f"{quoted(value)} is not a date", _date_help(value)) from None
    if found.year not in YEARS:
        raise Wrong("bad-date", f"the year {found.year} is too far away",
                    f"years go from {YEARS[0]} to {YEARS[-1]}")  # fmt: skip
    return found


def _date_help(value: str) -> str:
    match = re.fullmatch(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})", value.strip())
    if match is not None:
        guess = f"{match[1]}-{int(match[2]):02}-{int(match[3]):02}"
        try:
            return f"write {date.fromisoformat(guess)}"
        except ValueError:
            return "that day does not exist"
    return "write year, month and day: 2027-03-31"


def days(value: str) -> tuple[date, date]:
    """One date, or two with `to` between them; first and last day."""
    first, to, last = re.sub(r"\s+", " ", value.strip()).partition(" to ")
    start = day(first)
    end = day(last) if to else start
    if end < start:
        raise Wrong("bad-date", "these dates end before they begin", f"write {end} to {start}")
    if (end - start).days > MOST_DAYS:
        raise Wrong("bad-date", f"these dates are more than {MOST_DAYS} days apart",
                    "change the weekly windows instead")  # fmt: skip
    return start, end


def weekdays(value: str) -> tuple[int, ...]:
    """Days of the week, Monday is 0, from `mon`, `mon-fri`, `sat-mon` or `daily`."""
    if value == "daily":
        return tuple(range(7))
    first, dash, last = value.partition("-")
    if first in DAYS and (last in DAYS or not dash):
        start = DAYS.index(first)
        length = (DAYS.index(last) - start) % 7 if dash else 0
        return tuple((start + i) % 7 for i in range(length + 1))
    raise Wrong("bad-day", f"{quoted(value)} is not a day of the week", _day_help(value))


def _day_help(value: str) -> str:
    known = (*DAYS, "daily", "mon-fri", "sat-sun")
    short = "-".join(part.strip()[:3].lower() for part in value.split("-"))
    if short in DAYS or all(part in DAYS for part in short.split("-")):
        return f"write {short}"
    return f"write {suggest(value, known) or 'mon, mon-fri or daily'}"


def window(value: str) -> Window:
    """From a start to just before an end; an end at or before the start is on the next day."""
    match = re.fullmatch(r"([0-9]{2}):([0-9]{2}) ?- ?([0-9]{2}):([0-9]{2})", value)
    if match is None:
        raise Wrong("bad-window", f"{quoted(value)} is not a window of time", _window_help(value))
    start_hour, start_minute, end_hour, end_minute = (int(part) for part in match.groups())
    until_midnight = (end_hour, end_minute) == (24, 0)
    if start_hour > 23 or start_minute > 59 or end_minute > 59:
        raise Wrong("bad-window", f"{quoted(value)} names a time that no clock shows",
                    "times go from 00:00 to 23:59; 24:00 can be an end")  # fmt: skip
    if end_hour > 23 and not until_midnight:
        raise Wrong("bad-window", f"{quoted(value)} ends at a time that no clock shows",
                    "times go from 00:00 to 23:59; 24:00 can be an end")  # fmt: skip
    end = None if until_midnight else time(end_hour, end_minute)
    return Window(time(start_hour, start_minute), end)


def _window_help(value: str) -> str:
    times = re.findall(r"([0-9]{1,2})(?:[:.h]([0-9]{2}))?\s*(am|pm)?", value.lower())
    if len(times) == 2 and len(value) < 24:
        spelt = [_clock(int(hour), int(minute or 0), half) for hour, minute, half in times]
        return f"write {spelt[0]}-{spelt[1]}"
    return "write start and end: 08:00-16:30"


def _clock(hour: int, minute: int, half: str) -> str:
    if half:
        hour = hour % 12 + (12 if half == "pm" else 0)
    return f"{hour:02}:{minute:02}"


def minutes(found: Window) -> tuple[int, int]:
    """Start and end in minutes from the beginning of the day the window starts on."""
    start = found.start.hour * 60 + found.start.minute
    end = 24 * 60 if found.end is None else found.end.hour * 60 + found.end.minute
    return start, end if end > start else end + 24 * 60


def file_name(value: str) -> str:
    """A relative file name below the charter's own folder."""
    parts = value.split("/")
    if value.startswith("/") or "\\" in value or ":" in value or ".." in parts:
        raise Wrong("bad-include", f"{quoted(value)} leads out of the charter's own folder",
                    "keep the file beside the charter or in a folder below it")  # fmt: skip
    if len(value) > 200 or "" in parts or "." in parts or HIDDEN.search(value):
        raise Wrong("bad-include", f"{quoted(value)} can't be the name of a file",
                    "for instance rules.yaml or parts/rules.yaml")  # fmt: skip
    return value
