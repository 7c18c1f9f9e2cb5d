"""Numbers back into the charter's words: addresses, services, sets of them, instants."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from ipaddress import summarize_address_range
from zoneinfo import ZoneInfo

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, GUEST, NOBODY, PORTED, PROTOCOLS
from netcharter.plan.shapes import Exit, Plan
from netcharter.plan.terms import device_addresses, known_services
from netcharter.space.ranges import Ranges, has, intersect, ranges, size, subset, subtract, union


def service_text(code: int) -> str:
    """One service written out, as a charter would: ``tcp/443``, ``icmpv6/128``."""
    protocol, number = code >> 16, code & 0xFFFF
    if protocol in (coding.ICMP, coding.ICMP6):
        kind, detail = number >> 8, number & 0xFF
        return f"{PROTOCOLS[protocol]}/{kind}" + (f"/{detail}" if detail else "")
    if protocol in PORTED:
        return f"{PROTOCOLS[protocol]}/{number}"
    return f"protocol/{protocol}"


@dataclass(frozen=True)
class Naming:
    """The words of one plan for the numbers of its universe."""

    plan: Plan

    @cached_property
    def _addresses(self) -> list[tuple[Ranges, str]]:
        """Named address sets, the narrowest first."""
        plan = self.plan
        named = [(device_addresses(d), d.name) for d in plan.devices if d.lasting]
        named += [(line.own, f"the gateway on {line.name}") for line in plan.lines]
        named += [(plan.gateway, "the gateway")]
        named += [(found, name) for name, found in plan.places.items()]
        named += [(plan.hostile, HOSTILE)]
        named += [(a.hosts, a.name) for a in plan.areas]
        named += [(a.whole, a.name) for a in plan.areas]
        return [*named, (plan.internet, "internet")]

    def address_name(self, code: int) -> str | None:
        """Whose address it is, or where it lies; None for special addresses."""
        return next((name for found, name in self._addresses if has(found, code)), None)

    def address_text(self, code: int) -> str:
        """The address itself, or words for an unknown one."""
        value = coding.decode(code)
        if isinstance(value, tuple):
            line = value[0] - 1
            name = self.plan.lines[line].name if line < len(self.plan.lines) else "another line"
            return f"the address of {name}"
        return str(value)

    def address_full(self, code: int) -> str:
        """Name and number together: ``booking (10.40.0.10)``."""
        name, text = self.address_name(code), self.address_text(code)
        return text if name is None else f"{name} ({text})"

    @cached_property
    def _services(self) -> list[tuple[Ranges, str]]:
        own = self.plan.charter.services
        known = {name: parts for name, parts in known_services().items() if name not in own}
        known |= {name: service.parts for name, service in own.items()}
        # of several names of one set the last wins: the trade's before the registry's
        found = {ranges(*(coding.service(*p) for p in parts)): n for n, parts in known.items()}
        return sorted(found.items(), key=lambda pair: size(pair[0]))

    @cached_property
    def _widest_services(self) -> list[tuple[Ranges, str]]:
        return sorted(self._services, key=lambda pair: -size(pair[0]))

    def service_full(self, code: int) -> str:
        """A service by name and number: ``https (tcp/443)``."""
        text = service_text(code)
        name = next((n for found, n in self._services if has(found, code) and n != text), None)
        return text if name is None or "/" in name else f"{name} ({text})"

    def who_text(self, name: str) -> str:
        return {NOBODY: "nobody signed in", GUEST: "a guest, signed in"}.get(
            name, f"{name}, signed in"
        )

    def instant_text(self, instant: datetime) -> str:
        """Weekday, date and hour in site time."""
        return instant.astimezone(ZoneInfo(self.plan.timezone)).strftime("%a %d %b %Y %H:%M")

    def hardware_name(self, number: int) -> str | None:
        """The device with that hardware address."""
        return next((d.name for d in self.plan.devices if number in d.hardware), None)

    def destinations(self, found: Ranges) -> str:
        """A set of addresses in words: part of the site by part of the site, then numbers."""
        if subset(union(ANY4, ANY6), found):
            return "anywhere"
        words: list[str] = []
        rest = found
        for zone, name in self._zones:
            mine = intersect(rest, zone)
            if mine and (name != GATEWAY or mine == zone):
                words += self._zone_words(mine, zone, name)
                rest = subtract(rest, zone)
        return listed([*words, *([self._numbers(rest)] if rest else [])])

    @cached_property
    def _zones(self) -> list[tuple[Ranges, str]]:
        areas = [(a.hosts, a.name) for a in self.plan.areas]
        lines = [(line.own, f"the gateway on {line.name}") for line in self.plan.lines]
        inner = subtract(self.plan.gateway, union(*(own for own, _ in lines)))
        return [
            *areas,
            (self.plan.gateway, GATEWAY),
            (inner, "the gateway from inside"),
            *lines,
            (self.plan.internet, "internet"),
        ]

    def _zone_words(self, mine: Ranges, zone: Ranges, name: str) -> list[str]:
        """A part of one zone: its name, its name with few exceptions, or what it consists of."""
        if mine == zone:
            return [name]
        words: list[str] = []
        spare: list[Ranges] = []
        rest: Ranges = ()
        for family, title in ((ANY4, "IPv4"), (ANY6, "IPv6")):
            whole, part = intersect(zone, family), intersect(mine, family)
            missing = subtract(whole, part)
            if size(part) > 1 and _few(missing, part):
                words.append(f"{name} ({title})")
                spare.append(missing)
            elif part:
                rest = union(rest, part)
        if len(words) == 2 or (words and not rest and _one_family(zone)):
            words = [name]
        if any(spare):
            words[-1] += f" but not {self._numbers(union(*spare))}"
        return [*words, self._numbers(rest)] if rest else words

    def _numbers(self, found: Ranges) -> str:
        """Small sets by the names of devices, places and lines, then by numbers."""
        plan = self.plan
        known = [*plan.places.items(), (HOSTILE, plan.hostile)]
        named = [(r, name) for name, r in known]
        for family, title in ((ANY4, "IPv4"), (ANY6, "IPv6")):
            named += [(intersect(r, family), f"{n} ({title})") for n, r in known]
        named += [(device_addresses(d), d.name) for d in plan.devices if d.lasting]
        named += [(line.own, f"the gateway on {line.name}") for line in plan.lines]
        return _cover_text(found, named, self._range_text)

    def services(self, found: Ranges) -> str:
        """A set of services in words."""
        found = intersect(found, coding.REAL_SERVICES)
        if subset(coding.REAL_SERVICES, found):
            return "anything"
        own = self.plan.charter.services
        narrow = size(found) <= NARROW
        wide = [(r, n) for r, n in self._widest_services if narrow or n in own]
        return _cover_text(found, wide, _service_range_text)

    def _range_text(self, low: int, high: int) -> str:
        if low == high:
            return self.address_full(low)
        first, last = coding.decode(low), coding.decode(high)
        if isinstance(first, tuple) or isinstance(last, tuple):
            return ", ".join(
                self.address_text(c) for c in range(max(low, coding.SYMBOLS), high + 1)
            )
        try:
            blocks = list(summarize_address_range(first, last))
        except (TypeError, ValueError):
            return f"{first} to {last}"
        return str(blocks[0]) if len(blocks) == 1 else f"{first} to {last}"


GATEWAY, HOSTILE = "the gateway", "what is hostile"
NARROW = 1024  # services in a set beyond which only the charter's own names tell it


def listed(names: Iterable[str], word: str = "and") -> str:
    """``a, b and c``."""
    found = list(names)
    if len(found) < 2:
        return "".join(found)
    return ", ".join(found[:-1]) + f" {word} {found[-1]}"


def _few(missing: Ranges, part: Ranges) -> bool:
    return len(missing) <= 4 and size(missing) <= 8 and 4 * size(missing) <= size(part)


def _one_family(found: Ranges) -> bool:
    return not (intersect(found, ANY4) and intersect(found, ANY6))


def _cover_text(
    found: Ranges, named: list[tuple[Ranges, str]], spell: Callable[[int, int], str]
) -> str:
    """Names of the sets that lie inside `found`, widest first, and the numbers left over."""
    words: list[str] = []
    rest = found
    for candidate, name in named:
        if candidate and subset(candidate, found) and intersect(candidate, rest):
            words.append(name)
            rest = subtract(rest, candidate)
    spelled = [spell(low, high) for low, high in rest[:4]]
    more = [f"{len(rest) - 4} more ranges"] if len(rest) > 4 else []
    return listed([*words, *spelled, *more])


def _service_range_text(low: int, high: int) -> str:
    if low == high:
        return service_text(low)
    protocol, kinds = low >> 16, (low >> 8 & 0xFF, high >> 8 & 0xFF)
    messages = protocol == high >> 16 and protocol in (coding.ICMP, coding.ICMP6)
    if messages and low & 0xFF == 0 and high & 0xFF == 0xFF:  # all codes of whole types
        upto = f"-{kinds[1]}" if kinds[0] != kinds[1] else ""
        return f"{PROTOCOLS[protocol]}/{kinds[0]}{upto}"
    if low >> 16 == high >> 16 and low >> 16 in PORTED:
        first, last = low & 0xFFFF, high & 0xFFFF
        name = PROTOCOLS[low >> 16]
        return name if (first, last) == (0, 0xFFFF) else f"{name}/{first}-{last}"
    return f"{service_text(low)} to {service_text(high)}"


def exit_text(one: Exit) -> str:
    """An exit as the charter writes it, all said out."""
    said = f"from {listed(one.who)}, reach {listed(one.reach)}, with {listed(one.services)}, "
    said += f"by {', '.join(one.lines)}, or-else {'refused' if one.refused else 'others'}"
    return f"{said}, together" if one.together else said
