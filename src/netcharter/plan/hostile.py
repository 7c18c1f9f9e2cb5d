"""Addresses that are hostile by lists of others, and what no such list can ever cut off.

Whoever publishes a list may be wrong, or mean harm. What the site itself, its lines and its promises
depend on is taken out of what is refused, whatever a list says, and told with the line that says it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv6Network

from netcharter.charter.model import Charter, NamedList
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.listed import OLD, Listed, first_in
from netcharter.plan.shapes import Address, DevicePlan, LinePlan
from netcharter.plan.terms import device_addresses
from netcharter.space.ranges import Ranges, intersect, size, subtract, union

MOST_TOLD = 3  # things of one list that are told one by one
MOST_OTHERS = 10
MUCH = 4  # more than one in so many addresses is no list of hostile ones; our judgement, no source
GLOBAL6 = coding.network(IPv6Network("2000::/3"))  # all that is given out, RFC 4291 section 2.4

Named = tuple[str, Ranges]  # a set of addresses and what it is, in words


@dataclass(frozen=True, slots=True)
class Site:
    """What is resolved before any list is looked at. places: those that are no list's."""

    charter: Charter
    lines: Sequence[LinePlan]
    devices: Sequence[DevicePlan]
    own: Ranges
    internet: Ranges
    places: Mapping[str, Ranges]


def of_addresses(charter: Charter, learnt: Mapping[str, Listed]) -> dict[str, Listed | None]:
    """What each list of addresses holds that the charter uses; None where nobody has told it yet."""
    return {one.name: _listed(one, learnt) for one in used(charter)}


def used(charter: Charter) -> tuple[NamedList, ...]:
    """The lists of addresses that the charter makes use of."""
    names = {*charter.hostile.lists, *(place.list for place in charter.places.values())}
    return tuple(one for one in charter.lists.values() if one.name in names)


def _listed(said: NamedList, learnt: Mapping[str, Listed]) -> Listed | None:
    if said.entries:
        return Listed("\n".join(said.entries).encode("utf-8"))
    return learnt.get(said.name)


def held(charter: Charter, known: Mapping[str, Listed | None], name: str) -> Ranges:
    """The contents of a list, nothing where they are not known; with what stands for them in IPv6."""
    found = known.get(name)
    if found is None:
        return ()
    return coding.with_translated(found.contents, charter.translators)


def refused(site: Site, known: Mapping[str, Listed | None]) -> Ranges:
    """What is refused both ways: what the lists say, but for exceptions and what is protected."""
    said = union(*(held(site.charter, known, name) for name in site.charter.hostile.lists))
    kept = union(*(found for _, found in (*protected(site, known), *spared(site, known))))
    return subtract(intersect(said, site.internet), kept)


def protected(site: Site, known: Mapping[str, Listed | None]) -> Iterator[Named]:
    """What no list cuts off, by what it is; with what stands for it in IPv6."""
    every = site.charter.translators
    yield from (
        (what, coding.with_translated(kept, every)) for what, kept in _protected(site, known)
    )


def _protected(site: Site, known: Mapping[str, Listed | None]) -> Iterator[Named]:
    yield "the site's own addresses", site.own
    for line in site.lines:
        yield from _of_line(site.charter, line)
    servers = [one for one in site.charter.site.time_servers if not isinstance(one, str)]
    yield "the time servers", coding.addresses(servers)
    resolvers = coding.addresses(one.address for one in site.charter.resolvers)
    yield "the resolvers that the gateway asks", resolvers
    for name in dict.fromkeys(_needed(site.charter)):
        yield f"the place {name}", _place(site, known, name)


def _of_line(charter: Charter, line: LinePlan) -> Iterator[Named]:
    networks = [interface.network for interface in line.held]
    yield f"the network of {line.name}", coding.network(*networks)
    hops: list[Address] = [hop for hop in (line.next_hop4, line.next_hop6) if hop is not None]
    yield f"the next hop of {line.name}", coding.addresses(hops)
    yield f"what {line.name} is watched by", coding.addresses(line.watch.targets)


def _needed(charter: Charter) -> Iterator[str]:
    """Places of emergencies, and of what is promised always to be reached, or to come in."""
    terms = [(*one.who, *one.reach) for one in charter.rules if one.emergency]
    terms += [(*one.who, *one.reach) for one in charter.promises if one.kind == "always"]
    yield from (name for names in terms for name in names if name in charter.places)


def _place(site: Site, known: Mapping[str, Listed | None], name: str) -> Ranges:
    said = site.charter.places[name].list
    return (
        site.places[name]
        if said is None
        else intersect(held(site.charter, known, said), site.internet)
    )


def spared(site: Site, known: Mapping[str, Listed | None]) -> Iterator[Named]:
    """The exceptions, each with what it is called; with what stands for it in IPv6."""
    every = site.charter.translators
    yield from ((name, coding.with_translated(kept, every)) for name, kept in _spared(site, known))


def _spared(site: Site, known: Mapping[str, Listed | None]) -> Iterator[Named]:
    devices = {device.name: device for device in site.devices}
    for term in site.charter.hostile.spared:
        if not isinstance(term, str):
            yield str(term), coding.network(term)
        elif term in devices:
            yield term, device_addresses(devices[term])
        else:
            yield term, _place(site, known, term)


# --- what is to be told --------------------------------------------------------------------------


