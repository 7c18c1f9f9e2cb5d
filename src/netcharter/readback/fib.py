"""`fib`: what the host's own routing says of an address (nft_fib_ipv4.c, nft_fib_ipv6.c)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

from netcharter.readback.ground import (
    EVERYBODY4,
    LINK_GROUPS6,
    LINK_LOCAL6,
    NOWHERE4,
    NOWHERE6,
    Ground,
)
from netcharter.readback.shapes import DESTINATION, ENTRANCE, SERVICE, SOURCE
from netcharter.readback.sources import OPEN, Case, Fixed, FromField, Limits, Open, Source
from netcharter.readback.state import Course
from netcharter.readback.symbols import ROUTE_TYPES
from netcharter.space.ranges import Ranges, intersect, ranges, subset, subtract, union

LOCAL_GROUPS4: Ranges = ((0xE0000000, 0xE00000FF),)  # 224.0.0.0/24, RFC 5771 section 4
ICMP6: Ranges = ((58 << 16, (58 << 16) + 0xFFFF),)
EVERYTHING: Ranges = ((0, 1 << 200),)
Address = Callable[[Course, bool], Source]
Reader = Callable[[Course], tuple[Case, ...]]


def fib_term(where: dict[str, Any], ground: Ground, address: Address) -> tuple[str, Reader] | None:
    """The kind of value and its reader; None for a look-up that is not known here."""
    flags, result = where.get("flags"), where.get("result")
    if not isinstance(flags, list) or not set(flags) <= {"saddr", "daddr", "iif", "oif", "mark"}:
        return None
    if ("saddr" in flags) == ("daddr" in flags) or "oif" in flags or "mark" in flags:
        return None
    source, by_device = "saddr" in flags, "iif" in flags
    if result == "type":
        return "route type", _remembered(_types(ground, source, by_device, address))
    if result in ("oif", "oifname"):
        return "device", _remembered(_ways(ground, source, by_device, address))
    return None


def _remembered(reader: Reader) -> Reader:
    """The same cases for courses that are alike in all that counts here."""
    known: dict[tuple[object, ...], tuple[Case, ...]] = {}

    def read(course: Course) -> tuple[Case, ...]:
        place = (course.family, course.own, course.hook, course.looped)
        key = (*place, course.destination, course.source)
        if key not in known:
            known[key] = reader(course)
        return known[key]

    return read


def _types(ground: Ground, source: bool, by_device: bool, address: Address) -> Reader:
    def read(course: Course) -> tuple[Case, ...]:
        where = address(course, source)
        if not ground.known:
            return _guessed(course, source)
        unsure = ground.beyond if course.family == 6 else ()
        if not by_device and (course.family == 4 or course.own or course.looped):
            return _by_type(ground.types(course.family), unsure, where, ())
        if not by_device:
            return _per_device(ground, lambda at: (ground.types_near(at), unsure), where)
        if course.looped or course.own:
            device = ground.devices.loopback if course.looped else None
            return _by_type(ground.types(course.family, device), unsure, where, ())
        return _per_device(ground, lambda at: (ground.types(course.family, at), unsure), where)

    return read


def _guessed(course: Course, source: bool) -> tuple[Case, ...]:
    """Nothing is known of the host; but what is forwarded is not for it."""
    if source or course.hook != "forward" or course.destination is not None:
        return OPEN
    return (Case((), Fixed(((ROUTE_TYPES["unicast"],) * 2,))),)


def _ways(ground: Ground, source: bool, by_device: bool, address: Address) -> Reader:
    def read(course: Course) -> tuple[Case, ...]:
        where, family = address(course, source), course.family
        if not ground.known:
            return OPEN
        if course.looped:
            return (Case((), Fixed(((ground.devices.loopback,) * 2,))),)
        arrived = not course.own and course.hook != "postrouting"
        if arrived and (by_device or family == 6):
            cases = _per_device(ground, lambda at: ground.ways(family, at, by_device), where)
        else:
            found, unsure = ground.ways(family, None, False)
            cases = _by_type(found, unsure, where, ())
        return _unspecified(course, cases) if arrived else cases

    return read


def _unspecified(course: Course, cases: tuple[Case, ...]) -> tuple[Case, ...]:
    """A host without address asks for one: the kernel answers with the device of entrance."""
    if course.source is not None or course.destination is not None:
        return cases
    if course.family == 4:
        asker, asked = NOWHERE4, union(EVERYBODY4, LOCAL_GROUPS4)
        special: Limits = ((SOURCE, asker), (DESTINATION, asked))
    else:
        asker, asked = NOWHERE6, union(LINK_GROUPS6, LINK_LOCAL6)
        special = ((SOURCE, asker), (DESTINATION, asked), (SERVICE, ICMP6))
    found = [Case(special, FromField(ENTRANCE))]
    before: Limits = ()
    for field, inside in special:
        rest = (*before, (field, subtract(EVERYTHING, inside)))
        found += [Case((*rest, *case.limits), case.source) for case in cases]
        before = (*before, (field, inside))
    return tuple(found)


def _per_device(
    ground: Ground,
    asked: Callable[[int], tuple[Mapping[int, Ranges], Ranges]],
    where: Source,
) -> tuple[Case, ...]:
    """The same question for every device of entrance; devices with one answer stand together."""
    groups: dict[tuple[Any, Ranges], list[int]] = {}
    for at in range(1, len(ground.devices.names)):
        found, unsure = asked(at)
        groups.setdefault((tuple(found.items()), unsure), []).append(at)
    cases: list[Case] = []
    for (found, unsure), numbers in groups.items():
        limit = ((ENTRANCE, ranges(*((n, n) for n in numbers))),)
        cases += _by_type(dict(found), unsure, where, limit)
    return tuple(cases)


def _by_type(
    found: Mapping[int, Ranges], unsure: Ranges, where: Source, limits: Limits
) -> tuple[Case, ...]:
    if isinstance(where, FromField):
        key = tuple(sorted(found.items()))
        cases = [Case(limits, FromField(where.field, (*where.how, _answering(key))))]
        if unsure:
            apart = where.wanted(unsure)
            if apart is None:
                return (Case(limits, Open()),)
            sure = subtract(EVERYTHING, apart)
            cases = [
                Case((*limits, (where.field, sure)), cases[0].source),
                Case((*limits, (where.field, apart)), Open()),
            ]
        return tuple(cases)
    if isinstance(where, Fixed):
        fitting = [kind for kind, held in found.items() if intersect(held, where.values)]
        if intersect(unsure, where.values):
            return (Case(limits, Open()),)
        return (Case(limits, Fixed(ranges(*((kind, kind) for kind in fitting)))),)
    return (Case(limits, Open()),)


@lru_cache(maxsize=512)
def _answering(found: tuple[tuple[int, Ranges], ...]) -> Callable[[Ranges], Ranges]:
    """From wanted answers to the addresses that have them."""

    def turned(wanted: Ranges) -> Ranges:
        return union(*(held for kind, held in found if subset(((kind, kind),), wanted)))

    return turned
