"""Open conversations decided again: which of those that a kernel tracks would a plan refuse now?

A conversation is asked about as it once began: its first packet as it was sent, in the environment
of this moment. Where it came in and from which hardware address is no longer written anywhere;
neighbour table and line mark tell it where they can, and otherwise every possibility is tried.
Only what each of them refuses is cut; what some refuse and some let is told as doubtful.

Where a decision lets what is open finish, its time counts otherwise for what is open (`finishing`
in `plan.shapes`): nobody knows when a conversation began, so it stays if it stands by any such
decision that is met before one that refuses it in earnest.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property, partial

from netcharter.plan import coding, labels
from netcharter.plan.coding import ICMP, ICMP6, NOBODY, PORTED
from netcharter.plan.fate import Outcome, in_force, led_state, line_state, outcome
from netcharter.plan.housekeeping import LINK_LOCAL6, LOOPBACK, UNSPECIFIED4, UNSPECIFIED6
from netcharter.plan.shapes import Address, Plan, Region, Row, When
from netcharter.proofs.management import Session
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.story import row_name, stranger
from netcharter.space.ranges import has, union

Fitting = tuple[Row, Region, bool]  # whether its own time is now, or only that for what is open
Stands = Callable[[Outcome], bool]
GATEWAY = "gateway"
NAMELESS = union(LINK_LOCAL6, UNSPECIFIED4, UNSPECIFIED6)  # sources that say nothing of where


@dataclass(frozen=True, slots=True)
class Ends:
    """One direction of a conversation as conntrack writes it. ports: source and destination; of
    ICMP the identifier, and type * 256 + code; None where the protocol has none or conntrack does
    not tell.
    """

    source: Address
    destination: Address
    ports: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class Conversation:
    """An entry of the kernel's connection tracking. sent: as it began; answered: the direction of
    the answers, from where it was really delivered; mark: as `plan.labels` lays it out, if a kit of
    ours wrote it; number: the kernel's own for this entry, where it is known.
    """

    protocol: int
    sent: Ends
    answered: Ends
    mark: int = 0
    zone: int = 0
    number: int | None = None

    @property
    def service(self) -> int | None:
        """Its coded service (`plan.coding`) as sent; None where the port is not known."""
        if self.protocol not in (*PORTED, ICMP, ICMP6):
            return self.protocol << 16
        return None if self.sent.ports is None else (self.protocol << 16) + self.sent.ports[1]

    @property
    def moved(self) -> tuple[Address, int] | None:
        """Where it was really delivered, if elsewhere than it was sent."""
        sent, answered = self.sent, self.answered
        port, there = sent.ports[1] if sent.ports else 0, answered.ports
        if self.protocol in PORTED and there is not None:
            really = answered.source, there[0]
        else:
            really = answered.source, port
        return None if really == (sent.destination, port) else really

    def is_of(self, session: Session) -> bool:
        """Is it this very session, in either direction?"""
        if self.protocol != coding.TCP or self.sent.ports is None:
            return False
        mine = {
            (self.sent.source, self.sent.ports[0]),
            (self.sent.destination, self.sent.ports[1]),
        }
        return mine == {
            (session.client, session.client_port),
            (session.server, session.server_port),
        }


@dataclass(frozen=True, slots=True)
class Neighbour:
    """What the neighbour table says of an address: behind which network device, and the hardware
    address there (None: not resolved)."""

    device: str
    hardware: int | None


def seated(session: Session, neighbours: Mapping[Address, Sequence[Neighbour]]) -> Session:
    """A session with the device and the hardware address that the neighbour table has for its
    client; what it says itself counts, and where the table says two things nothing is taken.
    """
    seen = [
        one for one in neighbours.get(session.client, ()) if session.device in (None, one.device)
    ]
    if len(seen) != 1:
        return session
    hardware = seen[0].hardware if session.hardware is None else session.hardware
    return replace(session, device=seen[0].device, hardware=hardware)


@dataclass(frozen=True)
class Around:
    """The moment in which conversations are decided again.

    up: names of the lines that are up; own: the machine's addresses; lines: those that automatic
    lines have; signed: who is signed in at (area, address, hardware), a person's name or
    `coding.GUEST`; led: where the places lead that are made of names, by place; numbers: the line of each number that stands in a mark, as the kit that wrote
    the marks numbered them (None: as the plan does).
    """

    instant: datetime
    up: frozenset[str]
    own: Collection[Address] = ()
    lines: Mapping[str, Sequence[Address]] = field(default_factory=dict)
    neighbours: Mapping[Address, Sequence[Neighbour]] = field(default_factory=dict)
    signed: Mapping[tuple[str, Address, int], str] = field(default_factory=dict)
    led: Mapping[str, Collection[Address]] = field(default_factory=dict)
    numbers: Mapping[int, str] | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """A conversation that the plan refuses, or may refuse; with what, in words."""

    conversation: Conversation
    sentence: str
    decided_by: tuple[str, ...]

    def as_json(self) -> dict[str, object]:
        """The documented shape."""
        return {"sentence": self.sentence, "decided_by": list(self.decided_by)}


@dataclass(frozen=True, slots=True)
class Again:
    """What is to be cut, what is doubtful and so left alone, and how many stay; finishing: how many
    of these only because they are let finish."""

    cut: tuple[Judged, ...]
    doubtful: tuple[Judged, ...]
    kept: int
    finishing: int = 0

    def as_json(self) -> dict[str, object]:
        """The documented shape."""
        return {
            "cut": [one.as_json() for one in self.cut],
            "doubtful": [one.as_json() for one in self.doubtful],
            "kept": self.kept,
            "finishing": self.finishing,
        }


def decided_again(
    plan: Plan,
    conversations: Sequence[Conversation],
    around: Around,
    spared: Sequence[Session] = (),
) -> Again:
    """Which conversations a plan refuses just now.

    spared: sessions that are never cut, whichever end connection tracking takes for the one that
    began: those that one administers by, whose way in is proven apart (`management`).
    """
    judge = _Judge(plan, around)
    cut: list[Judged] = []
    doubtful: list[Judged] = []
    kept = finishing = 0
    for one in conversations:
        if any(one.is_of(session) for session in spared):
            kept += 1
            continue
        found = judge.judged(one)
        if found is None:
            kept += 1
            finishing += judge.finishes(one)
        else:
            (cut if found[0] else doubtful).append(found[1])
    return Again(tuple(cut), tuple(doubtful), kept, finishing)


@dataclass(frozen=True)
class _Judge:
    plan: Plan
    around: Around

    def judged(self, one: Conversation) -> tuple[bool, Judged] | None:
        """Whether it is surely refused, and what is said of it; None where it stays."""
        service = one.service
        if service is None:
            told = f"{self._told(one, None)}: the port is not known, so neither is its fate"
            return False, Judged(one, told, ())
        outcomes = list(self._outcomes(one, service))
        refused = [found for found in outcomes if found is None or not self._stands(one, found)]
        if not refused:
            return None
        if len(refused) < len(outcomes):
            if has(NAMELESS, coding.address(one.sent.source)):
                return None
            return False, self._said(one, refused, "perhaps ")
        return True, self._said(one, refused, "")

    def finishes(self, one: Conversation) -> bool:
        """Does a conversation that stays do so only because it is let finish?"""
        service = one.service
        if service is None or not any(row.finishing for row in self.plan.rows):
            return False
        strict = list(self._outcomes(one, service, strictly=True))
        return any(found is None or not self._stands(one, found) for found in strict)

    def _said(self, one: Conversation, refused: Sequence[Outcome | None], perhaps: str) -> Judged:
        names = tuple(dict.fromkeys(_decider(found) for found in refused))
        elsewhere = any(found is not None and found.let for found in refused)
        how = "let, but no longer delivered there, by" if elsewhere else "refused by"
        told = f"{self._told(one, one.service)}: {perhaps}{how} {listed(names, 'or')}"
        return Judged(one, told, names)

    def _stands(self, one: Conversation, outcome: Outcome) -> bool:
        """Does the plan let just this conversation, delivered where it really is?"""
        if not outcome.let:
            return False
        as_sent = one.sent.destination, one.sent.ports[1] if one.sent.ports else 0
        return (outcome.delivered or as_sent) == (one.moved or as_sent)

    # ---- as it once began ----

    def _outcomes(
        self, one: Conversation, service: int, strictly: bool = False
    ) -> Iterator[Outcome | None]:
        """The fate of every attempt it may have been; None: by a device that nobody knows.
        strictly: as if nothing were let finish."""
        stands = None if strictly else partial(self._stands, one)
        starts: dict[str | None, list[int]] = {}
        for entrance, hardware in self._starts(one):
            starts.setdefault(entrance, []).append(hardware)
        for entrance, numbers in starts.items():
            if entrance is None:
                yield None
            else:
                yield from self.fates(entrance, one.sent, service, numbers, stands)

    def fates(
        self,
        entrance: str,
        sent: Ends,
        service: int,
        numbers: Iterable[int],
        stands: Stands | None = None,
    ) -> Iterator[Outcome]:
        """What `plan.fate` says of attempts with these hardware addresses, each outcome once; with
        `stands`, which tells by which outcome it stands as it is, what is let finish too. There
        may be thousands of conversations and hundreds of addresses, so what is the same for all of
        them is asked once."""
        source, to = self._code(sent.source), self._code(sent.destination)
        led = self._led(sent.destination)
        fitting = [
            (row, region, now)
            for row, region, now in self._in_force(entrance)
            if (now or stands is not None)
            and (region.led is None or led in region.led)
            and has(region.destination, to)
            and has(region.source, source)
            and has(region.service, service)
        ]
        told = partial(outcome, self.plan, entrance=entrance, service=service)

        def lasts(row: Row) -> bool:
            return stands is not None and stands(told(row))

        for row in self._deciding(fitting, entrance, sent.source, numbers, lasts):
            yield told(row)

    def _deciding(
        self,
        fitting: Sequence[Fitting],
        entrance: str,
        source: Address,
        numbers: Iterable[int],
        lasts: Callable[[Row], bool],
    ) -> Iterable[Row]:
        """What settles it, for each hardware address and who is signed in at it: the first decision
        that fits, but for what is let finish."""
        first, region, _ = fitting[0]
        plain = not any(row.finishing for row, _, _ in fitting)
        if plain and region.hardware == coding.ANY_HARDWARE and region.who is None:
            return (first,)
        found: dict[str, Row] = {}
        for number in numbers:
            who = self.around.signed.get((entrance, source, number), NOBODY)
            met = (
                (row, now)
                for row, region, now in fitting
                if has(region.hardware, number) and (region.who is None or who in region.who)
            )
            row = next(met)[0] if plain else _settled(met, lasts)
            found.setdefault(row.label, row)
        return found.values()

    def _in_force(self, entrance: str) -> Sequence[Fitting]:
        """What decides in this moment on what comes in somewhere, in order."""
        if entrance not in self._moment:
            state = line_state(self.plan, self.around.up)
            self._moment[entrance] = [
                (row, region, now)
                for row in self.plan.rows
                for region in row.regions
                if entrance in region.entrances
                and (region.lines is None or state in region.lines)
                and ((now := self._is_now(region.when)) or self._goes_on(row))
            ]
        return self._moment[entrance]

    def _led(self, destination: Address) -> int:
        """The set of places whose names lead there."""
        held = (name for name, found in self.around.led.items() if destination in found)
        return led_state(self.plan, frozenset(held))

    def _is_now(self, when: When) -> bool:
        return in_force(self.plan, when, self.around.instant)

    def _goes_on(self, row: Row) -> bool:
        """Does it let what is open finish, whether or not its own time is over?"""
        return row.let and row.finishing is not None and self._is_now(row.finishing)

    @cached_property
    def _moment(self) -> dict[str, Sequence[Fitting]]:
        return {}

    def _starts(self, one: Conversation) -> Iterator[tuple[str | None, int]]:
        """Where it may have come in, with which hardware address."""
        source = one.sent.source
        if source in self._own or has(LOOPBACK, coding.address(source)):
            yield GATEWAY, coding.HARDWARE_NONE
            return
        seen = self.around.neighbours.get(source, ())
        for neighbour in seen:
            yield from self._behind(neighbour)
        if not seen:
            for entrance in self._by_source(one):
                yield from self._with_hardware(entrance, None)

    def _behind(self, neighbour: Neighbour) -> Iterator[tuple[str | None, int]]:
        names = [area.name for area in self.plan.areas if area.device == neighbour.device]
        names += [line.name for line in self.plan.lines if line.device == neighbour.device]
        if not names:
            yield None, coding.HARDWARE_NONE
        for name in names:
            yield from self._with_hardware(name, neighbour.hardware)

    def _with_hardware(self, entrance: str, hardware: int | None) -> Iterator[tuple[str, int]]:
        """Every hardware address that the plan tells apart, where none is known."""
        if entrance not in self._areas:
            yield entrance, coding.HARDWARE_NONE
        elif hardware is not None:
            yield entrance, hardware
        else:
            yield from ((entrance, number) for number in self._hardware)

    def _by_source(self, one: Conversation) -> list[str]:
        """The entrances that a source can belong to; of lines the one in the mark, if any."""
        code = coding.address(one.sent.source)
        inside = [area.name for area in self.plan.areas if has(area.whole, code)]
        if inside:
            return inside
        marked = self._numbers.get(one.mark & labels.LINE_MASK)
        if marked is not None:
            return [marked]
        lines = [line.name for line in self.plan.lines]
        return lines if has(self.plan.internet, code) else [*self._areas, *lines]

    def _code(self, address: Address) -> int:
        """The code of an address: of one that an automatic line has, its symbol."""
        for line in self.plan.lines:
            if line.automatic and address in self.around.lines.get(line.name, ()):
                return coding.unknown(line.number, address.version)
        return coding.address(address)

    # ---- what is known ----

    @cached_property
    def _own(self) -> frozenset[Address]:
        learnt = (one for addresses in self.around.lines.values() for one in addresses)
        areas = (a for area in self.plan.areas for a in (area.gateway4, *self._own6(area.name)))
        lines = (i.ip for line in self.plan.lines for i in line.held)
        return frozenset([*self.around.own, *learnt, *areas, *lines])

    def _own6(self, name: str) -> Iterator[Address]:
        for area in self.plan.areas:
            if area.name == name:
                yield from (subnet.gateway for subnet in area.subnets6)

    @cached_property
    def _areas(self) -> tuple[str, ...]:
        return tuple(area.name for area in self.plan.areas)

    @cached_property
    def _hardware(self) -> tuple[int, ...]:
        known = tuple(dict.fromkeys(h for d in self.plan.devices for h in d.hardware))
        return (*known, stranger(known))

    @cached_property
    def _numbers(self) -> Mapping[int, str]:
        """Lines by the number in a mark, as far as the plan still has them."""
        names = {line.name for line in self.plan.lines}
        numbers = self.around.numbers
        if numbers is None:
            return {line.number: line.name for line in self.plan.lines}
        return {number: name for number, name in numbers.items() if name in names}

    @cached_property
    def _naming(self) -> Naming:
        return Naming(self.plan)

    def _told(self, one: Conversation, service: int | None) -> str:
        naming = self._naming
        source, to = (naming.address_full(self._code(a)) for a in
                      (one.sent.source, one.sent.destination))  # fmt: skip
        what = naming.service_full(service) if service is not None else f"protocol {one.protocol}"
        return f"{source} with {to}, {what}"


def _settled(met: Iterable[tuple[Row, bool]], lasts: Callable[[Row], bool]) -> Row:
    """Of the decisions that fit an open conversation, in order and each with whether its time is
    now: one by which it stands, or else the one that cuts it.

    It stands by the first whose time is now, or by any that lets it finish, unless one that refuses
    in earnest, now, comes before. lasts: whether it stands by a decision that lets.
    """
    against: Row | None = None
    passed = False  # one that lets something else now: what comes later only counts to let finish
    for row, now in met:
        if row.let and (row.finishing is not None or not passed) and lasts(row):
            return row
        if now:
            against = against or row
            passed = passed or row.let
            if not row.let and row.finishing is None:
                break
    if against is None:
        raise ValueError("the last decision of a plan matches whatever exists")
    return against


def _decider(outcome: Outcome | None) -> str:
    if outcome is None:
        return "what comes in by a device that the charter does not know"
    return row_name(outcome.row)
