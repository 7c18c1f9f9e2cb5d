"""Findings about names: rules that never decide, lists that say too much, who is not held by them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cached_property
from urllib.parse import urlsplit

from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan.listed import OLD
from netcharter.plan.names.deciding import Asker, Decider
from netcharter.plan.names.domains import Fault, is_public_suffix, normal
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.reading import over_wide
from netcharter.plan.names.shapes import ListPlan, NamesRow
from netcharter.plan.shapes import Plan
from netcharter.plan.terms import Who, all_starters, device_addresses, regions, service_set
from netcharter.proofs.names_around import gone_round
from netcharter.proofs.names_space import NamesSpace
from netcharter.proofs.naming import listed
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.site_audit import SOON
from netcharter.proofs.story import row_name
from netcharter.proofs.why_name import OUTCOMES, name_row
from netcharter.space.model import Covered, Witness

MOST_TOLD = 3  # entries of one list, or refusals, that are told one by one
WRITTEN = ("rule", "emergency")


class NamesAudit:
    """What the audits of names share."""

    def __init__(self, audit: Audit) -> None:
        self.audit, self.plan = audit, audit.plan
        self.now: datetime = audit.prover.universe.now
        self.written = tuple(row for row in self.plan.names.rows if row.kind in WRITTEN)
        self.find = Finder(self.plan.names)
        self._deciders: dict[str, Decider] = {}

    @cached_property
    def space(self) -> NamesSpace:
        return NamesSpace((self.plan,), self.now)

    def place(self, row: NamesRow, *path: str | int) -> Span:
        """What to underline of a names rule."""
        assert row.charter_index is not None
        return self.plan.charter.where("names", row.charter_index, *(path or (row.action,)))

    def past(self, row: NamesRow) -> bool:
        today = self.audit.prover.universe.local_now().date()
        return row.until is not None and row.until < today

    def verdict(self, area: str, name: str) -> NamesRow:
        """Who decides a name for a host of an area that is no device, all hours taken as open."""
        if area not in self._deciders:
            self._deciders[area] = Decider(self.plan.names, Asker(area), lambda *_: True)
        return self._deciders[area](name, "A", self.find).met.row


def names_findings(audit: Audit) -> Iterator[Diagnostic]:
    """All that is found about names, lists of names and resolvers."""
    mine = NamesAudit(audit)
    for look in (_endings, _never_decides, _evaded, _elsewhere, _rewrites, _terms):
        yield from look(mine)
    for found in audit.plan.names.lists.values():
        yield from _of_list(mine, found)
    yield from gone_round(audit)
    yield from _in_the_clear(audit.plan)
    yield from _offers_inside(audit)


def _endings(mine: NamesAudit) -> Iterator[Diagnostic]:
    today = mine.audit.prover.universe.local_now().date()
    for row in mine.written:
        if row.until is None:
            continue
        days = (row.until - today).days
        if days < 0:
            yield Diagnostic(
                "rule-expired", "warning",
                f"{row.label} ended on {row.until:%d %B %Y} and decides nothing any more",
                mine.place(row, "until"), help="leave it out, or give it a new `until`",
            )  # fmt: skip
        elif days <= SOON.days:
            when = "today" if days == 0 else "tomorrow" if days == 1 else f"in {days} days"
            yield Diagnostic(
                "rule-expires-soon", "warning",
                f"{row.label} ends {when}, at the end of {row.until:%d %B %Y}",
                mine.place(row, "until"), help="move `until`, or leave the rule out in time",
            )  # fmt: skip


def _never_decides(mine: NamesAudit) -> Iterator[Diagnostic]:
    """Names rules that no look-up ever meets first, with what sees to it."""
    if not mine.written:
        return
    dead = mine.space.certified.dead
    for row in mine.written:
        verdict = dead.get(row.index)
        if isinstance(verdict, Witness) or mine.past(row):
            continue
        core = verdict.core if isinstance(verdict, Covered) else ()
        rows = [mine.plan.names.rows[number] for number in core]
        if rows:
            who = listed(name_row(one) for one in rows)
            verb = "together already decide" if len(rows) > 1 else "already decides"
            said = f"{who} {verb} all it speaks of"
        else:
            said = "nobody and nothing is left that it could speak of"
        movable = [one for one in rows if one.kind in WRITTEN]
        differing = [one for one in movable if (one.action, one.to) != (row.action, row.to)]
        yield Diagnostic(
            "names-rule-never-decides",
            "warning",
            f"{row.label} never decides: {said}",
            mine.place(row),
            help=f"put it before {differing[0].label}, or leave it out"
            if differing
            else "leave it out: nothing changes",
            related=tuple((mine.place(one), f"{one.label} decides first") for one in movable),
        )


def _evaded(mine: NamesAudit) -> Iterator[Diagnostic]:
    """Restrictions for a device, which it sheds with another address."""
    devices = {one.name: one for one in mine.plan.devices}
    closed = {area.name for area in mine.plan.areas if area.strangers_refused}
    for row in mine.written:
        if row.action == "answer":
            continue
        for number, audience in enumerate(row.audience):
            device = devices.get(audience.term)
            if device is None:
                continue
            ways = ["asks from another IPv6 address of its area"]
            if device.area not in closed or not device.hardware:
                ways.append("takes another hardware address")
            yield Diagnostic(
                "names-rule-evaded",
                "note",
                f"{row.label} does not hold for {device.name} where it {listed(ways, 'or')}: who asks"
                " is known by the address it asks from",
                mine.place(row, "for", number),
                help=f"withhold it for {device.area}, and `answer` it before that for devices that"
                " may have it",
            )


def _elsewhere(mine: NamesAudit) -> Iterator[Diagnostic]:
    """Areas whose devices learn from somebody else whom to ask."""
    areas = {name for name, one in mine.plan.charter.areas.items() if one.lease is None}
    for row in mine.written:
        found = sorted({name for one in row.audience for name in one.areas} & areas)
        if row.action != "answer" and found:
            yield Diagnostic(
                "names-asked-elsewhere",
                "warning",
                f"{row.label} holds in {listed(found)} only for who asks this gateway: somebody else"
                " lends addresses there, and says whom to ask for names",
                mine.place(row, "for"),
                help="let the gateway lend there, or see that the gateway is named as the resolver",
            )


def _rewrites(mine: NamesAudit) -> Iterator[Diagnostic]:
    """Rewrites that lead to what is withheld, or to what is rewritten again."""
    for row in mine.written:
        if row.to is None or row.action != "rewrite":
            continue
        for area in sorted({name for one in row.audience for name in one.areas}):
            then = mine.verdict(area, row.to)
            if then.action == "rewrite":
                yield _rewrite(mine, row, "names-rewrite-loop", then,
                               f"is rewritten itself by {then.label}, which is not done twice")  # fmt: skip
                break
            if then.action in ("withhold", "none"):
                told = OUTCOMES[then.action]
                yield _rewrite(mine, row, "names-rewrite-withheld", then,
                               f"is {told} in {area} by {name_row(then)}: a device that asks for it"
                               " by its own name finds nothing")  # fmt: skip
                break


def _rewrite(mine: NamesAudit, row: NamesRow, ident: str, then: NamesRow, said: str) -> Diagnostic:
    place = mine.place(then) if then.kind in WRITTEN else None
    return Diagnostic(
        ident,
        "warning",
        f"{row.label} leads to {row.to}, and that {said}",
        mine.place(row, "to"),
        help=f"answer {row.to} before, or name another one",
        related=((place, f"{then.label} decides it"),) if place else (),
    )


def _terms(mine: NamesAudit) -> Iterator[Diagnostic]:
    """Names in the charter itself that take in what many hold, or what the site needs."""
    needed = _needed(mine.plan)
    for row in mine.written:
        if row.action != "withhold" or row.charter_index is None:
            continue
        said = mine.plan.charter.names[row.charter_index].what
        for what in row.what:
            if not what.name:
                continue
            place = mine.place(row, row.action, said.index(what.term))
            if is_public_suffix(what.name) and "." in what.name:
                yield _wide(f"{row.label} withholds {what.name}", place)
            hit = next((n for n in needed if n == what.name or n.endswith(f".{what.name}")), None)
            if hit is not None:
                said_so = f"{row.label} withholds {hit}"
                yield from _cut(mine, said_so, hit, needed[hit], place)


def _wide(said: str, place: Span) -> Diagnostic:
    return Diagnostic(
        "names-entry-over-wide",
        "warning",
        f"{said} and all below it, where anybody may register names (public suffix list)",
        place,
        help="name what is meant below it; or `answer` first what is needed of it",
    )


def _cut(mine: NamesAudit, said: str, name: str, why: str, place: Span) -> Iterator[Diagnostic]:
    """A needed name that something withholds, unless an earlier decision answers it everywhere."""
    then = {mine.verdict(area.name, name).action for area in mine.plan.areas}
    if "withhold" in then:
        effect = "the gateway itself asks for it all the same, and who is meant does not get it"
    elif then == {"local"}:
        effect = "inside it is answered all the same; whoever listed it may keep others away"
    else:
        return
    yield Diagnostic(
        "names-needed-withheld",
        "warning",
        f"{said}, which is {why}: {effect}",
        place,
        help="`answer` it before, if whoever listed it is wrong; else change what depends on it",
    )


def _needed(plan: Plan) -> Mapping[str, str]:
    """Names that the site itself depends on, and what each is."""
    charter = plan.charter
    said = [(one.tls, "the name of a resolver") for one in charter.resolvers if one.tls]
    said += [(one, "a time server") for one in charter.site.time_servers if isinstance(one, str)]
    said += [(urlsplit(one.source).hostname or "", f"where the list {one.name} comes from")
             for one in charter.lists.values() if one.source]  # fmt: skip
    said += [
        (name, f"what {one.name} is known as") for one in charter.offers for name in one.known_as
    ]
    found = ((normal(name), why) for name, why in said)
    return {name: why for name, why in found if not isinstance(name, Fault)}


def _of_list(mine: NamesAudit, found: ListPlan) -> Iterator[Diagnostic]:
    """What is wrong or doubtful of one list that names rules use."""
    place = mine.plan.charter.where("lists", found.name)
    reading = found.reading
    if reading is None:
        yield Diagnostic(
            "list-unknown",
            "note",
            f"what the list {found.name} holds is not known yet: whatever depends on it may be so or"
            " otherwise",
            place,
            help=f"say `--learnt {found.name}=FILE` with a copy of what the gateway keeps",
        )
        return
    if reading.unusable:
        yield Diagnostic(
            "list-unusable", "warning",
            f"the list {found.name} can't be used: {reading.unusable}", place,
            help="look at the file; `form` says how it is written where that is not recognised",
        )  # fmt: skip
        return
    if found.fetched is not None and mine.now - found.fetched > OLD:
        days = (mine.now - found.fetched).days
        yield Diagnostic(
            "list-old", "warning",
            f"the list {found.name} was fetched {days} days ago, and what was published since is not"
            " in it", place,
            help="see why it is not fetched any more: `netcharter steward` tells",
        )  # fmt: skip
    if reading.refused:
        told = "; ".join(
            f"{one.count} {'line' if one.count == 1 else 'lines'}, the first {one.first}: {one.reason}"
            for one in reading.refused[:MOST_TOLD]
        )
        yield Diagnostic(
            "list-lines-refused", "note",
            f"of the list {found.name}, with {len(reading.entries)} names, some lines hold none:"
            f" {told}", place,
            help="tell whoever keeps the list, if what is refused was meant",
        )  # fmt: skip
    yield from _entries(mine, found, place)


def _entries(mine: NamesAudit, found: ListPlan, place: Span) -> Iterator[Diagnostic]:
    """Entries of a withheld list that take in too much."""
    if found.entries is None or not _withheld(mine.written, found.name):
        return
    for count, entry in enumerate(over_wide(found.entries)):
        if count == MOST_TOLD:
            break
        yield _wide(f"the list {found.name}, line {entry.line}, names {entry.name}", place)
    for name, why in _needed(mine.plan).items():
        hit = mine.find(found.name, name)
        if hit is not None:
            said = f"the list {found.name}, line {hit.line}, names {name}"
            yield from _cut(mine, said, name, why, place)


def _withheld(rows: Iterable[NamesRow], name: str) -> bool:
    return any(row.action == "withhold" and name in what.lists for row in rows for what in row.what)


def _in_the_clear(plan: Plan) -> Iterator[Diagnostic]:
    """Resolvers that are asked in the clear beside others that are not."""
    found = plan.charter.resolvers
    if any(one.tls for one in found) and not all(one.tls for one in found):
        number = next(i for i, one in enumerate(found) if not one.tls)
        yield Diagnostic(
            "resolver-in-the-clear",
            "warning",
            f"{found[number].address} would be asked in the clear, and others over TLS: it is not"
            " asked at all, since whatever it was asked could be read and changed on the way",
            plan.charter.where("resolvers", number),
            help="give it `tls` too, or leave it out",
        )


def _offers_inside(audit: Audit) -> Iterator[Diagnostic]:
    """Offers whose names lead inside to an address that some of those meant may not reach."""
    charter, ground = audit.plan.charter, audit.ground
    straight = {one.offer: one for found in audit.plan.names.local.values() for one in found
                if one.offer is not None}  # fmt: skip
    refusing = frozenset(row.index for row in audit.plan.rows
                         if not row.let and row.kind in ("rule", "default"))  # fmt: skip
    for number, offer in enumerate(charter.offers):
        known, device = straight.get(offer.name), ground.device[offer.to]
        if known is None or not set(known.addresses) & {*device.addresses4}:
            continue
        areas = ground.all_areas - {device.area}
        who = [one for term in all_starters(ground, offer.who) for one in _from_areas(term, areas)]
        found = list(regions(who, device_addresses(device), service_set(ground, offer.services)))
        boxes = audit.prover.universe.boxes_of(found)
        witness = audit.prover.decided(boxes, refusing)
        if witness is not None:
            told = audit.tell(witness, boxes)
            row = audit.plan.rows[witness.rule] if witness.rule is not None else None
            yield Diagnostic(
                "offer-name-refused",
                "warning",
                f"inside, {known.name} leads to {offer.to} itself, and {row_name(row) if row else ''}"
                f" refuses it to some whom {offer.name} is for",
                charter.where("offers", number, "as"),
                witness=told.sentence,
                help=f"let the areas that are meant reach {offer.to} with the same services",
            )


def _from_areas(who: Who, areas: frozenset[str]) -> Iterator[Who]:
    """The part of a starter that is in some areas."""
    if who.entrances & areas:
        yield replace(who, entrances=who.entrances & areas)
