"""Where the kernel sends a packet: to the host, on by a device, or nowhere (its own refusals).

From ip_input.c, route.c, ip6_input.c and ip6_output.c of the kernel (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cached_property
from typing import Literal, NamedTuple

from netcharter.readback.ground import (
    EVERYBODY4,
    LINK6,
    LINK_LOCAL6,
    LOOPBACK4,
    LOOPBACK6,
    MULTICAST4,
    MULTICAST6,
    NARROW6,
    NOWHERE4,
    NOWHERE6,
    Ground,
)
from netcharter.readback.keys import address
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import DESTINATION, ENTRANCE, EXIT, SERVICE, SOURCE, Condition
from netcharter.readback.sources import FromField, Limits, tested
from netcharter.readback.state import Course, Moved, State, given, narrowed
from netcharter.readback.words import address_text
from netcharter.space.ranges import Ranges, has, intersect, size, subtract, union

Way = Literal["input", "forward", "silent", "unreachable"]
LOCAL_GROUPS4: Ranges = ((0xE0000000, 0xE00000FF),)  # RFC 5771 section 4
EVERY_SERVICE: Ranges = ((0, (256 << 16) - 1),)
IGMP: Ranges = ((2 << 16, (2 << 16) + 0xFFFF),)


class Routed(NamedTuple):
    """Part of a box and what becomes of it; exit: the devices it may leave by."""

    state: State
    way: Way
    why: str = ""


class Parts(NamedTuple):
    """Destinations of a family, parted: dropped by the kernel, delivered to the host, sent on (by
    which devices), sent on at all, and the rest, where no route leads.
    """

    nowhere: Ranges
    here: Ranges
    onward: tuple[tuple[Ranges, Ranges], ...]
    routed: Ranges
    rest: Ranges


class Router:
    """Routing of boxes, by what is known of the host."""

    def __init__(self, ground: Ground, sets: Sets) -> None:
        self.ground = ground
        self.sets = sets
        self._known: dict[tuple[bool, int, int], tuple[int, int]] = {}
        devices = ground.devices
        self.here = sets.of(devices.own)
        loopback = sets.of(((devices.loopback, devices.loopback),))
        self._lo: Ranges = ((devices.loopback, devices.loopback),)
        not_lo = subtract(devices.all, self._lo)
        self.back = ((EXIT, loopback),)  # limits of what comes back to the host, and the rest
        self.beyond = ((EXIT, sets.of(not_lo)),)

    def before_hooks(self, state: State) -> Iterator[Routed]:
        """What is dropped before any chain is asked."""
        if state.course.family == 6:
            drops: list[Limits] = [
                ((SOURCE, union(MULTICAST6, LOOPBACK6)),),
                ((DESTINATION, union(LOOPBACK6, NARROW6)),),
            ]
            yield from self._refused(state, drops, "silent", "such an address is no one's to use")

    def _refused(self, state: State, drops: list[Limits], way: Way, why: str) -> Iterator[Routed]:
        for limits in drops:
            found = self._narrowed(state, limits)
            if found is not None:
                yield Routed(found, way, why)

    def _narrowed(self, state: State, limits: Limits) -> State | None:
        box = narrowed(
            self.sets, state.box, tuple((at, self.sets.of(inside)) for at, inside in limits)
        )
        return None if box is None else State(box, state.held, state.course)

    # --- what arrives ----------------------------------------------------------------------------

    def arrived(self, state: State) -> Iterator[Routed]:
        """Parts in order; all of the box is in one, and none shares a destination but by choice."""
        for routed in self._arrivals(state):
            if routed.way == "forward" and routed.state.course.proxied:
                yield from self._of_a_socket(routed.state)
            else:
                yield routed

    def _of_a_socket(self, state: State) -> Iterator[Routed]:
        """What a socket has is not forwarded (ip_forward.c, ip6_output.c), but rules of routing may
        bring it in."""
        condition = Condition("unread", "rules of routing bring it to the socket that has it")
        held = given(state.held, condition, True)
        if held is not None:
            own = self.ground.devices.own
            box = (*state.box[:EXIT], self.sets.of(own), *state.box[EXIT + 1 :])
            course = replace(state.course, ways=own, undecided=False)
            yield Routed(State(box, held, course), "input")
        yield Routed(state, "silent", "what a socket has is not forwarded")

    def _arrivals(self, state: State) -> Iterator[Routed]:
        family = state.course.family
        if family == 4 and state.course.source is None:
            yield from self._bad_sources(state)
        parts = self._arriving[family]
        for part in self._apart(state, parts):
            if family == 6 and self.ground.known:
                yield from self._near(part)
            yield from self._far(part, parts)

    def _apart(self, state: State, parts: Parts) -> Iterator[State]:
        """Where a translation takes one of several addresses: by where they lead, each part but the
        last under a condition of its own."""
        moved = state.course.destination
        several = moved.values if moved is not None and size(moved.values) > 1 else ()
        ends = [parts.nowhere, parts.here, *(found for found, _ in parts.onward), parts.rest]
        led = [found for end in ends if (found := intersect(several, end))]
        for found in led[:-1]:
            taken = _taken(state, found)
            if taken is not None:
                yield taken
        if led:
            yield State(state.box, state.held, replace(state.course, destination=Moved(led[-1])))
        else:
            yield state

    def _near(self, state: State) -> Iterator[Routed]:
        """What is sought on the device of entrance alone (rt6_need_strict in route.c): link-local
        destinations, where the device's own are known, and the loopback one after a translation.
        """
        near, moved = self.ground.near, state.course.destination is not None
        forwards = 6 in self.ground.host.forwards
        for at in range(1, len(self.ground.devices.names)) if moved else near:
            device = ((at, at),)
            part = self._narrowed(state, ((ENTRANCE, device),))
            if part is None:
                continue
            mine = near.get(at, ())
            yield from self._to(part, mine, "input", self.ground.devices.own)
            linked = subtract(LINK6, mine) if mine else ()
            sought = subtract(LINK_LOCAL6, union(LINK6, mine)) if mine else ()
            sought = union(sought, LOOPBACK6 if moved else ())
            by_it = [found for found, names in self.ground.routes(6) if has(names, at)]
            onward = union(linked, intersect(sought, union(*by_it)))
            if forwards:
                yield from self._onward(part, onward, device)
            else:
                yield from self._to(part, onward, "silent", (), "the host passes nothing on")
            beyond = subtract(sought, onward)
            yield from self._to(part, beyond, "unreachable", (), "no route leads there")

    def _far(self, state: State, parts: Parts) -> Iterator[Routed]:
        family = state.course.family
        yield from self._to(state, parts.nowhere, "silent", (), "no such destination is routed")
        own = self.ground.devices.own
        yield from self._to(state, parts.here, "input", own, "")
        if not self.ground.known:
            either = union(own, self.ground.devices.outside)
            yield from self._to(state, parts.rest, "input", own, "", either)
            yield from self._onward(state, parts.rest, self.ground.devices.outside, either)
            return
        if family not in self.ground.host.forwards:
            yield from self._kept(state, parts)
            return
        if state.course.destination is None:
            yield from self._later(state, parts)
        else:
            for addresses, devices in parts.onward:
                yield from self._onward(state, addresses, devices)
        yield from self._to(state, parts.rest, "unreachable", (), "no route leads there")

    def _kept(self, state: State, parts: Parts) -> Iterator[Routed]:
        """A host that is no router drops what is not its own (ip_error, ip6_forward)."""
        six = state.course.family == 6
        yield from self._to(state, parts.routed, "silent", (), "the host passes nothing on")
        rest: Way = "unreachable" if six else "silent"
        yield from self._to(state, parts.rest, rest, (), "the host passes nothing on")

    def _later(self, state: State, parts: Parts) -> Iterator[Routed]:
        """By which device it goes on is only looked for where it matters."""
        if state.course.family == 6 and state.course.source is None:
            limits = ((SOURCE, union(NOWHERE6, LINK_LOCAL6)),)
            special = self._narrowed(state, limits)
            for addresses, devices in parts.onward if special is not None else ():
                assert special is not None
                yield from self._onward(special, addresses, devices)
        yield from self._undecided(state, parts)

    def _undecided(self, state: State, parts: Parts) -> Iterator[Routed]:
        made = self._destined(state, parts.routed) if parts.routed else None
        if made is not None:
            course = replace(made.course, undecided=True)
            yield Routed(State(made.box, made.held, course), "forward")

    def decided(self, state: State) -> Iterator[State]:
        """The parts of a box by the devices they may leave by, where that was left for later."""
        course = state.course
        parts = (self._sending if course.own else self._arriving)[course.family]
        for place, (_, devices) in enumerate(parts.onward):
            addresses, exits = self._numbers(course, place)
            box = narrowed(self.sets, state.box, ((DESTINATION, addresses),))
            if box is not None:
                now = replace(course, undecided=False, ways=devices)
                yield State((*box[:EXIT], exits, *box[EXIT + 1 :]), state.held, now)

    def _numbers(self, course: Course, place: int) -> tuple[int, int]:
        """Destinations and devices of a way, as numbers of sets."""
        key = (course.own, course.family, place)
        if key not in self._known:
            parts = (self._sending if course.own else self._arriving)[course.family]
            addresses, devices = parts.onward[place]
            self._known[key] = self.sets.of(addresses), self.sets.of(devices)
        return self._known[key]

    @cached_property
    def _arriving(self) -> Mapping[int, Parts]:
        return {family: self._parted(family) for family in (4, 6)}

    def _parted(self, family: int) -> Parts:
        ground = self.ground
        whole = ground.whole(family)
        nowhere = union(NOWHERE4, LOOPBACK4) if family == 4 else ()
        if ground.known:
            here = subtract(ground.delivered(family), nowhere)
        else:
            link = LINK_LOCAL6 if family == 6 else ()
            here = union(ground.multicast(family), ground.broadcast(family), link)
        gone = union(nowhere, here)
        onward = [(subtract(found, gone), devices) for found, devices in ground.routes(family)]
        routed = union(*(found for found, _ in onward))
        rest = subtract(whole, union(gone, routed))
        return Parts(nowhere, here, tuple(one for one in onward if one[0]), routed, rest)

    def _bad_sources(self, state: State) -> Iterator[Routed]:
        """Groups, the host itself, and hosts without address but where they ask for one."""
        why = "no such source may come from outside"
        own = self.ground.local(4) if self.ground.known else LOOPBACK4
        never = union(MULTICAST4, EVERYBODY4, own)
        yield from self._refused(state, [((SOURCE, never),)], "silent", why)
        unnumbered = self._narrowed(state, ((SOURCE, NOWHERE4),))
        if unnumbered is None:
            return
        elsewhere = subtract(self.ground.whole(4), union(EVERYBODY4, MULTICAST4))
        yield from self._to(unnumbered, elsewhere, "silent", (), why)
        others = self._narrowed(unnumbered, ((SERVICE, subtract(EVERY_SERVICE, IGMP)),))
        if others is not None:
            distant = subtract(MULTICAST4, LOCAL_GROUPS4)
            yield from self._to(others, distant, "silent", (), why)

    def _onward(
        self, state: State, addresses: Ranges, devices: Ranges, ways: Ranges = ()
    ) -> Iterator[Routed]:
        for routed in self._to(state, addresses, "forward", devices, "", ways):
            if state.course.destination is not None:
                why = "a frame for many is not forwarded"  # ip_forward.c, ip6_output.c
                many = self._for_many(state.course.family)
                yield from self._refused(routed.state, many, "silent", why)
            if state.course.family == 6 and state.course.source is None:
                yield from self._unforwarded(routed.state)
            yield routed

    def _unforwarded(self, state: State) -> Iterator[Routed]:
        """Sources that only go on by the device they came by (ip6_output.c)."""
        why = "such a source is not forwarded"
        sources: list[tuple[Ranges, Way]] = [(NOWHERE6, "silent"), (LINK_LOCAL6, "unreachable")]
        entrances, exits = self.sets.ranges(state.box[ENTRANCE]), self.sets.ranges(state.box[EXIT])
        back = intersect(entrances, exits)
        pairs = [(subtract(entrances, back), exits), (back, subtract(exits, back))]
        pairs += [(((n, n),), subtract(back, ((n, n),))) for a, b in back for n in range(a, b + 1)]
        for found, way in sources:
            limits: list[Limits] = [
                ((ENTRANCE, entrance), (EXIT, exit), (SOURCE, found))
                for entrance, exit in pairs
                if entrance and exit
            ]
            yield from self._refused(state, limits, way, why)

    def _for_many(self, family: int) -> list[Limits]:
        """What is sent as a broadcast or multicast frame: a network's own broadcasts on it alone."""
        ground = self.ground
        everywhere = union(ground.multicast(family), EVERYBODY4 if family == 4 else ())
        found: list[Limits] = [((DESTINATION, everywhere),)]
        for device in range(1, len(ground.devices.names) if family == 4 else 0):
            own = ground.broadcast_of(device)
            if own:
                found.append(((ENTRANCE, ((device, device),)), (DESTINATION, own)))
        return found

    def _to(
        self,
        state: State,
        addresses: Ranges,
        way: Way,
        devices: Ranges,
        why: str = "",
        ways: Ranges = (),
    ) -> Iterator[Routed]:
        """The part with a destination, as it stands now, among addresses."""
        made = self._destined(state, addresses) if addresses else None
        if made is None:
            return
        if devices:
            exits = self.sets.of(devices)
            box = (*made.box[:EXIT], exits, *made.box[EXIT + 1 :])
            course = replace(made.course, ways=ways or devices)
            made = State(box, made.held, course)
        yield Routed(made, way, why)

    def _destined(self, state: State, addresses: Ranges) -> State | None:
        source = address(state.course, False)
        result = tested(source, addresses)
        if result is True:
            return state
        if result is None:
            moved = state.course.destination
            return _taken(state, intersect(moved.values, addresses)) if moved else None
        if not result:
            return None
        assert isinstance(source, FromField)
        return self._narrowed(state, ((source.field, result),))

    # --- what the host sends -----------------------------------------------------------------------

    def sent(self, state: State) -> Iterator[Routed]:
        """Parts in order, each with the devices it may leave by (`lo`: it comes back)."""
        family, ground = state.course.family, self.ground
        if not ground.known:
            free = subtract(ground.devices.all, ground.devices.own)
            yield from self._to(state, ground.whole(family), "forward", free, "")
            return
        parts = self._sending[family]
        if state.course.destination is None:
            yield from self._undecided(state, parts)
            yield from self._to(state, parts.rest, "unreachable", (), "no route leads there")
            return
        for part in self._apart(state, parts):
            if family == 6:
                yield from self._kept_to_its_device(part)
            else:
                # By way of the device that holds the source, and itself (ip_route_me_harder).
                yield from self._to(part, NOWHERE4, "forward", self._lo)
                yield from self._to(part, EVERYBODY4, "forward", ground.devices.outside)
            for addresses, devices in parts.onward:
                yield from self._to(part, addresses, "forward", devices)
            yield from self._to(part, parts.rest, "unreachable", (), "no route leads there")

    def _kept_to_its_device(self, state: State) -> Iterator[Routed]:
        """What the host's own packet is translated to on a link is sought by the device that it had
        (ip6_route_me_harder)."""
        strict = union(LINK_LOCAL6, MULTICAST6)
        back = self.ground.devices.loopback
        for low, high in self.sets.ranges(state.box[EXIT]):
            for at in range(low, high + 1):
                part = self._narrowed(state, ((EXIT, ((at, at),)),))
                if part is None:
                    continue
                if at == back:
                    yield from self._to(part, strict, "unreachable", (), "no route leads there")
                else:
                    mine = intersect(self.ground.local(6, at), LINK_LOCAL6)
                    linked = self._linked(at)
                    yield from self._to(part, mine, "forward", ((back, back),))
                    yield from self._to(part, subtract(linked, mine), "forward", ((at, at),))
                    beyond = subtract(strict, linked)
                    yield from self._to(part, beyond, "unreachable", (), "no route leads there")

    def _linked(self, device: int) -> Ranges:
        """What is reached by a device alone: its link, groups, and what its routes hold beyond."""
        by_it = [found for found, names in self.ground.routes(6) if has(names, device)]
        beyond = intersect(subtract(LINK_LOCAL6, self.ground.link), union(*by_it))
        return union(self.ground.link, MULTICAST6, beyond)

    @cached_property
    def _sending(self) -> Mapping[int, Parts]:
        return {family: self._parted_of_own(family) for family in (4, 6)}

    def _parted_of_own(self, family: int) -> Parts:
        ground = self.ground
        gone = ground.local(family)
        # To groups by the device that the program, or the source, says.
        link = LINK_LOCAL6 if family == 6 else ()
        spread = subtract(union(ground.multicast(family), link), gone)
        onward: list[tuple[Ranges, Ranges]] = [(gone, self._lo), (spread, ground.devices.outside)]
        known = union(gone, spread)
        onward += [(subtract(found, known), devices) for found, devices in ground.routes(family)]
        known = union(*(found for found, _ in onward))
        edges = subtract(ground.broadcast(family), known)
        onward.append((edges, ground.devices.outside))
        routed = union(known, edges)
        rest = subtract(ground.whole(family), routed)
        return Parts((), (), tuple(one for one in onward if one[0]), routed, rest)


def _taken(state: State, found: Ranges) -> State | None:
    """Where a translation takes one of some addresses, which nobody knows."""
    first, last = address_text(found[0][0]), address_text(found[-1][1])
    condition = Condition("unread", f"translation takes an address from {first} to {last}")
    held = given(state.held, condition, True)
    course = replace(state.course, destination=Moved(found))
    return None if held is None else State(state.box, held, course)
