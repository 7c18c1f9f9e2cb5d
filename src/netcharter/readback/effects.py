"""What an operation does to a state: the parts it falls into, in order, and where each goes on.

The first part that fits counts; what is in none goes on with the next rule.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from netcharter.readback import operations as op
from netcharter.readback.bits import UNKNOWN
from netcharter.readback.keys import services
from netcharter.readback.matching import Alternative, Matcher
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import SERVICE, Condition
from netcharter.readback.state import ALL_BITS, Bits, State, given, narrowed
from netcharter.readback.translation import Translator

Outcome = tuple[State, op.Then]


class Effects:
    """Operations on states."""

    def __init__(self, sets: Sets, matcher: Matcher, translator: Translator) -> None:
        self.sets = sets
        self.matcher = matcher
        self.translator = translator
        self._doers: Mapping[type, Callable[[State, Any], list[Outcome]]] = {
            op.Tests: self._tests,
            op.Verdict: lambda state, verdict: [(state, verdict)],
            op.Count: self._count,
            op.SetMark: self._mark,
            op.Untrack: self._untrack,
            op.Touch: self._touch,
            op.Reject: self._reject,
            op.Translate: self._translate,
            op.Proxy: self._proxy,
            op.Elsewhere: self._elsewhere,
            op.Stranger: lambda state, stranger: self.strange(state, stranger.words),
        }

    def outcomes(self, state: State, operation: op.Operation) -> list[Outcome]:
        """The parts of a state after an operation."""
        return self._doers[type(operation)](state, operation)

    def _tests(self, state: State, tests: op.Tests) -> list[Outcome]:
        found: list[Outcome] = []
        for one in self.matcher.alternatives(state, tests):
            part = State(one.box, one.held, state.course)
            if not one.hit:
                found.append((part, op.NEXT))
            elif tests.vmap is None:
                found.append((part, op.ON))
            else:
                found += self._led(part, one, tests)
        return found

    def _led(self, part: State, one: Alternative, tests: op.Tests) -> list[Outcome]:
        """Where an element of a verdict map leads."""
        verdict = op.verdict_of(one.data)
        if verdict is not None:
            return [(part, verdict)]
        return self.strange(part, f"{tests.key} vmap @{tests.living}")

    def strange(self, state: State, words: str) -> list[Outcome]:
        """Nobody knows: in the end it lets the packet pass, or drops it, or it does nothing."""
        return [
            *self._guessed(state, f"{words}: lets it pass", op.OUT),
            *self._guessed(state, f"{words}: drops it", op.Verdict("drop")),
            *self._guessed(state, f"{words}: does nothing", op.ON),
        ]

    def _guessed(self, state: State, words: str, then: op.Then) -> list[Outcome]:
        held = given(state.held, Condition("unread", words), True)
        return [] if held is None else [(State(state.box, held, state.course), then)]

    def _count(self, state: State, count: op.Count) -> list[Outcome]:
        if count.lookup is None:
            return [(_counted(state, count.name), op.ON)]
        whole = Alternative(state.box, state.held, True)
        mapped = self.matcher.mapped(whole, count.lookup, count.living, count.key, state.course)
        parts = [(State(one.box, one.held, state.course), one.data) for one in mapped]
        return [
            (_counted(part, data) if isinstance(data, str) else part, op.ON) for part, data in parts
        ]

    # --- marks -----------------------------------------------------------------------------------

    def _mark(self, state: State, mark: op.SetMark) -> list[Outcome]:
        """The value is read first: where it does not exist the rule ends."""
        if mark.lookup is None:
            assert mark.value is not None
            found: list[Outcome] = []
            for limits, bits in mark.value.of(state.course):
                numbers = tuple((at, self.sets.of(inside)) for at, inside in limits)
                box = narrowed(self.sets, state.box, numbers)
                if box is not None:
                    part = State(box, state.held, state.course)
                    found.append((self._marked(part, mark, bits), op.ON))
            return found
        whole = Alternative(state.box, state.held, True)
        course = state.course
        return [
            (self._marked(State(one.box, one.held, course), mark, bits_of(one.data)), op.ON)
            for one in self.matcher.mapped(whole, mark.lookup, mark.living, mark.key, course)
        ]

    def _marked(self, state: State, mark: op.SetMark, bits: Bits) -> State:
        if mark.conversation and state.course.track != "new":
            return state  # without a conversation there is nothing to write to
        written = _on(state, mark=bits) if mark.conversation else _on(state, packet_mark=bits)
        if bits[0] & mark.changes == mark.changes & ALL_BITS:
            return written
        # What of it is not known is another thing from here on.
        return _touched(written, "ct mark" if mark.conversation else "meta mark", mark.place)

    # --- the rest --------------------------------------------------------------------------------

    def _untrack(self, state: State, untrack: op.Untrack) -> list[Outcome]:
        if state.course.track in ("none", "invalid"):  # what has an entry keeps it
            return [(_on(state, track="untracked"), op.ON)]
        return [(state, op.ON)]

    def _touch(self, state: State, touch: op.Touch) -> list[Outcome]:
        return [(_touched(state, touch.field, touch.place), op.ON)]

    def _reject(self, state: State, reject: op.Reject) -> list[Outcome]:
        if reject.family not in (None, state.course.family):
            return []
        part = state
        if reject.protocol is not None:
            limit = (SERVICE, self.sets.of(services((reject.protocol,))))
            box = narrowed(self.sets, state.box, (limit,))
            if box is None:
                return []
            part = State(box, state.held, state.course)
        told = self._guessed(part, reject.words, op.Dropped("prohibited")) if reject.words else []
        return [*told, (part, op.Dropped(reject.manner))]

    def _translate(self, state: State, what: op.Translate) -> list[Outcome]:
        gone = op.Dropped("silent", "no address to translate to")
        return [
            (part, op.DONE if lives else gone)
            for part, lives in self.translator.translate(state, what)
        ]

    def _proxy(self, state: State, proxy: op.Proxy) -> list[Outcome]:
        held = given(state.held, Condition("unread", f"{proxy.words}: finds a socket"), True)
        if held is None:
            return []
        return [(State(state.box, held, replace(state.course, proxied=True)), op.ON)]

    def _elsewhere(self, state: State, elsewhere: op.Elsewhere) -> list[Outcome]:
        """A program may change a packet and its marks besides."""
        return [
            *self._guessed(state, f"{elsewhere.words}: accepts it", op.Verdict("accept")),
            *self._guessed(state, f"{elsewhere.words}: lets it pass, changed", op.OUT),
            *self._guessed(state, f"{elsewhere.words}: does nothing", op.NEXT),
            (state, op.Verdict("drop")),
        ]


def _touched(state: State, field: str, place: str) -> State:
    others = {one for one in state.course.touched if one[0] != field}
    while (field, place) in state.course.touched:  # passed once more
        place += " again"
    return _on(state, touched=frozenset({*others, (field, place)}))


def _counted(state: State, name: str) -> State:
    return _on(state, counters=(*state.course.counters, name))


def _on(state: State, **changes: Any) -> State:
    return State(state.box, state.held, replace(state.course, **changes))


def bits_of(data: Any) -> Bits:
    """A mark as a map holds it."""
    if isinstance(data, int) and not isinstance(data, bool):
        return 0xFFFFFFFF, data & 0xFFFFFFFF
    return UNKNOWN
