"""Area by area: a charter restricted to the areas that this gateway takes over now.

An area that is left stays on the old gateway, cable and all. This gateway has no device for it:
nothing comes in from it, and nothing of the charter about it is in force here. The restricted
charter is the same text with all that as remarks, so that every place in it stays where it is;
the areas keep the addresses they have in the whole charter.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from netcharter.charter.edits import Gone, Texts, without
from netcharter.charter.model import Charter, Discovery, Exit, NamesRule, Offer, Promise, Rule
from netcharter.charter.sentences import kind_of_sentence
from netcharter.charter.words import suggest
from netcharter.diagnostics import Diagnostic, Severity, Span
from netcharter.diagnostics.jsonshape import as_json
from netcharter.plan import make_plan
from netcharter.tasks.keeping import Kept
from netcharter.tasks.moving import compared, from_texts, understood
from netcharter.tasks.sources import Source, unusable

Sentence = Rule | Offer | Promise | Exit


@dataclass(frozen=True, slots=True)
class CutOver:
    """What is put in place now. source: the restricted charter, to be checked, rehearsed and
    enacted like any other; texts: its files; left: the areas that stay where they are; whole: the
    files of the whole charter, to underline."""

    source: Source
    texts: Texts
    left: tuple[str, ...]
    findings: tuple[Diagnostic, ...]
    whole: Texts

    @property
    def ok(self) -> bool:
        """No finding is an error."""
        return all(one.severity != "error" for one in self.findings)

    def as_json(self) -> dict[str, Any]:
        """`ok`, `left`, `findings`."""
        return {
            "ok": self.ok,
            "left": list(self.left),
            "findings": [as_json(one) for one in self.findings],
        }


def cut_over(source: Source, leave: Sequence[str]) -> CutOver:
    """Restrict a charter to the areas that are not left.

    leave: names of areas, that is, all that have not been moved yet. With none the charter is
    what it was. Raises Unusable for a name that is no area, and if no area is to be moved.
    """
    charter, reading = understood(source)
    left = areas_left(charter, leave)
    kept = source.kept or Kept("nothing", {})
    held = Kept("the whole charter", make_plan(charter, kept.areas).numbered, kept.delegated)
    if not left:
        return CutOver(source, reading.texts, (), (), reading.texts)
    gone = _gone(charter, left)
    texts = without(reading.texts, gone)
    compared(source, texts, _expected(charter, gone))
    found = sorted(_findings(charter, left, gone), key=lambda one: one.span)
    restricted = replace(from_texts(source, texts), kept=held)
    return CutOver(restricted, texts, left, tuple(found), reading.texts)


def areas_left(charter: Charter, leave: Sequence[str]) -> tuple[str, ...]:
    """The areas that are named to be left, in the charter's order. Raises Unusable for a name that
    is none, and if no area is to be moved."""
    for name in leave:
        if name not in charter.areas:
            near = suggest(name, charter.areas)
            raise unusable("area-unknown", f"there is no area {name}", name, name,
                           f"write {near}" if near else "name areas of this charter")  # fmt: skip
    left = tuple(name for name in charter.areas if name in leave)
    if left and len(left) == len(charter.areas):
        raise unusable("area-none-moved", "every area is left as it is, so nothing is to be done",
                       left[-1], left[-1], "leave fewer areas")  # fmt: skip
    return left


def _gone(charter: Charter, left: Collection[str]) -> Gone:
    """All that goes with some areas: their devices, and the sentences that speak of nothing else
    on one of their sides."""
    devices = {name for name, one in charter.devices.items() if one.area in left}
    names = frozenset(left) | devices

    def empty(*sides: Sequence[str]) -> bool:
        return any(names.issuperset(side) for side in sides)

    return Gone(
        names,
        frozenset(n for n, r in enumerate(charter.rules) if empty(r.who, r.reach)),
        frozenset(n for n, o in enumerate(charter.offers) if empty((o.to,), o.who)),
        frozenset(n for n, p in enumerate(charter.promises) if empty(p.who, p.reach)),
        frozenset(n for n, e in enumerate(charter.exits) if empty(e.who, ("internet",))),
        frozenset(n for n, r in enumerate(charter.names) if empty(r.who)),
        frozenset(n for n, d in enumerate(charter.discovery) if empty(d.who, d.where)),
    )


def _expected(charter: Charter, gone: Gone) -> Charter:
    """What the restricted text must say, from the model alone."""

    def kept(names: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in names if name not in gone.names)

    rules = [
        replace(one, who=kept(one.who), reach=kept(one.reach))
        for number, one in enumerate(charter.rules)
        if number not in gone.rules
    ]
    offers = [
        replace(one, who=kept(one.who))
        for number, one in enumerate(charter.offers)
        if number not in gone.offers
    ]
    promises = [
        replace(one, who=kept(one.who), reach=kept(one.reach))
        for number, one in enumerate(charter.promises)
        if number not in gone.promises
    ]
    exits = [
        replace(one, who=kept(one.who))
        for number, one in enumerate(charter.exits)
        if number not in gone.exits
    ]
    names = [
        replace(one, who=kept(one.who))
        for number, one in enumerate(charter.names)
        if number not in gone.names_rules
    ]
    discovery = [
        replace(one, who=kept(one.who), where=kept(one.where))
        for number, one in enumerate(charter.discovery)
        if number not in gone.discovery
    ]
    said = {
        section: _numbered(charter, section, gone)
        for section in ("rules", "offers", "exits", "names", "discovery")
    }
    return replace(
        charter,
        site=replace(charter.site, managed_from=kept(charter.site.managed_from)),
        hostile=replace(
            charter.hostile,
            spared=tuple(one for one in charter.hostile.spared if one not in gone.names),
        ),
        areas={n: one for n, one in charter.areas.items() if n not in gone.names},
        devices={n: one for n, one in charter.devices.items() if n not in gone.names},
        rules=tuple(replace(r, name=n) for r, n in zip(rules, said["rules"], strict=True)),
        offers=tuple(replace(o, name=n) for o, n in zip(offers, said["offers"], strict=True)),
        promises=tuple(promises),
        exits=tuple(replace(e, name=n) for e, n in zip(exits, said["exits"], strict=True)),
        names=tuple(replace(r, name=n) for r, n in zip(names, said["names"], strict=True)),
        discovery=tuple(
            replace(d, name=n) for d, n in zip(discovery, said["discovery"], strict=True)
        ),
    )


def _numbered(charter: Charter, section: str, gone: Gone) -> list[str]:
    """The names of the sentences that stay: their own, or their number among these."""
    every: dict[str, Sequence[Rule | Offer | Exit | NamesRule | Discovery]] = {
        "rules": charter.rules,
        "offers": charter.offers,
        "exits": charter.exits,
        "names": charter.names,
        "discovery": charter.discovery,
    }
    found: list[str] = []
    for number, one in enumerate(every[section]):
        if number not in gone.places(section):
            own = (section, number, "name") in charter.spans
            found.append(one.name if own else f"{kind_of_sentence(section)} {len(found) + 1}")
    return found


# --- what it means -------------------------------------------------------------------------------


def _findings(charter: Charter, left: Sequence[str], gone: Gone) -> Iterator[Diagnostic]:
    outward = any(
        rule.let and {"internet", "anywhere"} & {*rule.reach} and number not in gone.rules
        for number, rule in enumerate(charter.rules)
    )
    for area in left:
        yield from _of_area(charter, area, outward)
    yield from _of_management(charter, gone)
    for number, rule in enumerate(charter.rules):
        span = charter.where("rules", number)
        yield from _of_sentence(rule, span, number in gone.rules, gone)
    for number, offer in enumerate(charter.offers):
        span = charter.where("offers", number)
        yield from _of_sentence(offer, span, number in gone.offers, gone)
    for number, promise in enumerate(charter.promises):
        span = charter.where("promises", number)
        yield from _of_sentence(promise, span, number in gone.promises, gone)
    for number, way in enumerate(charter.exits):
        span = charter.where("exits", number)
        yield from _of_sentence(way, span, number in gone.exits, gone)


def _of_area(charter: Charter, area: str, outward: bool) -> Iterator[Diagnostic]:
    span = charter.where("areas", area)
    devices = [name for name, one in charter.devices.items() if one.area == area]
    with_them = f", and with it {', '.join(devices)}" if devices else ""
    port = charter.areas[area]
    where = f"{port.device}, VLAN {port.vlan}" if port.vlan else port.device
    yield Diagnostic(
        "area-left",
        "note",
        f"{area} stays on the old gateway{with_them}: nothing comes in from it here",
        span,
        help=f"keep its cable there and {where} free of it here; it moves when it is no longer left"
        " out",
    )
    if outward:
        yield Diagnostic(
            "area-left-outside",
            "warning",
            f"while {area} is left, its addresses count as internet: what is let out may be sent"
            " to them by a line",
            span,
            help="move areas that talk to each other together, or refuse those addresses as a place"
            " for the time being",
        )


def _of_management(charter: Charter, gone: Gone) -> Iterator[Diagnostic]:
    managers = charter.site.managed_from
    out = [name for name in managers if name in gone.names]
    if not out:
        return
    span = charter.where("site", "managed-from")
    if len(out) == len(managers):
        yield Diagnostic(
            "area-left-managers",
            "error",
            f"the gateway is looked after from {', '.join(out)} only, in areas that are left",
            span,
            help="move that area first, or name a device of another area in `managed-from`",
        )
    else:
        yield Diagnostic(
            "area-left-managers",
            "warning",
            f"{', '.join(out)} can't look after this gateway while the area is left",
            span,
            help="use the other devices of `managed-from` meanwhile",
        )


def _of_sentence(one: Sentence, span: Span, whole: bool, gone: Gone) -> Iterator[Diagnostic]:
    names = (*one.who, one.to) if isinstance(one, Offer) else (*one.who, *one.reach)
    out = list(dict.fromkeys(name for name in names if name in gone.names))
    if whole:
        severity, message, help = _gone_words(one, ", ".join(out))
        yield Diagnostic("sentence-left", severity, message, span, help=help)
    elif out:
        yield Diagnostic(
            "sentence-left-partly",
            "note",
            f"{_called(one)} holds without {', '.join(out)} for now",
            span,
            help="nothing is to be done; it is whole again once they are moved",
        )


def _called(one: Sentence) -> str:
    return f"this `{one.kind}` promise" if isinstance(one, Promise) else one.name


def _gone_words(one: Sentence, out: str) -> tuple[Severity, str, str]:
    """Severity, message and help for a sentence that is not in force while areas are left."""
    called = _called(one)
    severity: Severity = "warning"
    message = f"{called} is not in force here: {out} is left on the old gateway"
    if isinstance(one, Offer):
        help = "let the old gateway deliver it until then, on a line that is still its own"
    elif isinstance(one, Exit):
        severity = "note"
        message = f"{called} leads nobody here: {out} is left on the old gateway"
        help = "see to it that the old gateway chooses the line until then"
    elif isinstance(one, Promise):
        severity = "warning" if one.kind == "always" else "note"
        message = f"{called} is not proven here: it is about {out} on the old gateway"
        help = "see to it that the old gateway keeps it until then"
    elif one.let and one.emergency:
        message += ", and it is for emergencies"
        help = "leave the old gateway and its line running, and try an ordinary call from there"
    elif one.let:
        help = "move both sides together if they need each other"
    else:
        severity = "note"
        message = f"{called} refuses nothing here: {out} is left on the old gateway"
        help = "see to it that the old gateway refuses it until then"
    return severity, message, help
