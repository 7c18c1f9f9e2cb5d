"""Findings about what hosts find in other areas: what they could not reach, and whose devices are seen."""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.shapes import AreaPlan, DiscoveryPlan, ServiceType
from netcharter.plan.terms import Who, regions
from netcharter.proofs.naming import listed
from netcharter.proofs.rules_audit import Audit
from netcharter.space.ranges import Ranges, ranges

OPENS = frozenset({"rule", "emergency", "offer"})
NAMES = {6: "tcp", 17: "udp"}


def out_of_reach(audit: Audit) -> Iterator[Diagnostic]:
    """What is found, and what no rule lets anybody reach."""
    opening = frozenset(row.index for row in audit.plan.rows if row.let and row.kind in OPENS)
    for one in audit.plan.discovery:
        for who in one.who:
            for where in one.where:
                asked = regions([Who(frozenset({who.name}))], where.hosts, _usual(one.types))
                if not audit.prover.decided(audit.prover.universe.boxes_of(asked), opening):
                    yield _told(one, who, where)


def _usual(types: tuple[ServiceType, ...]) -> Ranges:
    """What services of these types are usually reached with: any port where it is told anew each time."""
    return ranges(
        *(
            coding.service(one.protocol, first, last)
            for one in types
            for first, last in ([(port, port) for port in one.ports] or [(0, 0xFFFF)])
        )
    )


def _told(one: DiscoveryPlan, who: AreaPlan, where: AreaPlan) -> Diagnostic:
    return Diagnostic(
        "found-out-of-reach",
        "warning",
        f"hosts of {who.name} find {listed(one.find)} in {where.name}, and no rule lets them reach it",
        one.span,
        help=f"write a rule {_rule(one, who, where)}, or leave {where.name} out",
    )


def _rule(one: DiscoveryPlan, who: AreaPlan, where: AreaPlan) -> str:
    """The rule that would let it be reached, as far as the ports are known."""
    let = f"let: {who.name}, reach: {where.name}"
    known = dict.fromkeys(f"{NAMES[t.protocol]}/{port}" for t in one.types for port in t.ports)
    rule = f"{{{let}, with: [{', '.join(known)}]}}" if known else f"with `{let}`"
    more = [t.name for t in one.types if not t.ports]
    if not more:
        return rule
    ports = f"the ports of {listed(more)}, which each service tells"
    return f"{rule}, and add {ports}" if known else f"{rule} and {ports}"


def devices_seen(audit: Audit) -> Iterator[Diagnostic]:
    """Areas of people whose devices are shown to others."""
    for one in audit.plan.discovery:
        for where in one.where:
            if where.apart or where.sign_in:
                why = "its hosts are kept apart" if where.apart else "people sign in there"
                yield Diagnostic(
                    "devices-are-seen",
                    "warning",
                    f"devices in {where.name} that offer {listed(one.find)} are shown by name to "
                    f"everybody in {listed(area.name for area in one.who)}; {why}, and such names "
                    "often tell who somebody is",
                    one.span,
                    help="put what is to be found into an area of its own, and name that",
                    related=((where.span, "the area"),),
                )


def found_by_anybody(audit: Audit) -> Iterator[Diagnostic]:
    """Areas in which people sign in: what is found there is told before."""
    for one in audit.plan.discovery:
        for who in one.who:
            if who.sign_in:
                yield Diagnostic(
                    "found-before-sign-in",
                    "note",
                    f"hosts of {who.name} are told what there is in "
                    f"{listed(area.name for area in one.where)} before anybody has signed in",
                    one.span,
                    help="leave it, if everybody may know; what is reached is a matter of rules",
                    related=((who.span, "here one signs in"),),
                )


EVERY_DISCOVERY = (out_of_reach, devices_seen, found_by_anybody)
