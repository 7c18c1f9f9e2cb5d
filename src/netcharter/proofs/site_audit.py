"""Findings about the site: the way in, what ends, what is never used, what cannot be proven."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta
from ipaddress import IPv4Network

from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan.coding import hardware_text
from netcharter.plan.hardware import is_local
from netcharter.plan.shapes import DevicePlan, Offer, Promise, Rule
from netcharter.plan.terms import service_parts
from netcharter.proofs.naming import listed
from netcharter.proofs.promises import MANAGEMENT, OUTSIDE, Break, PromiseResult, ground_of
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.story import row_name

SOON = timedelta(days=30)
SENTENCES = "a rule, an offer, a promise or an exit"
SPEAKS_OF = {"terms": "hours", "lists": "a names rule, below `hostile` or by a place"}  # who could
# Addresses a provider translates once more: nothing offered there is reachable (RFC 6598, 1918).
BEHIND_CARRIER = tuple(
    map(IPv4Network, ("100.64.0.0/10", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"))
)
TCP, WEB = 6, (80, 443)
BROWSER = 6  # conversations of one browser with one server at a time; common practice, no source


def endings(audit: Audit) -> Iterator[Diagnostic]:
    """Rules and offers that have ended, or will within thirty days."""
    today = audit.prover.universe.local_now().date()
    seen: set[tuple[str, int | None]] = set()
    for row in audit.written:
        until = audit.source(row).until
        key = (row.kind, row.charter_index)
        if until is None or key in seen:
            continue
        seen.add(key)
        contact = audit.source(row).contact
        ask = f"ask {contact}" if contact else "find out whether it is still needed"
        if until < today:
            yield Diagnostic(
                "rule-expired",
                "warning",
                f"{row_name(row)} ended on {until:%d %B %Y} and decides nothing any more",
                audit.place(row, "until"),
                help="leave it out, or give it a new `until`",
            )
        elif until - today <= SOON:
            days = (until - today).days
            when = "today" if days == 0 else "tomorrow" if days == 1 else f"in {days} days"
            yield Diagnostic(
                "rule-expires-soon",
                "warning",
                f"{row_name(row)} ends {when}, at the end of {until:%d %B %Y}",
                audit.place(row, "until"),
                help=f"{ask}, then move `until` or leave the rule out",
            )


def unused(audit: Audit) -> Iterator[Diagnostic]:
    """Named things that nothing in the charter speaks of."""
    charter = audit.plan.charter
    spoken = _spoken(audit)
    closed = {a.name for a in charter.areas.values() if a.strangers_refused}
    groups = {g for p in charter.people.values() if p.name in spoken for g in p.groups}
    kinds: tuple[tuple[str, Iterable[str]], ...] = (
        ("services", (n for n in charter.services if ("services", n) in charter.spans)),
        ("places", charter.places),
        ("hours", charter.hours),
        ("terms", charter.terms),
        ("lists", charter.lists),
        ("groups", (g for g in charter.groups if g not in groups)),
        ("people", (p.name for p in charter.people.values() if not set(p.groups) & spoken)),
        ("areas", charter.areas),
        (
            "devices",
            (
                d.name
                for d in charter.devices.values()
                if not (d.lasting or d.barred or d.exempt or d.area in closed)
            ),
        ),
    )
    for section, names in kinds:
        for name in names:
            if name not in spoken:
                where = SPEAKS_OF.get(section, SENTENCES)
                yield Diagnostic(
                    "never-used",
                    "note",
                    f"{section}: '{name}' is never used in {where}",
                    charter.where(section, name),
                    help="use it, or leave it out",
                )


def _spoken(audit: Audit) -> set[str]:
    charter = audit.plan.charter
    spoken: set[str] = set(charter.site.managed_from)
    sentences: tuple[Rule | Offer | Promise, ...] = (
        *charter.rules,
        *charter.offers,
        *charter.promises,
    )
    for one in charter.exits:
        spoken |= {*one.who, *one.services, *one.reach, *one.lines}
    for sentence in sentences:
        spoken |= {*sentence.who, *sentence.services, *filter(None, [sentence.during])}
        spoken |= {sentence.to, *sentence.lines} if isinstance(sentence, Offer) else set()
        spoken |= set() if isinstance(sentence, Offer) else set(sentence.reach)
    spoken |= {
        *charter.hostile.lists,
        *(one for one in charter.hostile.spared if isinstance(one, str)),
    }
    spoken |= {one.list for one in charter.places.values() if one.list is not None}
    spoken |= {charter.devices[n].area for n in spoken if n in charter.devices}
    for rule in charter.names:
        spoken |= {*rule.who, *rule.what, *filter(None, [rule.during])}
    spoken |= {one.name for one in charter.lists.values() if one.topic in spoken}
    for hours in charter.hours.values():
        spoken |= {term.name for term in (*hours.terms, *hours.outside)}
    if spoken & {*charter.people, *charter.groups}:
        spoken |= audit.ground.sign_in_areas
    if spoken & {"anyone", "anywhere"}:
        spoken |= audit.ground.all_areas
    return spoken | _inside_services(audit, spoken)


def _inside_services(audit: Audit, spoken: set[str]) -> set[str]:
    """Services that stand inside other services that are used."""
    services = audit.plan.charter.services
    used = [set(services[n].parts) for n in spoken if n in services]
    return {s.name for s in services.values() if any(set(s.parts) <= parts for parts in used)}


def apart(audit: Audit) -> Iterator[Diagnostic]:
    """`apart` is about what a switch or an access point does, where no proof reaches."""
    for area in audit.plan.areas:
        if area.apart:
            yield Diagnostic(
                "apart-not-proven",
                "note",
                f"that hosts of {area.name} cannot reach each other is assumed, not proven:"
                " a switch or an access point may join them before the gateway sees anything",
                audit.plan.charter.where("areas", area.name, "apart"),
                help="turn on client isolation there, and survey it from inside the area",
            )


def lock_out(audit: Audit, results: Iterable[PromiseResult]) -> Iterator[Diagnostic]:
    """Every way in which the administrator could lose the way in."""
    charter = audit.plan.charter
    where = charter.where("site", "managed-from")
    if not charter.site.managed_from:
        yield Diagnostic(
            "no-management-path",
            "error",
            "no device may manage the gateway: after enacting this, nobody could get in",
            charter.where("site"),
            help="add `managed-from: [NAME]` to `site`, naming a device with its hardware address",
        )
    devices = {d.name: d for d in audit.plan.devices}
    for name in charter.site.managed_from:
        device = devices[name]
        if not device.hardware:
            yield Diagnostic(
                "management-spoofable",
                "warning",
                f"{name} is known by its address only: whoever takes that address may manage"
                " the gateway, and so might not be you",
                where,
                help=f"give {name} its `hardware` address",
            )
    if len(charter.site.managed_from) == 1:
        yield Diagnostic(
            "single-management-device",
            "note",
            f"{charter.site.managed_from[0]} is the only way in: if it breaks, only the console"
            " is left",
            where,
            help="name a second device, and keep console access at hand",
        )
    for result in results:
        if result.about == MANAGEMENT and not result.holds:
            broken = next(iter(result.breaks), None)
            told = _broken(audit, result, broken)
            yield Diagnostic(
                "lock-out",
                "error",
                f"the way in is not open in every state of the site: {told[0]}",
                where,
                witness=told[1],
                help="nothing may stand before the management path: not a bar, nor strangers",
                related=_deciders(audit, broken),
            )


def broken_promises(audit: Audit, results: Iterable[PromiseResult]) -> Iterator[Diagnostic]:
    """Each promise that does not hold, with a connection for each kind of decision to blame."""
    for result in results:
        if result.holds or result.number is None:
            continue
        for broken in result.breaks or (None,):
            said, witness = _broken(audit, result, broken)
            kind = broken.row.kind if broken else ""
            ident = {
                "offer": "offer-breaks-promise",
                "emergency": "emergency-breaks-promise",
            }.get(kind, "promise-broken")
            yield Diagnostic(
                ident,
                "error",
                f"'{result.text}' does not hold: {said}",
                result.span,
                witness=witness,
                help=_mend(replace(result, row=broken.row if broken else None)),
                related=_deciders(audit, broken),
            )


def opened_outside(audit: Audit, results: Iterable[PromiseResult]) -> Iterator[Diagnostic]:
    """Each rule that lets lines start something without naming the outside."""
    for result in results:
        for broken in result.breaks if result.about == OUTSIDE else ():
            told = audit.connection(broken.point, broken.row)
            yield Diagnostic(
                "open-to-outside",
                "error",
                f"{row_name(broken.row)} lets the internet in, and does not say so: `anyone` is also"
                " whoever comes by a line",
                audit.place(broken.row, "let"),
                witness=told.sentence,
                help="name the areas that are meant; or `internet`, if the public is",
            )


def _broken(audit: Audit, result: PromiseResult, broken: Break | None) -> tuple[str, str | None]:
    """What is wrong, and the witness if one connection shows it."""
    if broken is None:
        return result.reason or "", None
    told = audit.connection(broken.point, broken.row)
    verb = "lets" if broken.row.let else "refuses"
    said = f"{row_name(broken.row)} {verb} {told.service} to {told.destination}"
    if result.open_terms and broken is result.breaks[0]:
        said += f"; what is open of it: {listed(result.open_terms)}"
    return said, told.sentence


def _mend(result: PromiseResult) -> str:
    if result.row is None:
        return "add the offer or the device that it takes, or change the promise"
    name, kind = row_name(result.row), result.row.kind
    if kind == "offer" and result.kind == "always":
        return f"narrow {name} so that it no longer leads elsewhere, or put the other offer first"
    if kind == "offer":
        return "narrow the offer with `from`, or add `except: offers` to the promise if it is meant"
    if kind == "emergency":
        return "an emergency rule never outranks a promise: narrow the rule, or change the promise"
    if kind == "management":
        return (
            "the way in for the administrator stays open: leave these devices out of the promise,"
            " or let it have the gateway with ssh"
        )
    if kind == "sign-in":
        return (
            "mark the rule `emergency: true`, or the device `sign-in: exempt`, if it must not wait"
        )
    if kind == "default":
        return "add a rule that lets it, or change the promise"
    if kind == "housekeeping":
        return f"no rule comes before {name}: change what it is about, or the promise"
    if result.row.let:
        return f"narrow {name}, or put a `refuse` before it, or change the promise"
    return f"put a `let` before {name}, or change the promise"


def _deciders(audit: Audit, broken: Break | None) -> tuple[tuple[Span, str], ...]:
    return audit.related([broken.row.index], "decides it") if broken else ()


def hygiene(audit: Audit) -> Iterator[Diagnostic]:
    """What a rule should carry with it (NIST SP 800-41r1 section 4: reason and owner)."""
    charter = audit.plan.charter
    for number, rule in enumerate(charter.rules):
        if rule.because is None:
            yield Diagnostic(
                "rule-without-reason",
                "note",
                f"{rule.name} does not say why it is there",
                charter.where("rules", number),
                help="add `because`, so that whoever comes next dares to touch it",
            )
        if rule.until is not None and rule.contact is None:
            yield Diagnostic(
                "exception-without-contact",
                "note",
                f"{rule.name} is for a time, and nobody is named to ask about it",
                charter.where("rules", number),
                help="add `contact`",
            )


def spoofable(audit: Audit) -> Iterator[Diagnostic]:
    """Devices whose identity is easily taken, or whose bar is easily evaded."""
    for device in audit.plan.devices:
        where = audit.plan.charter.where("devices", device.name)
        if device.exempt:
            yield Diagnostic(
                "exempt-spoofable",
                "note",
                f"{device.name} need not sign in: whoever copies its hardware address need not"
                " either",
                where,
                help="give such devices an area of their own, with the few rules they need",
            )
        if device.barred:
            closed = {area.name for area in audit.plan.areas if area.strangers_refused}
            yield from _weak_bar(device, where, device.area in closed)


def _weak_bar(device: DevicePlan, where: Span, closed: bool) -> Iterator[Diagnostic]:
    random = [h for h in device.hardware if is_local(h)]
    if random and not closed:  # where strangers are refused, a new address is a stranger's
        yield Diagnostic(
            "bar-evaded",
            "note",
            f"{device.name} is barred by {listed(hardware_text(h) for h in random)}, which is"
            " locally administered: a device that draws a new one is not recognised",
            where,
            help="refuse strangers in its area; asking for sign-in there makes it harder at least",
        )
    if not device.hardware:
        yield Diagnostic(
            "bar-evaded",
            "warning",
            f"{device.name} is barred by its address only, which it can change",
            where,
            help="give its `hardware` address",
        )


def behind_carrier(audit: Audit) -> Iterator[Diagnostic]:
    """Offers on a line whose own address is not reachable from the internet."""
    lines = {line.name: line for line in audit.plan.lines}
    for number, offer in enumerate(audit.plan.charter.offers):
        for line in (lines[name] for name in offer.lines):
            met = offer.address or (line.v4.ip if line.v4 else None)
            if met is not None and any(met in block for block in BEHIND_CARRIER):
                yield Diagnostic(
                    "offer-behind-carrier",
                    "warning",
                    f"{offer.name} cannot be reached over IPv4: {line.name} has {met},"
                    " which the provider translates once more",
                    audit.plan.charter.where("offers", number),
                    help="ask the provider for a public address, or offer it over IPv6",
                )


def low_limits(audit: Audit) -> Iterator[Diagnostic]:
    """Web pages that are offered with a limit below what a single browser asks for."""
    ground = ground_of(audit.plan)
    for number, offer in enumerate(audit.plan.charter.offers):
        said = offer.per_source
        parts = [part for name in offer.services for part in service_parts(ground, name)]
        web = any(protocol == TCP and low <= port <= high for protocol, low, high in parts
                  for port in WEB)  # fmt: skip
        if said is None or not web:
            continue
        counts = {"new": said.begun, "at-once": said.at_once}
        low = [f"`{key}: {n}`" for key, n in counts.items() if n is not None and n < BROWSER]
        if low:
            yield Diagnostic(
                "limit-below-a-browser",
                "warning",
                f"{offer.name} offers web pages, and {listed(low)} per source is less than one"
                f" browser asks for, which opens {BROWSER} conversations at a time",
                audit.plan.charter.where("offers", number, "per-source"),
                help="say 30 or more: behind one address there may be many people",
            )


EVERY_SITE = (endings, unused, apart, hygiene, spoofable, behind_carrier, low_limits)
