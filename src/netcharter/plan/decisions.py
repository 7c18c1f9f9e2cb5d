"""The ordered decisions of a charter: housekeeping, then what the charter itself says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from ipaddress import IPv6Address

from netcharter.charter.model import Offer, Rule
from netcharter.diagnostics import Span
from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY_SERVICE, NOBODY
from netcharter.plan.housekeeping import Draft, first_part, second_part, third_part
from netcharter.plan.shapes import (
    ALWAYS,
    NEVER,
    Delivery,
    DevicePlan,
    Limit,
    LinePlan,
    Region,
    Row,
    When,
)
from netcharter.plan.terms import (
    Ground,
    Who,
    all_reached,
    all_starters,
    goals,
    hardware_set,
    regions,
    service_parts,
    service_set,
    toward,
)
from netcharter.space.ranges import Ranges, complement, intersect, ranges

WRITTEN = frozenset({"rule", "emergency", "offer"})

Placed = tuple[Draft, Span | None, Delivery | None, int | None]


def decide(ground: Ground) -> tuple[Row, ...]:
    """Every decision of the site in the order in which the first match decides."""
    placed = list(_in_order(ground))
    labels = _distinct([draft for draft, _, _, _ in placed])
    return tuple(
        Row(
            index=index,
            label=labels[index],
            kind=draft.kind,
            let=draft.let,
            quiet=draft.quiet,
            regions=draft.regions,
            because=draft.because,
            basis=draft.basis,
            span=span,
            delivery=delivery,
            routed=draft.routed,
            charter_index=number,
            limit=draft.limit,
            finishing=draft.finishing,
        )
        for index, (draft, span, delivery, number) in enumerate(placed)
    )


def _distinct(drafts: Sequence[Draft]) -> list[str]:
    """Labels, each once: a written one that is called like another says what kind it is."""
    taken = {draft.label for draft in drafts if draft.kind not in WRITTEN}
    labels = []
    for draft in drafts:
        label = draft.label
        while draft.kind in WRITTEN and label in taken:
            label = f"{'offer' if draft.kind == 'offer' else 'rule'} {label}"
        taken.add(label)
        labels.append(label)
    return labels


def _in_order(ground: Ground) -> Iterator[Placed]:
    rules = list(enumerate(ground.charter.rules))
    for draft in (*first_part(ground), *second_part(ground)):
        yield draft, None, None, None
    yield from (_rule(ground, i, rule) for i, rule in rules if rule.emergency)
    for draft in third_part(ground):
        yield draft, None, None, None
    if ground.sign_in_areas:
        yield _sign_in(ground), None, None, None
    for number, offer in enumerate(ground.charter.offers):
        yield from _offer(ground, number, offer)
    yield from (_rule(ground, i, rule) for i, rule in rules if not rule.emergency)
    everywhere = [Who(ground.everywhere | {"gateway"})]
    rest = tuple(regions(everywhere, all_reached(ground, ["anywhere"]), ANY_SERVICE))
    yield (
        Draft("default", False, rest, "what the charter does not let is refused",
              "NIST SP 800-41r1 section 4.1", kind="default"),
        None, None, None,
    )  # fmt: skip


def _rule(ground: Ground, number: int, rule: Rule) -> Placed:
    when = When(rule.during, rule.until)
    who = all_starters(ground, rule.who)
    to, what = goals(ground, rule.reach), service_set(ground, rule.services)
    draft = Draft(
        label=rule.name,
        let=rule.let,
        regions=tuple(toward(who, to, what, when)),
        because=rule.because or "",
        quiet=rule.quiet,
        kind="emergency" if rule.emergency else "rule",
        finishing=_finishing(ground, rule),
    )
    return draft, ground.charter.where("rules", number), None, number


def _finishing(ground: Ground, said: Rule | Offer) -> When | None:
    """When a sentence counts for conversations that are open already, if otherwise than for new
    ones: one that lets goes on for them, one that refuses never begins."""
    hours = ground.charter.hours.get(said.during or "")
    by_hours = hours is not None and hours.let_finish
    if not (by_hours if said.let_finish is None else said.let_finish):
        return None
    if isinstance(said, Rule) and not said.let:
        return NEVER
    return When(until=said.until) if said.let_finish is None else ALWAYS


def _sign_in(ground: Ground) -> Draft:
    exempt = hardware_set(h for d in ground.devices if d.exempt for h in d.hardware)
    who = Who(
        ground.sign_in_areas,
        hardware=complement(exempt, coding.HARDWARE_SIZE),
        who=frozenset({NOBODY}),
    )
    return Draft(
        label="sign-in",
        let=False,
        regions=tuple(regions([who], all_reached(ground, ["anywhere"]), ANY_SERVICE)),
        because="here one signs in first",
        kind="sign-in",
    )


def _offer(ground: Ground, number: int, offer: Offer) -> Iterator[Placed]:
    """One row per line for IPv4, which is translated, and one for IPv6, which is not."""
    device = ground.device[offer.to]
    span = ground.charter.where("offers", number)
    when = When(offer.during, offer.until)
    starters = all_starters(ground, offer.who)
    inner = service_set(ground, offer.services)
    for line in (ground.line[name] for name in offer.lines):
        suffix = f" on {line.name}" if len(offer.lines) > 1 else ""
        who = _meeting(ground, starters, line)
        translated = _translated(ground, offer, line, device)
        if translated is not None:
            outer = inner if offer.at is None else _moved(ground, offer, offer.at)
            own = _met_at(offer, line)
            found = tuple(regions(who, own, outer, when))
            yield _offer_draft(ground, offer, line, suffix, found), span, translated, number
        direct = [a for a in device.addresses6 if isinstance(a, IPv6Address) and _inside(line, a)]
        if direct:
            found = tuple(regions(who, coding.addresses(direct), inner, when))
            suffix += " (IPv6)"
            yield _offer_draft(ground, offer, line, suffix, found), span, None, number


def _meeting(ground: Ground, starters: tuple[Who, ...], line: LinePlan) -> list[Who]:
    """Those who may meet an offer on a line: everyone inside, and who comes by that very line."""
    met = ground.all_areas | {"gateway", line.name}
    return [replace(w, entrances=w.entrances & met) for w in starters if w.entrances & met]


def _met_at(offer: Offer, line: LinePlan) -> Ranges:
    """The IPv4 address of a line at which an offer is met."""
    if offer.address is not None:
        return coding.addresses([offer.address])
    return intersect(line.own, ANY4) if line.v4 is None else coding.addresses([line.v4.ip])


def _offer_draft(
    ground: Ground, offer: Offer, line: LinePlan, suffix: str, found: tuple[Region, ...]
) -> Draft:
    limit = None
    if offer.per_source is not None and any(line.name in one.entrances for one in found):
        limit = Limit(offer.name, (line.device,), offer.per_source)
    return Draft(
        offer.name + suffix,
        True,
        found,
        offer.because or "",
        kind="offer",
        limit=limit,
        finishing=_finishing(ground, offer),
    )


def _translated(
    ground: Ground, offer: Offer, line: LinePlan, device: DevicePlan
) -> Delivery | None:
    if not intersect(line.own, ANY4) or not device.addresses4:
        return None
    port = None if offer.at is None else _parts(ground, offer)[0][1]
    return Delivery(device.name, device.addresses4[0], port)


def _parts(ground: Ground, offer: Offer) -> list[tuple[int, int, int]]:
    return [part for name in offer.services for part in service_parts(ground, name)]


def _moved(ground: Ground, offer: Offer, at: int) -> Ranges:
    """The services as sent when the offer stands at another port."""
    return ranges(*(coding.service(protocol, at) for protocol, _, _ in _parts(ground, offer)))


def _inside(line: LinePlan, address: IPv6Address) -> bool:
    return line.prefix is not None and address in line.prefix
