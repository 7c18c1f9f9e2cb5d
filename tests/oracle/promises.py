"""Does one concrete attempt break a promise? By docs/explanation/model.md, section 8."""

from __future__ import annotations

from tests.oracle.naive import (
    Attempt,
    Environment,
    barred,
    bound,
    delivery,
    exists,
    family,
    fate,
    forged,
    inside,
    is_device,
    is_internet,
    is_open,
    local_prefix,
    no_line,
    reached_by_any,
    reaches,
    same_area,
    serves,
    some_line_up,
    started_by_any,
    strangers,
)
from tests.oracle.site import Address, Sentence, Site


def promise_broken(site: Site, promise: Sentence, a: Attempt, e: Environment) -> bool:
    """Does this one attempt break that promise?"""
    if not exists(site, a, e) or not started_by_any(site, promise, a, e):
        return False
    if promise.during is not None and not is_open(site, promise.during, e.instant):
        return False
    if promise.word == "always":
        return _breaks_always(site, promise, a, e)
    outcome = fate(site, a, e)
    if outcome.verdict != "let" or outcome.kind == "housekeeping":
        return False
    if promise.except_offers and outcome.kind == "offer":
        return False
    where, what = _within(site, promise, a, outcome.delivered, e.led)
    return (where and what) == (promise.word == "never")


def _within(
    site: Site,
    promise: Sentence,
    a: Attempt,
    delivered: tuple[Address, int] | None,
    led: frozenset[str],
) -> tuple[bool, bool]:
    """Is the destination, and is the service, as sent or as delivered, among the promised?"""
    where = reached_by_any(site, promise, a.destination, led)
    what = serves(promise.services, a.protocol, a.number)
    if delivered is not None:
        where = where or reached_by_any(site, promise, delivered[0])
        what = what or serves(promise.services, a.protocol, delivered[1])
    return where, what


def _breaks_always(site: Site, promise: Sentence, a: Attempt, e: Environment) -> bool:
    if forged(site, a, e) or bound(site, a, e) or local_prefix(site, a, e):
        return False
    if strangers(site, a, e) or no_line(site, a, e):
        return False
    if barred(site, a, e) and not _names_the_device(site, promise, a):
        return False
    beyond = is_internet(site, a.destination)
    if beyond and a.entrance in site.lines and not some_line_up(site, family(a.destination), e):
        return False
    if same_area(site, a, e):
        return False  # hosts of one area reach each other without the gateway
    if not _meant_by_always(site, promise, a, e.led):
        return False
    outcome = fate(site, a, e)
    if outcome.verdict != "let":
        return True
    return outcome.delivered is not None and _misled(site, promise, a, outcome.delivered[0])


def _misled(site: Site, promise: Sentence, a: Attempt, delivered: Address) -> bool:
    """Is it meant for a device, but delivered to another one?"""
    if a.entrance not in site.lines:
        return False
    for term in promise.reach:
        meant = term in site.devices and _device_from_line(site, promise, a, term)
        if meant and delivered not in site.devices[term].addresses:
            return True
    return False


def _names_the_device(site: Site, promise: Sentence, a: Attempt) -> bool:
    return any(t in site.devices and is_device(site.devices[t], a) for t in promise.who)


def _meant_by_always(site: Site, promise: Sentence, a: Attempt, led: frozenset[str]) -> bool:
    for term in promise.reach:
        if a.entrance in site.lines and term == "gateway":
            own = line_address(site, a)
            if own and serves(promise.services, a.protocol, a.number):
                return True
        elif a.entrance in site.lines and term in site.devices:
            if _device_from_line(site, promise, a, term):
                return True
        elif reaches(site, term, a.destination, led) and _served(promise, a):
            return True
    return False


def _served(promise: Sentence, a: Attempt) -> bool:
    return serves(promise.services, a.protocol, a.number)


def line_address(site: Site, a: Attempt) -> bool:
    """Is the destination one of the addresses of the line by which the attempt comes?"""
    line = site.lines[a.entrance]
    if isinstance(a.destination, tuple):
        return a.destination[1] == line.name
    return any(a.destination == interface.ip for interface in line.interfaces)


def _device_from_line(site: Site, promise: Sentence, a: Attempt, name: str) -> bool:
    """From a line, a device is reached where an offer puts it (IPv4) or at its own (IPv6).

    Its own are those inside the prefix of that line, the only ones that lead there.
    """
    if family(a.source) == 6:
        own = reaches(site, name, a.destination) and serves(promise.services, a.protocol, a.number)
        return own and inside(a.destination, site.lines[a.entrance].prefix)
    for offer in site.offers:
        delivered = delivery(site, offer, a) if offer.to == name else None
        if delivered and serves(promise.services, a.protocol, delivered[1]):
            return True
    return False
