"""The first charter of a running gateway: what it does now, with every rule waiting for a reason.

Nobody knows any more why the old rules are there, and no program can tell. So each stands in the
charter as it was, with its old words as a comment and `because: inherited, unknown`, for somebody
to give it a reason or take it out. What a charter can't say is listed at the top.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from ipaddress import IPv4Network, IPv6Network

from netcharter.charter.read import read
from netcharter.charter.services import Part
from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan import make_plan
from netcharter.plan.coding import TCP, hardware_text
from netcharter.tasks.charter_text import Value, comment, item, quote, remark, spelt
from netcharter.tasks.inheriting.promised import Promised, hold, wished
from netcharter.tasks.inheriting.services import calling, service_names
from netcharter.tasks.inheriting.shapes import (
    FoundArea,
    FoundDevice,
    FoundLine,
    InheritedOffer,
    InheritedRule,
    Recognised,
    Term,
    Unsaid,
    Written,
)
from netcharter.tasks.inheriting.vocabulary import Unsayable, Vocabulary, vocabulary

BECAUSE = "inherited, unknown"
NAME = "charter.yaml"
MOST_RULES = 5_000
MOST_PORTS = 64  # of an offer that changes them, each of which becomes an offer of its own
GROWTH = Fraction(3, 2)
CALLS = (
    "Telephones call over this, perhaps for help. `emergency: true` would put it before everything"
    " else, at any hour and over any line."
)


@dataclass
class _Draft:
    """What is to be written, and what could not be said so far."""

    found: Recognised
    words: Vocabulary
    site: str
    timezone: str
    local_prefix: IPv6Network
    managed_from: tuple[str, ...] = ()
    unsaid: list[Unsaid] = field(default_factory=list)
    services: dict[tuple[str, ...], str] = field(default_factory=dict)

    def cannot(self, words: str, instead: str = "", span: Span | None = None) -> None:
        self.unsaid.append(Unsaid(words, instead, span))


def first_charter(
    found: Recognised,
    rules: Sequence[InheritedRule],
    offers: Sequence[InheritedOffer],
    *,
    site: str,
    timezone: str,
    local_prefix: IPv6Network,
    now: datetime,
    managed_from: Sequence[str] = (),
    unsaid: Sequence[Unsaid] = (),
) -> Written:
    """The charter as text.

    rules, offers: in their order; local_prefix: the site's own, drawn by lot; now: the moment from
    which promises are proven; managed_from: known devices (where none is given, those that the
    rules let reach the gateway with ssh); unsaid: what could not even be put into rules. The
    text is read and planned before it is returned; what is wrong with it stands in `problems`.
    """
    words = vocabulary(found, rules, offers)
    managers = tuple(managed_from) or tuple(dict.fromkeys(_managers(found, rules)))
    draft = _Draft(found, words, site, timezone, local_prefix, managers)
    draft.unsaid += [*found.unsaid, *unsaid]
    body = list(_rules(draft, merged(rules)))
    offered = list(_offers(draft, offers))
    _remaining(draft)
    wishes = wished(found, managers)
    texts = _text(draft, body, offered, [*_promises(wishes, ())])
    kept, broken = hold(texts, wishes, now)
    text = _text(draft, body, offered, [*_promises(kept, broken)])
    return Written(text, tuple(draft.unsaid), dict(words.invented), tuple(_problems(text)))


def _text(
    draft: _Draft, rules: Sequence[str], offers: Sequence[str], promises: Sequence[str]
) -> str:
    parts = (
        _head(draft), _site(draft), _lines(draft), _areas(draft), _devices(draft),
        _services(draft), _places(draft), rules, offers, promises,
    )  # fmt: skip
    lines: list[str] = []
    for part in parts:
        found = list(part)
        while found and not found[-1]:
            found.pop()
        if found:
            lines += [*found, ""]
    return "\n".join(lines)


def _problems(text: str) -> Iterator[Diagnostic]:
    """What reading and planning have against a text, but for what is only worth a note."""
    reading = read(text, NAME)
    yield from (d for d in reading.diagnostics if d.severity != "note")
    if reading.charter is not None:
        yield from (d for d in make_plan(reading.charter).notes if d.severity != "note")


def _managers(found: Recognised, rules: Sequence[InheritedRule]) -> Iterator[str]:
    """Known devices that are let reach the gateway with ssh, each by a rule of their own."""
    known = {device.name for device in found.devices}
    for rule in rules:
        ssh = not rule.services or any(p == TCP and a <= 22 <= b for p, a, b in rule.services)
        if rule.let and ssh and Term("gateway") in rule.reach:
            yield from (name for term in rule.who for name in _alone(found, term) if name in known)


def _alone(found: Recognised, term: Term) -> Iterator[str]:
    """The known device that a term means, if it means just one."""
    if term.name:
        yield term.name
    for device in found.devices:
        alone = {n[0] for n in term.networks if n.num_addresses == 1}
        own = {address for address in device.addresses if address.version == 4}
        if term.area == device.area and own and own == alone and len(own) == len(term.networks):
            yield device.name


# The top, the site, its lines


def _head(draft: _Draft) -> Iterator[str]:
    yield from comment(
        "The first charter of this site, written from what its old gateway does. Read it from top"
        " to bottom, and ask of every rule whether it is still needed: `because: inherited,"
        " unknown` waits for a reason, or for the rule to go."
    )
    yield "#"
    if not draft.unsaid:
        yield from comment("Nothing was found that a charter can't say.")
    else:
        yield from comment("What could not be said, and has to be decided by somebody:")
    for number, one in enumerate(draft.unsaid, 1):
        instead = f" ({one.instead})" if one.instead else ""
        yield from comment(f"{number}. {one.words}{instead}{_at(one.span)}")
    yield ""
    yield "charter: 1"


def _at(span: Span | None) -> str:
    return f" [{span.file}:{span.line}]" if span is not None else ""


def _site(draft: _Draft) -> Iterator[str]:
    yield "site:"
    yield f"  name: {quote(draft.site)}"
    yield f"  timezone: {quote(draft.timezone)}"
    if draft.managed_from:
        yield from comment("From here the gateway is looked after, always.", 2)
        yield f"  managed-from: {spelt(draft.managed_from)}"
    else:
        yield from comment(
            "TO FILL IN: the devices from which the gateway is looked after. The old rules name"
            " none, only whole areas; without one, a mistake in the rules locks everybody out.", 2
        )  # fmt: skip
        yield "  # managed-from: [NAME]"
    yield from comment("The site's own IPv6 prefix, drawn by lot once (RFC 4193).", 2)
    yield f"  local-prefix: {quote(str(draft.local_prefix))}"


def _lines(draft: _Draft) -> Iterator[str]:
    if not draft.found.lines:
        yield from comment("TO FILL IN: no line was recognised.")
    yield "lines:" if draft.found.lines else "lines: {}"
    for line in draft.found.lines:
        yield f"  {quote(line.name)}:"
        yield from _reasons(line)
        yield from _port(line)
        if line.addresses:
            yield f"    address: {spelt([str(one) for one in line.addresses])}"
        else:
            yield "    address: automatic"
        if line.next_hops:
            yield f"    next-hop: {spelt([str(one) for one in line.next_hops])}"
        yield from comment("rate: {down: 40 Mbit/s, up: 8 Mbit/s}   as the contract says", 4)
        if len(draft.found.lines) > 1:
            yield f"    role: {line.role}"
            if line.role == "balanced" and line.weight > 1:
                yield f"    weight: {line.weight}"


def _reasons(one: FoundLine | FoundArea) -> Iterator[str]:
    if one.unsure:
        kind = "line" if isinstance(one, FoundLine) else "area"
        yield from comment(f"UNSURE whether this is a {kind}. Look at it.", 4)
    yield from comment(f"{one.device}: " + "; ".join(one.reasons) + _at(one.span), 4)


def _port(one: FoundLine | FoundArea) -> Iterator[str]:
    yield f"    device: {quote(one.parent)}"
    if one.vlan is not None:
        yield f"    vlan: {one.vlan}"


# Areas and devices


def _areas(draft: _Draft) -> Iterator[str]:
    yield from comment("The local segments, with the prefixes that they have. They keep them.")
    if not draft.found.areas:
        yield from comment("TO FILL IN: no area was recognised.")
    yield "areas:" if draft.found.areas else "areas: {}"
    for area in draft.found.areas:
        yield f"  {quote(area.name)}:"
        yield from _reasons(area)
        yield from _port(area)
        yield from _size(area)
        if area.prefixes:
            yield f"    prefix: {spelt([str(one) for one in area.prefixes])}"


def _size(area: FoundArea) -> Iterator[str]:
    """How many hosts to expect: those that were seen, and half as many again where they fit."""
    four = next((p for p in area.prefixes if isinstance(p, IPv4Network)), None)
    if four is None:
        yield remark(f"    hosts: {area.hosts or 10}", "a guess" if not area.hosts else "seen")
    elif area.hosts:
        room = four.num_addresses - 3
        fits = area.hosts <= room
        said = "seen in leases and reservations"
        yield remark(f"    hosts: {min(area.hosts, room)}", said if fits else "as many as fit")
        if area.hosts * GROWTH <= room:
            yield "    growth: 50 %"
    else:
        yield from comment("No host was seen here: is this area still in use?", 4)


def _devices(draft: _Draft) -> Iterator[str]:
    devices = draft.words.devices.values()
    if not devices:
        return
    yield from comment("Equipment that has a fixed address, and keeps it.")
    yield "devices:"
    for device in devices:
        yield f"  {quote(device.name)}:"
        note = draft.words.invented.get(device.name)
        if note:
            yield from comment(f"The old rules single out {note}. Whose is it?", 4)
        else:
            yield from comment(f"{device.note}{_at(device.span)}", 4)
        yield f"    area: {quote(device.area)}"
        yield from _known_by(device)
        if device.name in draft.words.roaming:
            yield "    roams: true"


def _known_by(device: FoundDevice) -> Iterator[str]:
    if device.hardware:
        yield f"    hardware: {spelt([hardware_text(number) for number in device.hardware])}"
    if device.addresses:
        yield f"    address: {spelt([str(one) for one in device.addresses])}"


def _services(draft: _Draft) -> Iterator[str]:
    if draft.services:
        yield "services:"
        for written, name in draft.services.items():
            yield f"  {quote(name)}: {spelt(written)}"


def _places(draft: _Draft) -> Iterator[str]:
    if not draft.words.places:
        return
    yield from comment("Destinations beyond the lines that the old rules have addresses for.")
    yield "places:"
    for name, prefixes in draft.words.places.items():
        yield f"  {quote(name)}:"
        yield f"    prefixes: {spelt([str(one) for one in prefixes])}"


def _remaining(draft: _Draft) -> None:
    """What a charter has no words for, however it was meant."""
    if draft.found.domains:
        names = ", ".join(draft.found.domains)
        draft.cannot(f"names inside end in {names}; a charter does not say so yet",
                     "keep the old server's answers for them")  # fmt: skip


# Rules


def merged(rules: Sequence[InheritedRule]) -> list[InheritedRule]:
    """Neighbours that come from one old rule as one, where they differ in one thing only.

    They have one verdict and no other rule stands between them, so their order says nothing.
    """
    out: list[InheritedRule] = []
    for rule in rules:
        joined = _joined(out[-1], rule) if out else None
        if joined is None:
            out.append(rule)
        else:
            out[-1] = joined
    return out


def _joined(a: InheritedRule, b: InheritedRule) -> InheritedRule | None:
    if (a.let, a.quiet, a.span, a.text) != (b.let, b.quiet, b.span, b.text):
        return None
    if (a.who, a.reach) == (b.who, b.reach):
        both = (*a.services, *b.services) if a.services and b.services else ()
        return replace(a, services=tuple(dict.fromkeys(both)))
    if (a.who, a.services) == (b.who, b.services):
        return replace(a, reach=tuple(dict.fromkeys((*a.reach, *b.reach))))
    if (a.reach, a.services) == (b.reach, b.services):
        return replace(a, who=tuple(dict.fromkeys((*a.who, *b.who))))
    return None


def _rules(draft: _Draft, rules: Sequence[InheritedRule]) -> Iterator[str]:
    if len(rules) > MOST_RULES:
        draft.cannot(f"{len(rules) - MOST_RULES} rules are more than the {MOST_RULES} a charter has",
                     "say with groups, places and services what many rules say alike",
                     rules[MOST_RULES].span)  # fmt: skip
    told = [line for rule in rules[:MOST_RULES] for line in _rule(draft, rule)]
    if not told:
        yield from comment("No rule was found: nothing is let but housekeeping.")
        return
    yield from comment(
        "The old rules in their order; the first that fits decides, and what none lets is refused."
    )
    yield "rules:"
    yield from told


def _rule(draft: _Draft, rule: InheritedRule) -> Iterator[str]:
    who = _names(draft, rule.who, rule)
    reach = _names(draft, rule.reach, rule)
    old = _old_words(rule)
    if not who or not reach:
        if not rule.let:
            draft.cannot("a refusal is missing, so a later rule may let what it refused",
                         "find words for it before this is put in place", rule.span)  # fmt: skip
        yield from comment(f"Left out: {old}", 2)
        yield ""
        return
    pairs: list[tuple[str, Value]] = [
        ("let" if rule.let else "refuse", who),
        ("reach", reach),
        ("with", _service_words(draft, rule.services)),
    ]
    if rule.quiet and not rule.let:
        pairs.append(("manner", "quietly"))
    calls = [CALLS] if rule.let and reach != ("gateway",) and calling(rule.services) else []
    yield from item([*pairs, ("because", BECAUSE)], old, *calls)


def _old_words(rule: InheritedRule | InheritedOffer) -> str:
    said = rule.comment if rule.comment and rule.comment not in rule.text else ""
    return rule.text + (f" ({said})" if said else "") + _at(rule.span)


def _names(draft: _Draft, terms: Iterable[Term], rule: InheritedRule) -> tuple[str, ...]:
    """The names of terms. What has none is left out of what is let, and is refused with the whole
    area around it: never does more pass than before.
    """
    found: list[str] = []
    for term in terms:
        try:
            found += draft.words.say(term)
        except Unsayable as fault:
            if rule.let or not fault.area:
                draft.cannot(f"a rule is narrower than it was: {fault.words}",
                             "give what is meant a name below devices", rule.span)  # fmt: skip
            else:
                draft.cannot(f"a refusal speaks of all of {fault.area} now: {fault.words}",
                             "give what is meant a name below devices", rule.span)  # fmt: skip
                found.append(fault.area)
    return tuple(dict.fromkeys(found))


def _service_words(draft: _Draft, parts: Sequence[Part]) -> tuple[str, ...]:
    """Services by name; a long list becomes a service of the charter's own."""
    words = service_names(parts)
    if len(words) <= 8:
        return words
    if words not in draft.services:
        name = f"ports-{len(draft.services) + 1}"
        draft.services[words] = name
        draft.words.invented[name] = f"{len(words)} services of an old rule"
    return (draft.services[words],)


