"""Questions about a running gateway: in names of its devices, areas and lines, or in addresses."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from ipaddress import ip_address, ip_network

from netcharter.charter.services import builtin, parse_written
from netcharter.plan import coding
from netcharter.proofs.ask import NotUnderstood, split_question
from netcharter.readback.questions import Inquiry, Start, Target
from netcharter.readback.shapes import OTHER, OWN
from netcharter.space.ranges import Ranges, intersect, ranges

EXAMPLES = (
    "'who can reach 192.0.2.10 with https', 'what can eth2 reach', 'can office reach gateway'"
)


@dataclass(frozen=True, slots=True)
class Known:
    """The names a question may use. names: area or line -> network device; lines: devices of lines;
    areas: devices of areas; devices: every network device; addresses: names of known devices.
    """

    names: Mapping[str, str]
    lines: frozenset[str]
    devices: tuple[str, ...]
    addresses: Mapping[str, Ranges]

    def device(self, term: str) -> str | None:
        """The network device of an area, a line or a device's own name."""
        if term in self.names:
            return self.names[term]
        return term if term in self.devices and term not in (OWN, OTHER) else None

    def terms(self) -> set[str]:
        devices = {name for name in self.devices if name not in (OWN, OTHER)}
        return {"gateway", "internet", *self.names, *self.addresses, *devices}


def inquiry(
    question: str | None,
    known: Known,
    who: Sequence[str] = (),
    reach: Sequence[str] = (),
    services: Sequence[str] = (),
) -> Inquiry:
    """A question in words, or terms, or both; terms complete a question. Raises NotUnderstood."""
    before, after, what = split_question(question, EXAMPLES) if question else ([], [], [])
    starters, targets = [*before, *who], [*after, *reach]
    if not starters and not targets:
        raise NotUnderstood("nobody and nothing is named", f"ask for instance {EXAMPLES}")
    return Inquiry(
        tuple(start(term, known) for term in starters) or (anybody(known),),
        tuple(target(term, known) for term in targets) or (Target(),),
        service_set([*what, *services] or ["anything"]),
    )


def anybody(known: Known) -> Start:
    """Whoever starts, the gateway itself among them."""
    return Start(frozenset(known.devices))


def start(term: str, known: Known) -> Start:
    """Who starts, from one term."""
    outside = frozenset(known.devices) - {OWN}
    device = known.device(term)
    if device is not None:
        return Start(frozenset({device}))
    if term == "anyone":
        return Start(outside)
    if term == "gateway":
        return Start(frozenset({OWN}))
    if term == "internet":
        return Start(_lines(known))
    return Start(frozenset(known.devices), _addresses(term, known, "who starts"))


def target(term: str, known: Known) -> Target:
    """What is reached, from one term."""
    device = known.device(term)
    if device is not None:
        return Target(exits=frozenset({device}))
    if term == "anywhere":
        return Target()
    if term == "gateway":
        return Target(exits=frozenset({OWN}))
    if term == "internet":
        return Target(exits=_lines(known))
    return Target(addresses=_addresses(term, known, "what is reached"))


def _lines(known: Known) -> frozenset[str]:
    if not known.lines:
        raise NotUnderstood(
            "which network device leads to the internet is not known",
            "name it: `--line NAME=DEVICE`, or ask about the device itself",
        )
    return known.lines


def _addresses(term: str, known: Known, role: str) -> Ranges:
    if term in known.addresses:
        return known.addresses[term]
    try:
        return coding.addresses([ip_address(term)])
    except ValueError:
        pass
    try:
        return coding.network(ip_network(term))
    except ValueError as wrong:
        if "/" in term and "host bits" in str(wrong):
            raise NotUnderstood(
                f"{term} has bits set beyond its length",
                f"did you mean {ip_network(term, strict=False)}?",
            ) from None
    near = get_close_matches(term, known.terms(), n=1)
    hint = f"did you mean '{near[0]}'?" if near else (
        "write a network device, an address, a prefix, or one of "
        + ", ".join(sorted(known.terms()))
    )  # fmt: skip
    raise NotUnderstood(f"'{term}' cannot be {role}", hint)


def service_set(names: Iterable[str]) -> Ranges:
    """The services of some names: IANA's, `tcp/8443`, or `anything`. Raises NotUnderstood."""
    parts: list[tuple[int, int]] = []
    for name in names:
        if name == "anything":
            return coding.ANY_SERVICE
        parts += [coding.service(*part) for part in service_parts(name)]
    return intersect(ranges(*parts), coding.REAL_SERVICES)


def service_parts(name: str) -> tuple[tuple[int, int, int], ...]:
    """(protocol, first, last) of a service. Raises NotUnderstood."""
    if name in builtin():
        return builtin()[name]
    written = parse_written(name)
    if written is None:
        near = get_close_matches(name, builtin(), n=1)
        hint = f"did you mean '{near[0]}'?" if near else "write for instance 'https' or 'tcp/443'"
        raise NotUnderstood(f"'{name}' is no service", hint)
    return (written,)