def doubts(site: Site, known: Mapping[str, Listed | None], cut: Ranges) -> Iterator[Diagnostic]:
    """What lists don't say, say and are not believed, or say of what rules are about."""
    charter = site.charter
    for name, found in known.items():
        where = charter.where("lists", name)
        if found is None:
            yield Diagnostic(
                "list-unknown",
                "note",
                f"what the list {name} holds is not known here: it is taken to be empty",
                where,
                help=f"the steward fetches it on the gateway; with `--learnt {name}=FILE` it is judged"
                " with what a file holds",
            )
        elif found.reading.refused:
            yield _lines_refused(charter, name, found)
    for name in charter.hostile.lists:
        yield from _taken_out(site, known, name)
    yield from _much(site, cut)
    yield from _idle(site, known)
    yield from _places_cut(site, known, cut)


def _much(site: Site, cut: Ranges) -> Iterator[Diagnostic]:
    """Lists that leave little of the internet, by a slip of those who keep them or on purpose."""
    for version, family in (("IPv4", coding.ANY4), ("IPv6", GLOBAL6)):
        whole = size(intersect(site.internet, family))
        gone = size(intersect(cut, family))
        if gone * MUCH > whole:
            yield Diagnostic(
                "lists-cut-off-much",
                "error",
                f"what lists call hostile is {gone * 100 // whole} % of the {version} internet, and would"
                " be cut off",
                site.charter.where("hostile", "lists"),
                help="look into the lists; if so much is meant, write a rule that refuses a place made"
                " of the list",
            )


def _lines_refused(charter: Charter, name: str, found: Listed) -> Diagnostic:
    said = [
        f"{one.count} {'line' if one.count == 1 else 'lines'} (the first is line {one.first})"
        f" {one.reason}"
        for one in found.reading.refused
    ]
    return Diagnostic(
        "list-lines-refused",
        "note",
        f"of the list {name}, {found.reading.entries} entries are taken, and not: {'; '.join(said)}",
        charter.where("lists", name),
        help="an entry is an address, a prefix or a range with a hyphen",
    )


def _taken_out(site: Site, known: Mapping[str, Listed | None], name: str) -> Iterator[Diagnostic]:
    found = known.get(name)
    if found is None:
        return
    hits: list[Named] = []
    left = found.contents
    for what, kept in protected(site, known):
        if both := intersect(left, kept):
            hits.append((what, both))
            left = subtract(left, kept)
    if not hits:
        return
    told = []
    for what, both in hits[:MOST_TOLD]:
        entry = first_in(found.text, both)
        told.append(f"{what} (line {entry.line}: {entry.text})" if entry else what)
    told += [what for what, _ in hits[MOST_TOLD:MOST_OTHERS]]
    yield Diagnostic(
        "list-names-protected",
        "warning",
        f"the list {name} names what is never cut off, and is not followed in that: {', '.join(told)}",
        site.charter.where("hostile", "lists", site.charter.hostile.lists.index(name)),
        help="tell whoever keeps the list; if it is right, something of yours does harm to others",
    )


def _idle(site: Site, known: Mapping[str, Listed | None]) -> Iterator[Diagnostic]:
    """Exceptions that except nothing, where all lists are known."""
    lists = site.charter.hostile.lists
    if any(known.get(name) is None for name in lists):
        return
    said = union(*(held(site.charter, known, name) for name in lists))
    for place, (name, kept) in enumerate(spared(site, known)):
        if not intersect(said, kept):
            yield Diagnostic(
                "exception-excepts-nothing",
                "warning",
                f"no list names anything of {name}, so this exception changes nothing",
                site.charter.where("hostile", "except", place),
                help="leave it out, or keep it for the day on which a list names it",
            )


def _places_cut(
    site: Site, known: Mapping[str, Listed | None], cut: Ranges
) -> Iterator[Diagnostic]:
    """Places that rules and offers let something with, and lists cut off."""
    charter = site.charter
    users = [(rule.name, (*rule.who, *rule.reach)) for rule in charter.rules if rule.let]
    users += [(offer.name, offer.who) for offer in charter.offers]
    for name in charter.places:
        rules = [rule for rule, terms in users if name in terms]
        here = _place(site, known, name)
        both = intersect(here, cut) if rules else ()
        if both:
            how = "all" if not subtract(intersect(here, site.internet), cut) else "a part"
            yield Diagnostic(
                "hostile-place",
                "warning",
                f"{how} of {name}, of which {rules[0]} speaks, is refused: "
                f"{', '.join(_naming(site, known, both))}",
                charter.where("places", name),
                help=f"if it is not hostile, write `except: [{name}]` below `hostile`",
            )


def _naming(site: Site, known: Mapping[str, Listed | None], wanted: Ranges) -> Iterable[str]:
    """The lists that name any of these, with the line."""
    wanted = union(wanted, coding.meant(wanted, site.charter.translators))
    for name in site.charter.hostile.lists:
        found = known.get(name)
        if found is not None and intersect(found.contents, wanted):
            entry = first_in(found.text, wanted)
            line = f", line {entry.line}: {entry.text}" if entry else ""
            yield f"the list {name}{line}"


def stale(charter: Charter, known: Mapping[str, Listed], now: datetime) -> Iterator[Diagnostic]:
    """Lists of which nothing good came for long."""
    for name, found in known.items():
        if found.fetched is not None and now - found.fetched > OLD:
            days = (now - found.fetched) // timedelta(days=1)
            yield Diagnostic(
                "list-old",
                "warning",
                f"what the list {name} holds came {days} days ago",
                charter.where("lists", name),
                help="see why it can't be fetched: `netcharter refresh` on the gateway tells",
            )
