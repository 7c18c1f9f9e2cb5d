"""Address translation of the first packet: dnat, redirect, snat, masquerade.

A translation to what the packet already has leaves no mark in its status (nf_nat_core.c, from
memory). Which of several addresses or ports is taken, nobody knows before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

from netcharter.readback import operations as op
from netcharter.readback.ground import (
    LINK_GROUPS6,
    LINK_LOCAL6,
    LOOPBACK4,
    LOOPBACK6,
    Ground,
    prefix6,
)
from netcharter.readback.keys import DCCP, ICMP, ICMP6, PORTED, TRACKED, address, services
from netcharter.readback.matching import Alternative, Matcher
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    SERVICE,
    SOME_OWN,
    SOURCE,
    Condition,
)
from netcharter.readback.sources import tested
from netcharter.readback.state import (
    DESTINED,
    DNAT,
    SNAT,
    SOURCED,
    Box,
    Course,
    Held,
    Moved,
    State,
    given,
    narrowed,
    with_status,
)
from netcharter.readback.values import ANY4, ANY6, NotUnderstood, values
from netcharter.space.ranges import Ranges, full, intersect, ranges, size, subtract, union


def _scope(number: int) -> Ranges:
    """Multicast addresses of a scope (RFC 4291 section 2.7)."""
    return ranges(*(prefix6(0xFF00 | flags << 4 | number, 16) for flags in range(16)))


SITE_LOCAL6: Ranges = (prefix6(0xFEC0, 10),)  # RFC 4291 section 2.5.7, deprecated
_NEAR, _SITE = union(LINK_LOCAL6, LINK_GROUPS6), union(SITE_LOCAL6, _scope(5))
# Destinations, and the addresses of the host among which redirect then chooses
# (nf_nat_redirect.c, from memory).
SCOPES: tuple[tuple[Ranges, Ranges], ...] = (
    (_NEAR, LINK_LOCAL6),
    (_SITE, SITE_LOCAL6),
    (subtract(ANY6, union(_NEAR, _SITE)), subtract(ANY6, LINK_LOCAL6)),
)
ANY_PORT: Ranges = ((0, 0xFFFF),)
MOST_CHOICES = 16  # addresses or ports that are followed one by one

Target = tuple[Box, Held, Moved | None, Ranges]  # where to, and the ports (none: as they are)


class Translator:
    """Translations on states. A state that is dropped instead comes with None as its course."""

    def __init__(self, ground: Ground, sets: Sets, matcher: Matcher) -> None:
        self.ground = ground
        self.sets = sets
        self.matcher = matcher

    def translate(self, state: State, what: op.Translate) -> Iterator[tuple[State, bool]]:
        """Parts of the box after translation, and whether they live on (no address to take: not).
        What is in none is not matched.
        """
        if what.family is not None and what.family != state.course.family:
            return
        if what.kind in ("masquerade", "redirect"):
            targets = self._with_ports(state, what)
        else:
            targets = self._targets(state, what)
        for box, held, moved, ports in targets:
            if moved is not None and not moved.values and not moved.by:
                yield State(box, held, state.course), False
            elif what.kind in ("dnat", "redirect"):
                yield from self._destined(State(box, held, state.course), moved, ports)
            else:
                taken = ANY_PORT if what.shuffled and not ports else ports
                yield from self._sourced(State(box, held, state.course), moved, taken)

    def _targets(self, state: State, what: op.Translate) -> Iterator[Target]:
        whole = Alternative(state.box, state.held, True)
        if what.lookup is None:
            moved = Moved(what.address) if what.address else None
            yield from self._chosen(state.box, state.held, moved, what.port, what.words)
            return
        for found in self.matcher.mapped(whole, what.lookup, what.living, "", state.course):
            for box, moved, ports in self._mapped(found, what, state.course):
                yield from self._chosen(box, found.held, moved, ports, what.words)

    def _mapped(
        self, found: Alternative, what: op.Translate, course: Course
    ) -> Iterator[tuple[Box, Moved | None, Ranges]]:
        kind, devices = "ip" if course.family == 4 else "ip6", self.ground.devices
        data = found.data
        try:
            if what.ports_only:
                yield (
                    found.box,
                    Moved(what.address) if what.address else None,
                    values(data, "port", devices),
                )
            elif isinstance(data, dict) and "concat" in data:
                address, port = data["concat"]
                yield (
                    found.box,
                    Moved(values(address, kind, devices)),
                    values(port, "port", devices),
                )
            elif isinstance(data, dict) and "prefix" in data:
                yield from self._netmapped(found, values(data, kind, devices), what, course)
            else:
                yield found.box, Moved(values(data, kind, devices)), what.port
        except (NotUnderstood, ValueError, TypeError):
            yield found.box, Moved(self.ground.whole(course.family)), ()

    def _netmapped(
        self, found: Alternative, network: Ranges, what: op.Translate, course: Course
    ) -> Iterator[tuple[Box, Moved | None, Ranges]]:
        """All but the host bits are exchanged: each block of that size moves as a whole."""
        field = DESTINATION if what.kind == "dnat" else SOURCE
        moved_before = course.destination if what.kind == "dnat" else course.source
        low, high = network[0]
        block = high - low + 1
        here = self.sets.ranges(found.box[field])
        spans = [range((a - low) // block, (b - low) // block + 1) for a, b in here]
        if sum(map(len, spans)) > MOST_CHOICES or moved_before is not None:
            yield found.box, Moved(network), ()
            return
        for at in sorted({at for span in spans for at in span}):
            start = low + at * block
            limit = self.sets.of(((max(start, 0), start + block - 1),))
            box = narrowed(self.sets, found.box, ((field, limit),))
            if box is not None:
                yield box, None if at == 0 else Moved((), low - start), ()

    def _chosen(
        self, box: Box, held: Held, moved: Moved | None, ports: Ranges, words: str
    ) -> Iterator[Target]:
        """One after the other, while they are few."""
        several = moved.values if moved is not None and size(moved.values) > 1 else ()
        if several and size(several) <= MOST_CHOICES:
            every = [v for low, high in several for v in range(low, high + 1)]
            for at, value in enumerate(every):
                now: Held | None = held
                if at < len(every) - 1:
                    condition = Condition("unread", f"{words}: choice {at + 1} is taken")
                    now = given(held, condition, True)
                if now is not None:
                    yield box, now, Moved(((value, value),)), ports
            return
        yield box, held, moved, ports

    def _with_ports(self, state: State, what: op.Translate) -> Iterator[Target]:
        """Where the port comes from a map, part by part."""
        if what.lookup is None:
            yield from self._own_targets(state, what)
            return
        whole = Alternative(state.box, state.held, True)
        for found in self.matcher.mapped(whole, what.lookup, what.living, "", state.course):
            for box, _, ports in self._mapped(found, what, state.course):
                part = State(box, found.held, state.course)
                yield from self._own_targets(part, replace(what, port=ports, lookup=None))

    def _own_targets(self, state: State, what: op.Translate) -> Iterator[Target]:
        """Addresses of the host: of the device of entrance, or of exit."""
        family = state.course.family
        if what.kind == "redirect" and state.course.own:
            lo = LOOPBACK4[0][0] + 1 if family == 4 else LOOPBACK6[0][0]
            yield state.box, state.held, Moved(((lo, lo),)), what.port
            return
        if not self.ground.known:
            some = SOME_OWN + (family == 6)
            yield state.box, state.held, Moved(((some, some),)), what.port
            return
        if what.kind == "redirect":
            yield from self._redirected(state, what)
            return
        for part, near in self._by_scope(state):
            yield from self._hidden(replace(state, box=part), what, near)

    def _by_scope(self, state: State) -> Iterator[tuple[Box, bool]]:
        """The parts of a box by whether they go to their link alone, as they stand now."""
        near = tested(address(state.course, False), _NEAR) if state.course.family == 6 else False
        if not isinstance(near, tuple):
            yield state.box, near is True
            return
        here = self.sets.of(near)
        rest = self.sets.minus(state.box[DESTINATION], here)
        for limit, told in ((here, True), (rest, False)):
            box = narrowed(self.sets, state.box, ((DESTINATION, limit),))
            if box is not None:
                yield box, told

    def _hidden(self, state: State, what: op.Translate, near: bool) -> Iterator[Target]:
        """Behind an address of the device of exit: a link-local one for what goes to its link alone
        (RFC 6724 section 5, rule 2).
        """
        family = state.course.family
        silent = union(LINK_LOCAL6, LOOPBACK6) if family == 6 else LOOPBACK4
        spoken = LINK_LOCAL6 if near else subtract(self.ground.whole(family), silent)
        for addresses, device in self._by_address(family, partial(intersect, spoken)):
            box = narrowed(self.sets, state.box, ((EXIT, device),))
            if box is not None:
                # A device without address borrows one of another's (inet_select_addr); that it has
                # a link-local one need not be said.
                own = addresses or (() if near else intersect(self.ground.local(family), spoken))
                if not own and family == 6:
                    own = ((SOME_OWN + 1, SOME_OWN + 1),)
                yield box, state.held, Moved(own), what.port

    def _redirected(self, state: State, what: op.Translate) -> Iterator[Target]:
        """To an address of the device of entrance; in IPv6 of the scope of the one sent to."""
        family = state.course.family
        for scope, fitting in SCOPES if family == 6 else ((ANY4, ANY4),):
            part = narrowed(self.sets, state.box, ((DESTINATION, self.sets.of(scope)),))
            if part is None:
                continue
            for addresses, device in self._by_address(family, partial(intersect, fitting)):
                box = narrowed(self.sets, part, ((ENTRANCE, device),))
                if box is None:
                    continue
                if not addresses and fitting == LINK_LOCAL6:
                    addresses = (
                        (SOME_OWN + 1, SOME_OWN + 1),
                    )  # it has one, which need not be said
                yield from self._chosen(box, state.held, Moved(addresses), what.port, what.words)

    def _by_address(
        self, family: int, some: Callable[[Ranges], Ranges]
    ) -> Iterator[tuple[Ranges, int]]:
        """The devices by which of their addresses count; devices as the number of a set."""
        groups: dict[Ranges, list[int]] = {}
        for at in range(1, len(self.ground.devices.names)):
            groups.setdefault(some(self.ground.local(family, at)), []).append(at)
        for addresses, numbers in groups.items():
            yield addresses, self.sets.of(ranges(*((n, n) for n in numbers)))

    # --- the state after it ------------------------------------------------------------------------

    def _destined(
        self, state: State, moved: Moved | None, ports: Ranges
    ) -> Iterator[tuple[State, bool]]:
        status = with_status(state.course.status, DESTINED)
        course = replace(state.course, destined=True, status=status)
        parts: list[tuple[Box | None, Ranges]] = [(state.box, ())]
        if ports:
            numbered = self.sets.of(services((*PORTED, ICMP, ICMP6)))
            rest = self.sets.minus(state.box[SERVICE], numbered)
            kinds = (self.sets.of(services(TRACKED)), self.sets.of(services((DCCP,))), rest)
            boxes = (narrowed(self.sets, state.box, ((SERVICE, kind),)) for kind in kinds)
            # DCCP's port is translated where the kernel tracks it, and stays where it does not.
            parts = list(zip(boxes, (ports, full(1 << 16), ()), strict=True))
            parts = [*self._as_sent(state, ports), *parts]
            yield from self._renumbered(state, moved, course)
        done = replace(course, status=with_status(course.status, DNAT))
        for box, now in parts:
            if box is None:
                continue
            same = self._unchanged(State(box, state.held, course), moved, now)
            if same is not None:
                yield State(same, state.held, course), True
            if same != box:
                moved_to = moved if moved is not None else course.destination
                port = now if now else course.port
                changed = replace(done, destination=moved_to, port=port)
                yield State(box, state.held, changed), True

    def _renumbered(
        self, state: State, moved: Moved | None, course: Course
    ) -> Iterator[tuple[State, bool]]:
        """Of ICMP the identifier is what a port is to others: it becomes one of the ports, unless it
        is one already, which nobody knows (nf_nat_l4proto_unique_tuple).
        """
        asking = self.sets.of(services((ICMP, ICMP6)))
        box = narrowed(self.sets, state.box, ((SERVICE, asking),))
        if box is None:
            return
        known, value = with_status(course.status, DNAT)
        same = self._unchanged(State(box, state.held, course), moved, ())
        if same is not None:
            unsure = replace(course, status=(known & ~DNAT, value & ~DNAT))
            yield State(same, state.held, unsure), True
        if same != box:
            moved_to = moved if moved is not None else course.destination
            changed = replace(course, status=(known, value), destination=moved_to)
            yield State(box, state.held, changed), True

    def _as_sent(self, state: State, ports: Ranges) -> Iterator[tuple[Box | None, Ranges]]:
        """A port that is among those to choose from stays (nf_nat_core.c; as far as it is free)."""
        if size(ports) > 1 and state.course.port is None:
            inside = (((p << 16) + low, (p << 16) + high) for p in TRACKED for low, high in ports)
            yield narrowed(self.sets, state.box, ((SERVICE, self.sets.of(ranges(*inside))),)), ()

    def _unchanged(self, state: State, moved: Moved | None, ports: Ranges) -> Box | None:
        """The part that is already what it would be translated to."""
        limits: list[tuple[int, int]] = []
        course = state.course
        if moved is not None:
            if course.destination is not None or moved.by or size(moved.values) != 1:
                return None
            limits.append((DESTINATION, self.sets.of(moved.values)))
        if ports:
            if course.port is not None or size(ports) != 1:
                return None
            port = ports[0][0]
            limits.append(
                (SERVICE, self.sets.of(ranges(*(((p << 16) + port,) * 2 for p in TRACKED))))
            )
        return narrowed(self.sets, state.box, tuple(limits))

    def _sourced(
        self, state: State, moved: Moved | None, ports: Ranges
    ) -> Iterator[tuple[State, bool]]:
        """What has such a source already is not changed, or perhaps, where there are several, or
        where its port is chosen anew.
        """
        status = with_status(state.course.status, SOURCED)
        course = replace(state.course, sourced=True, status=status)
        if moved is not None:
            course = replace(course, source=moved, hidden=True)
        if ports:
            course = replace(course, source_port=ports)
        known, value = with_status(status, SNAT)
        perhaps = (known & ~SNAT, value & ~SNAT)
        if moved is None:
            yield State(state.box, state.held, replace(course, status=perhaps)), True
            return
        if moved.values and state.course.source is None:
            limit = (SOURCE, self.sets.of(moved.values))
            same = narrowed(self.sets, state.box, (limit,))
            if same is not None:
                bits = status if size(moved.values) == 1 and not ports else perhaps
                yield State(same, state.held, replace(course, status=bits)), True
            if same == state.box:
                return
        yield State(state.box, state.held, replace(course, status=(known, value))), True
