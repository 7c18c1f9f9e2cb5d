"""Addresses: whether somebody else lends them in an area, is a router there, or holds one that is not his.

A box that was plugged in the wrong way lends addresses of its own, or says that it is the way out, and
some devices believe it. Who answers once is told; that it is over is told when it was not heard for
three rounds, since whoever is overheard once in a while is still there. Of an area with very many
addresses a part is asked in each round: who holds one of them, for three times as many rounds as that
takes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.segments import Heard, Kind, Segment
from netcharter.steward.shapes import Decision, Duty, Facts, Report

EVERY = timedelta(minutes=5)
ROUNDS = 3  # without hearing of it, until it is over
MOST = 20  # who is told of one matter: somebody may say so under any number of addresses
KINDS: tuple[Kind, ...] = ("lends", "routes", "holds")
MATTER: Mapping[Kind, str] = {"lends": "dhcp", "routes": "router", "holds": "held"}
FINE: Mapping[Kind, str] = {
    "lends": "nobody but the gateway lends addresses in {area}",
    "routes": "nobody but the gateway is a router in {area}",
    "holds": "nobody in {area} holds an address that is another's",
}
BLIND = "addresses/asked"
BLIND_TEXT = (
    "areas can't be asked who else lends addresses there: the steward may not open sockets of packets "
    "(AF_PACKET, CAP_NET_RAW); say `netcharter steward --install` again"
)


@dataclass(frozen=True, slots=True)
class State:
    """Of every matter that was heard of lately: what was said, and for how many rounds it stays."""

    lately: Mapping[str, Mapping[str, int]] = field(default_factory=dict)


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Tell who was heard."""
    segments = facts.schedule.segments if facts.schedule is not None else ()
    found = facts.addresses
    if found is None:
        report = Report(BLIND, bool(segments), BLIND_TEXT if segments else "", "note")
        return Decision(state, (), now + EVERY, (report, *_reports(state, segments)))
    lately: dict[str, Mapping[str, int]] = {}
    for segment in segments:
        for kind in KINDS:
            key, rounds = (
                _key(kind, segment.area),
                ROUNDS * (segment.turns if kind == "holds" else 1),
            )
            before = state.lately.get(key, {})
            said = {one: left - 1 for one, left in before.items() if left > 1}
            said |= {_said(one): rounds for one in found if _is(one, kind, segment)}
            if said:
                lately[key] = dict(sorted(said.items())[:MOST])
    state = State(lately)
    return Decision(state, (), now + EVERY, (Report(BLIND, False, ""), *_reports(state, segments)))


def _is(one: Heard, kind: Kind, segment: Segment) -> bool:
    return one.kind == kind and one.area == segment.area


def _key(kind: Kind, area: str) -> str:
    return f"addresses/{MATTER[kind]} {area}"


def _said(one: Heard) -> str:
    if one.kind == "lends":
        return f"{one.who} ({one.hardware}) lends addresses in {one.area}, beside the gateway"
    if one.kind == "routes":
        return (
            f"{one.who} ({one.hardware}) says that it is a router in {one.area}, beside the gateway"
        )
    return f"{one.about} in {one.area} is held by {one.hardware}, whose it is not"


def _reports(state: State, segments: tuple[Segment, ...]) -> Iterator[Report]:
    for segment in segments:
        for kind in KINDS:
            key = _key(kind, segment.area)
            said = "; ".join(state.lately.get(key, ()))
            yield Report(
                key, bool(said), said or FINE[kind].format(area=segment.area), "urgent", said
            )


def duty() -> Duty[State]:
    """The duty, with nothing heard yet."""
    return Duty(
        name="addresses",
        about="asks in every area whether somebody else lends addresses, is a router, or holds an"
        " address that is another's",
        needs=frozenset({"schedule", "addresses"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=_read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {
        "lately": [
            {"key": key, "said": said, "left": left}
            for key, each in state.lately.items()
            for said, left in each.items()
        ]
    }


def _read(found: Fields) -> State:
    lately: dict[str, dict[str, int]] = {}
    for one in found.objects("lately"):
        lately.setdefault(one.text("key"), {})[one.text("said")] = one.whole("left")
    return State(lately)
