"""From the checked fields of a document to the frozen charter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from netcharter.charter.checks import parts_of
from netcharter.charter.hours import weekly
from netcharter.charter.lists import CHANGE, EVERY, NAMES
from netcharter.charter.model import (
    DOMAIN,
    LEASE,
    Area,
    Charter,
    Device,
    Discovery,
    Exit,
    Hostile,
    Hours,
    Line,
    NamedList,
    NamesRule,
    Offer,
    Person,
    PerSource,
    Place,
    Promise,
    Rate,
    Resolver,
    Rule,
    Service,
    Site,
    Term,
    Watch,
)
from netcharter.charter.name_checks import ACTIONS
from netcharter.charter.sentences import Known, rule_name
from netcharter.charter.shapes import GUESSED, SAID, Fields, Walk
from netcharter.charter.values import DELEGATED


def build(walk: Walk, doc: Fields, services: Known) -> Charter:
    """The charter of a document in which no error was found."""
    rules = tuple(_rule(i, f) for i, f in enumerate(doc.get("rules", ())))
    offers = tuple(_offer(i, f) for i, f in enumerate(doc.get("offers", ())))
    promises = tuple(_promise(f) for f in doc.get("promises", ()))
    exits = tuple(_exit(i, f) for i, f in enumerate(doc.get("exits", ())))
    lists = [one.services for one in rules]
    lists += [one.services for one in offers]
    lists += [one.services for one in promises]
    lists += [one.services for one in exits]
    for name in dict.fromkeys(name for names in lists for name in names):
        if name != "anything" and name not in services:
            services[name] = tuple(sorted(set(parts_of(name, services, {}) or ())))
    site = doc["site"]
    terms = {n: Term(n, tuple(sorted(found))) for n, found in doc.get("terms", {}).items()}
    return Charter(
        site=Site(
            site["name"],
            site["timezone"],
            site.get("managed-from", ()),
            site.get("local-prefix"),
            site.get("time-servers", ()),
            site.get("domain", DOMAIN),
        ),
        lines={n: _line(n, f, i) for i, (n, f) in enumerate(doc["lines"].items())},
        areas={n: _area(n, f) for n, f in doc["areas"].items()},
        devices={n: _device(n, f) for n, f in doc.get("devices", {}).items()},
        people={
            n: Person(n, f.get("groups", ()), f.get("contact"))
            for n, f in doc.get("people", {}).items()
        },
        groups=tuple(doc.get("groups", ())),
        services={n: Service(n, parts) for n, parts in services.items()},
        places={
            n: Place(n, f.get("prefixes", ()), f.get("list"), f.get("domains", ()))
            for n, f in doc.get("places", {}).items()
        },
        hostile=_hostile(doc.get("hostile", {})),
        hours={n: _hours(n, f, terms) for n, f in doc.get("hours", {}).items()},
        terms=terms,
        rules=rules,
        offers=offers,
        promises=promises,
        exits=exits,
        resolvers=tuple(Resolver(f["address"], f.get("tls")) for f in doc.get("resolvers", ())),
        names=tuple(_names_rule(i, f) for i, f in enumerate(doc.get("names", ()))),
        lists={n: _list(n, f) for n, f in doc.get("lists", {}).items()},
        discovery=tuple(_discovery(i, f) for i, f in enumerate(doc.get("discovery", ()))),
        spans=walk.spans,
    )


def _line(name: str, fields: Fields, index: int) -> Line:
    rate, addresses = fields.get("rate"), fields.get("address", ())
    delegated = fields.get("prefix") == DELEGATED
    return Line(
        name=name,
        device=fields["device"],
        vlan=fields.get("vlan"),
        rate=None if rate is None else Rate(rate["down"], rate["up"]),
        addresses=addresses,
        automatic=not addresses,
        next_hops=fields.get("next-hop", ()),
        role=fields.get("role", "standby" if index else "main"),
        weight=fields.get("weight", 1),
        watch=_watch(fields.get("watch", {})),
        prefix=None if delegated else fields.get("prefix"),
        delegated=delegated,
        mtu=fields.get("mtu"),
        translator=fields.get("translator"),
        pppoe=fields["pppoe"]["as"] if "pppoe" in fields else None,
    )


def _watch(fields: Fields) -> Watch:
    return Watch(**{key: value for key, value in fields.items() if key not in (SAID, GUESSED)})


def _area(name: str, fields: Fields) -> Area:
    return Area(
        name=name,
        device=fields["device"],
        vlan=fields.get("vlan"),
        hosts=fields.get("hosts"),
        growth=fields.get("growth", 0.0),
        prefixes=fields.get("prefix", ()),
        sign_in=fields.get("sign-in", False),
        strangers_refused=fields.get("strangers", False),
        apart=fields.get("apart", False),
        quiet=fields.get("manner", False),
        because=fields.get("because"),
        contact=fields.get("contact"),
        lease=fields.get("lease", LEASE),
        turnover=fields.get("turnover"),
    )


def _device(name: str, fields: Fields) -> Device:
    address = fields.get("address", ())
    return Device(
        name=name,
        area=fields["area"],
        hardware=fields.get("hardware", ()),
        lasting=address == "lasting",
        addresses=() if address == "lasting" else address,
        barred=fields.get("barred", False),
        roams=fields.get("roams", False),
        exempt=fields.get("sign-in", False),
        contact=fields.get("contact"),
        because=fields.get("because"),
    )


def _list(name: str, fields: Fields) -> NamedList:
    return NamedList(
        name=name,
        of=fields.get("of", NAMES),
        source=fields.get("from"),
        file=fields.get("file"),
        entries=fields.get("entries", ()),
        topic=fields.get("topic"),
        every=fields.get("every", EVERY),
        form=fields.get("form"),
        change=fields.get("change", CHANGE),
        because=fields.get("because"),
        contact=fields.get("contact"),
    )


def _hours(name: str, fields: Fields, terms: Mapping[str, Term]) -> Hours:
    return Hours(
        name=name,
        weekly=weekly(fields.get("weekly", {})),
        dates=fields.get("dates", {}),
        terms=tuple(terms[one] for one in fields.get("terms", ())),
        outside=tuple(terms[one] for one in fields.get("outside", ())),
        let_finish=fields.get("let-finish", False),
    )


def _rule(index: int, fields: Fields) -> Rule:
    return Rule(
        name=rule_name("rules", index, fields),
        let="let" in fields,
        who=fields["let"] if "let" in fields else fields["refuse"],
        reach=fields["reach"],
        services=fields["with"],
        during=fields.get("during"),
        until=fields.get("until"),
        because=fields.get("because"),
        contact=fields.get("contact"),
        emergency=fields.get("emergency", False),
        quiet=fields.get("manner", False),
        let_finish=fields.get("let-finish"),
    )


def _offer(index: int, fields: Fields) -> Offer:
    return Offer(
        name=rule_name("offers", index, fields),
        services=fields["offer"],
        lines=fields["on"],
        to=fields["to"],
        who=fields.get("from", ("anyone",)),
        at=fields.get("at"),
        during=fields.get("during"),
        until=fields.get("until"),
        because=fields.get("because"),
        contact=fields.get("contact"),
        address=fields.get("address"),
        known_as=fields.get("as", ()),
        per_source=_per_source(fields["per-source"]) if "per-source" in fields else None,
        let_finish=fields.get("let-finish"),
    )


def _names_rule(index: int, fields: Fields) -> NamesRule:
    action: Any = next(key for key in ACTIONS if key in fields)
    return NamesRule(
        name=rule_name("names", index, fields),
        action=action,
        what=fields[action],
        to=fields.get("to"),
        who=fields["for"],
        during=fields.get("during"),
        until=fields.get("until"),
        emergency=fields.get("emergency", False),
        because=fields.get("because"),
        contact=fields.get("contact"),
    )


def _per_source(fields: Fields) -> PerSource:
    begun, unit = fields.get("new", (None, "minute"))
    return PerSource(begun, unit, fields.get("at-once"))


def _exit(index: int, fields: Fields) -> Exit:
    return Exit(
        name=rule_name("exits", index, fields),
        who=fields["from"],
        reach=fields.get("reach", ("internet",)),
        services=fields.get("with", ("anything",)),
        lines=fields["by"],
        refused=fields.get("or-else", False),
        together=fields.get("together", False),
        because=fields.get("because"),
        contact=fields.get("contact"),
    )


def _discovery(index: int, fields: Fields) -> Discovery:
    return Discovery(
        name=rule_name("discovery", index, fields),
        who=fields["let"],
        find=fields["find"],
        where=fields["in"],
        because=fields.get("because"),
        contact=fields.get("contact"),
    )


def _promise(fields: Fields) -> Promise:
    kind: Any = next(k for k in ("never", "always", "only") if k in fields)
    return Promise(
        kind=kind,
        who=fields[kind],
        reach=fields["reach"],
        services=fields.get("with", ("anything",)),
        except_offers=fields.get("except", False),
        during=fields.get("during"),
        because=fields.get("because"),
    )


def _hostile(fields: Fields) -> Hostile:
    return Hostile(fields.get("lists", ()), fields.get("except", ()))
