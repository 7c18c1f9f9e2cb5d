"""Which open conversations stay: a naive reading of docs/explanation/model.md, section 3.

It walks through a charter's sentences one after the other and shares nothing with the package.
"""

from __future__ import annotations

from collections.abc import Iterator

from tests.oracle.naive import (
    HOUSEKEEPING,
    Attempt,
    Environment,
    delivery,
    in_time,
    opened6,
    reached_by_any,
    serves,
    sign_in,
    started_by_any,
)
from tests.oracle.site import Address, Sentence, Site


def goes_on(site: Site, said: Sentence, e: Environment) -> bool:
    """Does it let what is open finish, now?"""
    if not finishes(site, said):
        return False
    own = said.let_finish == "true"
    return own or said.until is None or e.instant.astimezone(site.zone).date() <= said.until


def finishes(site: Site, said: Sentence) -> bool:
    if said.let_finish is not None:
        return said.let_finish == "true"
    return said.during is not None and site.hours[said.during].let_finish


def leads(site: Site, said: Sentence, a: Attempt) -> tuple[Address, int] | None:
    """Where it delivers an attempt that it speaks of at some time; None if it does not."""
    if said.word == "offer":
        sent = delivery(site, said, a)
        if sent is None and opened6(site, said, a):
            return a.destination, a.number
        return sent
    spoken = serves(said.services, a.protocol, a.number) and reached_by_any(
        site, said, a.destination
    )
    return (a.destination, a.number) if spoken else None


def in_order(site: Site) -> Iterator[Sentence | None]:
    """None stands for the sign-in, which comes after emergencies."""
    yield from (rule for rule in site.rules if rule.emergency)
    yield None
    yield from site.offers
    yield from (rule for rule in site.rules if not rule.emergency)


def stays(site: Site, a: Attempt, e: Environment, there: tuple[Address, int]) -> bool:
    """Does a conversation that began as `a` once, and was delivered `there`, stay now?"""
    for _, verdict, check in HOUSEKEEPING:
        if check(site, a, e):
            return verdict == "let" and there == (a.destination, a.number)
    otherwise = False  # something lets it now, but leads elsewhere
    for said in in_order(site):
        if said is None:
            if sign_in(site, a, e):
                return False
            continue
        to = leads(site, said, a) if started_by_any(site, said, a, e) else None
        if to is None:
            continue
        now = in_time(site, said, e.instant)
        if said.word == "refuse":
            if now and not finishes(site, said):
                return False
        elif to == there and (goes_on(site, said, e) or (now and not otherwise)):
            return True
        elif now:
            otherwise = True
    return False