# Offers


def _offers(draft: _Draft, offers: Sequence[InheritedOffer]) -> Iterator[str]:
    told = [line for offer in offers for line in _offer(draft, offer)]
    if told:
        yield from comment("What the internet reaches now. Strangers try all of it, every day.")
        yield "offers:"
        yield from told


def _offer(draft: _Draft, offer: InheritedOffer) -> Iterator[str]:
    try:
        device = draft.words.device_at(offer.to)
        who = tuple(name for term in offer.who for name in draft.words.say(term))
        wanted = list(_ports(offer))
    except Unsayable as fault:
        draft.cannot(f"an offer is left out: {fault.words}", "write it by hand", offer.span)
        yield from comment(f"Left out: {_old_words(offer)}", 2)
        yield ""
        return
    for services, at in wanted:
        pairs: list[tuple[str, Value]] = [
            ("offer", _service_words(draft, services)), ("on", offer.lines), ("to", device)
        ]  # fmt: skip
        if who:
            pairs.append(("from", who))
        if at is not None:
            pairs.append(("at", at))
        yield from item([*pairs, ("because", BECAUSE)], _old_words(offer))


def _ports(offer: InheritedOffer) -> Iterator[tuple[Sequence[Part], int | None]]:
    """What is offered, with the public port where it is another one. Raises Unsayable."""
    if not offer.services:
        raise Unsayable("it offers everything that a machine has")
    changed = [
        part for part in offer.services if offer.port is not None and part[1:] != (offer.port,) * 2
    ]
    if sum(last - first + 1 for _, first, last in changed) > MOST_PORTS:
        raise Unsayable(f"it leads more than {MOST_PORTS} ports to one")
    plain = [part for part in offer.services if part not in changed]
    if plain:
        yield plain, None
    for protocol, first, last in changed:
        for port in range(first, last + 1):
            assert offer.port is not None
            same = port == offer.port
            yield [(protocol, offer.port, offer.port)], None if same else port


# Promises


def _promises(kept: Sequence[Promised], broken: Sequence[tuple[Promised, str]]) -> Iterator[str]:
    if not kept and not broken:
        return
    yield from comment(
        "What holds now, proven for every connection, and should go on to hold whatever the rules"
        " come to say."
    )
    if kept:
        yield "promises:"
    for one in kept:
        yield from item(one.pairs())
    for one, why in broken:
        yield from comment(f"One would expect, but {why}:", 2)
        for line in item(one.pairs()):
            yield f"  #{line[1:]}" if line else ""
