"""A ruleset walked through with boxes of first packets: from a listing to ordered decisions.

What matches a rule is followed to its end first, then the rest goes on over the whole box. So the
leaves come in an order in which the first that fits decides, and nothing need be subtracted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from netcharter.diagnostics import Span
from netcharter.readback import operations as op
from netcharter.readback.devices import devices_of
from netcharter.readback.effects import Effects, Outcome
from netcharter.readback.ground import Ground
from netcharter.readback.keys import Around
from netcharter.readback.leaves import Leaves
from netcharter.readback.listing import Chain, Listing, Name
from netcharter.readback.live import Live, Uses, could_change, could_drop, live_bits
from netcharter.readback.lookups import Reader
from netcharter.readback.matching import Matcher
from netcharter.readback.notes import Notes
from netcharter.readback.program import At, Code, Frames, policy
from netcharter.readback.routing import Routed, Router
from netcharter.readback.rules import Compiler, asked_of, objects_of
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import EXIT, Condition, Decisions, Host, Origin
from netcharter.readback.stages import Program, Programs, Stage, programs, tracked
from netcharter.readback.start import conntracked, starts
from netcharter.readback.state import (
    CONFIRMED,
    DESTINED,
    SOURCED,
    State,
    covers,
    given,
    holds,
    meets,
    narrowed,
    with_status,
)
from netcharter.readback.translation import Translator
from netcharter.space.ranges import subtract, union

STEPS = 1_000_000
"""Operations on states before a walk gives up: some ten seconds."""
MOST_JUMPS = 16  # from a base chain: the kernel's NFT_JUMP_STACK_SIZE
FEW_GONE, MOST_GONE = 8, 64  # states that are remembered as followed, on one path
MAIN = ("input", "forward", "output")  # hooks whose filter chains are meant to decide


@dataclass(slots=True)
class Pending:
    """A state that waits, and what becomes of it first.

    then: what an operation led to; None: it goes on at the place itself. batch: where in the pile the
    rest of its fork lies (-1: there is none). gone: states that were followed to their ends before,
    so that what is in one of them is decided. matched: of a rest, the other parts of its fork;
    joined: whether some of them came to nothing but it.
    """

    state: State
    at: At
    then: op.Then | None
    batch: int
    gone: tuple[State, ...]
    matched: tuple[State, ...] = ()
    joined: bool = False


def decisions(
    listing: Listing, host: Host, *, steps: int = STEPS, shadowed: bool = False
) -> Decisions:
    """Everything a ruleset does with first packets, as an ordered list of leaves.

    steps: operations on states before the walk gives up. shadowed: follow as well what earlier
    leaves have decided already, for questions about the list without some of its leaves.
    """
    return Walker(listing, host, steps, shadowed).walk()


class Walker:
    """One walk. `todo` is a pile: what lies on top is followed first."""

    def __init__(self, listing: Listing, host: Host, steps: int, shadowed: bool = False) -> None:
        self.shadowed = shadowed
        self.listing = listing
        self.left = steps
        self.sets = Sets()
        self.notes = Notes()
        self.devices = devices_of(listing, host)
        ground = Ground(host, self.devices)
        around = Around(self.devices, ground, *_conntrack_set_up(listing))
        self.compiler = Compiler(
            listing,
            around,
            self.notes,
            Reader(self.devices),
            objects_of(listing),
            asked_of(listing),
        )
        self.router = Router(ground, self.sets)
        matcher = Matcher(self.sets, self.notes)
        self.effects = Effects(self.sets, matcher, Translator(ground, self.sets, matcher))
        self.leaves = Leaves(self.sets, self.devices)
        self.codes: dict[tuple[str, str, str], Code | None] = {}
        self.todo: list[Pending] = []
        self.gone: tuple[State, ...] = ()
        self.doubtful = {(t.family, t.name) for t in listing.tables if t.dormant is None}
        self.tracked = tracked(listing)
        self.programs = {
            family: programs(listing, family, self.tracked[family], self.notes) for family in (4, 6)
        }

        known: dict[Name, Uses] = {}
        self.live = {
            id(program): bits
            for held in self.programs.values()
            for program, bits in _live(listing, held, known)
        }
        self.mute: dict[tuple[int, int, int, int], int | None] = {}

    def walk(self) -> Decisions:
        """All of it, or as far as the work allowed leads."""
        complete = True
        for start in starts(self.sets, self.devices):
            if complete:
                self._begin(start)
                complete = self._drain()
        if not complete:
            message = (
                "the ruleset is too intricate to be followed to its end within the work allowed; "
                "what was not reached may do anything"
            )
            self.notes.tell("listing-work-used-up", "warning", message, self._anywhere())
        return Decisions(self.devices.names, tuple(self.leaves.found), complete, self.notes.all())

    def _anywhere(self) -> Span:
        spans = [table.span for table in self.listing.tables]
        return spans[0] if spans else Span(self.listing.name, 1, 1, 1, 2)

    def _begin(self, start: State) -> None:
        self.gone = ()
        programs = self.programs[start.course.family]
        if start.course.own:
            self._route(self.router.sent(start), At(programs.sending, 0))
            return
        for refused in self.router.before_hooks(start):
            self._refused(refused)
        self._push(start, At(programs.arriving, 0))

    def _drain(self) -> bool:
        while self.todo:
            if self.left - self.sets.work // 100 <= 0:
                self.todo.clear()
                return False
            pending = self.todo.pop()
            self._follow(pending)
        return True

    def _push(self, state: State, at: At, then: op.Then | None = None, batch: int = -1) -> None:
        self.todo.append(Pending(state, at, then, batch, self.gone))

    def _follow(self, pending: Pending) -> None:
        """One state until it forks or ends."""
        self.gone = pending.gone
        if pending.matched and not pending.joined:
            self.gone = (*self.gone, *pending.matched)
        if len(self.gone) > FEW_GONE:
            box = pending.state.box
            near = [one for one in self.gone if meets(self.sets, one.box, box)]
            self.gone = tuple(near[-MOST_GONE:])
        place: tuple[State, At] | None = self._then(pending.state, pending.at, pending.then)
        while place is not None:
            self.left -= 1
            if self.left <= 0:
                self._push(*place)
                return
            state, at = place
            place = self._stage(state, at) if at.chain is None else self._step(state, at, at.chain)

    # --- within a chain --------------------------------------------------------------------------

    def _step(self, state: State, at: At, code: Code) -> tuple[State, At] | None:
        if at.rule >= len(code):
            return self._end_of_chain(state, at)
        operations = code.operations(at.rule)
        if at.operation == 0 and operations:
            unheard = self._unheard(at, code)
            if unheard is not None:
                return _blurred(state, unheard), at.next_rule()
        if at.operation >= len(operations):
            return state, at.next_rule()
        if state.course.undecided and (
            code.asks_exit(at.rule, at.operation)
            or (state.course.own and isinstance(operations[at.operation], op.Translate))
        ):
            self._decide(state, at)
            return None
        outcomes = self.effects.outcomes(state, operations[at.operation])
        whole = bool(outcomes) and _is_whole(outcomes[-1][0], state)
        if not whole:
            while outcomes and outcomes[-1][1] is op.NEXT:
                outcomes.pop()
        if not outcomes:
            return state, at.next_rule()
        if len(outcomes) == 1 and whole:
            return self._then(outcomes[0][0], at, outcomes[0][1])
        self._fork(outcomes, None if whole else (state, at.next_rule()), at)
        return None

    def _unheard(self, at: At, code: Code) -> int | None:
        """Whether a rule does nothing but write bits of marks that nobody asks for any more: then
        the bits of the conversation's mark that it may change; None if it does more.
        """
        live = self.live[id(at.program)][at.stage]
        key = (id(code), at.rule, live.packet, live.conversation)
        if key not in self.mute:
            self.mute[key] = _unheard_bits(code.operations(at.rule), live)
        return self.mute[key]

    def _decide(self, state: State, at: At) -> None:
        """It goes on by the devices that routing has for it, part by part."""
        for part in reversed(list(self.router.decided(state))):
            self._push(part, at)

    def _fork(self, outcomes: Sequence[Outcome], rest: tuple[State, At] | None, at: At) -> None:
        batch = -1
        if rest is not None and not self._is_waiting(*rest):
            batch = len(self.todo)
            self._push(*rest)
            self.todo[batch].batch = batch
            self.todo[batch].matched = tuple(state for state, _ in outcomes)
        for state, then in reversed(outcomes):
            if not self._is_decided(state):
                self._push(state, at, then, batch)

    def _is_decided(self, state: State) -> bool:
        """Whether a state that was followed to its end before holds all of this one."""
        return not self.shadowed and any(holds(self.sets, before, state) for before in self.gone)

    def _is_waiting(self, state: State, at: At) -> bool:
        """Whether the rest of the last fork will do all that this state would.

        The states above it came from the same rule, so that a packet in two of them fares alike.
        """
        if not self.todo or self.todo[-1].batch < 0:
            return False
        rest = self.todo[self.todo[-1].batch]
        if rest.at != at or not covers(self.sets, rest.state, state):
            return False
        rest.joined = True
        return True

    def _then(self, state: State, at: At, then: op.Then | None) -> tuple[State, At] | None:
        """What an operation led to."""
        if then is None:
            return state, at
        if then is op.ON:
            return state, at.next_operation()
        if then is op.NEXT:
            return state, at.next_rule()
        if then is op.DONE:
            return state, at.next_stage()
        if then is op.OUT:
            self.leaves.let(state, at.chain.origin(at.rule) if at.chain else self._kernel(""))
            return None
        if isinstance(then, op.Dropped):
            if at.chain is None or then.kernel:
                origin = self._kernel(then.kernel)
            else:
                origin = at.chain.origin(at.rule)
            self._drop(state, then, origin)
            return None
        assert at.chain is not None and isinstance(then, op.Verdict)
        return self._verdict(state, at, then, at.chain)

    def _verdict(
        self, state: State, at: At, verdict: op.Verdict, code: Code
    ) -> tuple[State, At] | None:
        if verdict.kind == "drop":
            self._drop(state, op.Dropped("silent"), code.origin(at.rule))
            return None
        if verdict.kind == "accept":
            return self._accepted(state, at, code.origin(at.rule))
        if verdict.kind == "return":
            return self._end_of_chain(state, at)
        if verdict.kind == "continue":
            return state, at.next_operation()
        target = self._code((code.chain.family, code.chain.table, verdict.target))
        if target is None or target.chain.hook is not None or at.depth >= MOST_JUMPS:
            return self._astray(state, at, verdict, target)
        frames = at.frames
        if verdict.kind == "jump":
            frames = Frames(code, at.rule + 1, at.depth, at.frames)
        return state, At(at.program, at.stage, at.sub, target, 0, 0, at.depth + 1, frames)

    def _astray(
        self, state: State, at: At, verdict: op.Verdict, target: Code | None
    ) -> tuple[State, At] | None:
        """A chain that nobody can jump to, or a loop: who knows what becomes of the packet."""
        assert at.chain is not None
        rule = at.chain.chain.rules[at.rule]
        told = f"{verdict.kind} {verdict.target[:60]}"
        if target is None:
            message = f"{told}: that chain is not listed"
            self.notes.tell("listing-missing", "warning", message, rule.span)
        elif target.chain.hook is not None:
            message = f"{told}: that is a base chain, which the kernel lets nobody jump to"
            self.notes.tell("listing-loop", "warning", message, rule.span)
        else:
            message = f"{told}: jumps lead deeper than {MOST_JUMPS} chains, or in a circle"
            self.notes.tell("listing-loop", "warning", message, rule.span)
        self._fork(self.effects.strange(state, told), (state, at.next_rule()), at)
        return None

    def _code(self, name: tuple[str, str, str]) -> Code | None:
        if name not in self.codes:
            chain = self.listing.chains.get(name)
            self.codes[name] = None if chain is None else Code(chain, self.compiler)
        return self.codes[name]

    def _end_of_chain(self, state: State, at: At) -> tuple[State, At] | None:
        if at.frames is not None:
            frame = at.frames
            back = At(
                at.program, at.stage, at.sub, frame.chain, frame.rule, 0, frame.depth, frame.below
            )
            return None if self._is_waiting(state, back) else (state, back)
        chain = at.program[at.stage].chains[at.sub]
        if chain.policy == "drop":
            self._drop(state, op.Dropped("silent"), policy(chain))
            return None
        return self._accepted(state, at, policy(chain))

    # --- between chains --------------------------------------------------------------------------

    def _accepted(self, state: State, at: At, origin: Origin) -> tuple[State, At] | None:
        """Accepted by a base chain, the packet goes on to the next."""
        stage = at.program[at.stage]
        if stage.what == "translate":
            onward = At(at.program, at.stage, at.sub + 1)
        else:
            main = 2 if stage.hook in MAIN else 0
            rank = main + (origin.number is not None)
            before = state.course.decider
            least = 0 if before is None else before[0] + state.course.looped
            if rank >= least:
                course = replace(state.course, decider=(rank, origin))
                state = State(state.box, state.held, course)
            onward = at.next_stage()
        return None if self._is_waiting(state, onward) else (state, onward)

    def _drop(self, state: State, dropped: op.Dropped, origin: Origin) -> None:
        self.leaves.refused(state, dropped.manner, origin)

    def _stage(self, state: State, at: At) -> tuple[State, At] | None:
        stage = at.program[at.stage]
        if state.course.hook != stage.hook:
            state = State(state.box, state.held, replace(state.course, hook=stage.hook))
        if stage.what == "chain":
            return self._enter(state, at, stage.chains[0], at.next_stage())
        if stage.what == "translate":
            return self._translate(state, at, stage)
        if stage.what == "conntrack":
            return self._conntrack(state, at)
        if stage.what == "foreign":
            return self._foreign(state, at, stage)
        if stage.what in ("route", "reroute"):
            return self._routed(state, at)
        return self._ended(state, at, stage)

    def _enter(self, state: State, at: At, chain: Chain, beyond: At) -> tuple[State, At] | None:
        """Into a base chain, or past it if its table may be dormant."""
        inside = at._replace(chain=self._code((chain.family, chain.table, chain.name)))
        if (chain.family, chain.table) not in self.doubtful:
            return state, inside
        words = f"table {chain.family} {chain.table} is dormant"
        held = given(state.held, Condition("unread", words), True)
        if held is not None:
            self._push(state, inside)
            return State(state.box, held, state.course), beyond
        return state, inside

    def _conntrack(self, state: State, at: At) -> tuple[State, At] | None:
        if state.course.track != "none":
            return state, at.next_stage()
        if self.tracked[state.course.family] is None:
            words = f"conntrack looks at IPv{state.course.family}"
            held = given(state.held, Condition("unread", words), True)
            self._push(state, at.next_stage())
            if held is None:
                return None
            state = State(state.box, held, state.course)
        parts = list(conntracked(self.sets, state))
        for part in reversed(parts):
            self._push(part, at.next_stage())
        return None

    def _translate(self, state: State, at: At, stage: Stage) -> tuple[State, At] | None:
        """Nat chains see what begins a conversation and was not settled yet."""
        course = state.course
        sources = stage.hook in ("input", "postrouting")
        settled = course.sourced if sources else course.destined
        if course.track != "new" or settled:
            return state, at.next_stage()
        if at.sub < len(stage.chains):
            beyond = At(at.program, at.stage, at.sub + 1)
            return self._enter(state, at, stage.chains[at.sub], beyond)
        if sources:
            status = with_status(course.status, SOURCED)
            done = replace(course, sourced=True, status=status)
        else:
            status = with_status(course.status, DESTINED)
            done = replace(course, destined=True, status=status)
        return State(state.box, state.held, done), at.next_stage()

    def _foreign(self, state: State, at: At, stage: Stage) -> tuple[State, At] | None:
        """A chain of the link layer, or of a hook or type that is not known here: if it can drop,
        whether it does is open, and if it can do more, so is what becomes of the packet."""
        chain = stage.chains[0]
        if not could_drop(self.listing, chain):
            return state, at.next_stage()
        words = f"{chain.family} {chain.table} {chain.name} drops it"
        where = f"({chain.family}, {chain.type}, {chain.hook})"
        if chain.family in ("netdev", "bridge") or chain.hook in ("ingress", "egress"):
            code, what = "listing-link-layer", f"stands at the link layer {where}"
        else:
            code, what = (
                "listing-not-understood",
                f"has a hook or type that is not known here {where}",
            )
        message = (
            f"the chain {chain.name[:60]} {what}, which is not followed; it could drop packets"
        )
        self.notes.tell(code, "warning", message, chain.span)
        held = given(state.held, Condition("unread", words), True)
        if held is not None:
            dropped = State(state.box, held, state.course)
            self._drop(dropped, op.Dropped("silent"), policy(chain))
        if could_change(self.listing, chain):
            words = f"{chain.family} {chain.table} {chain.name} has it pass, changed"
            held = given(state.held, Condition("unread", words), True)
            if held is not None:
                self.leaves.let(State(state.box, held, state.course), policy(chain))
        return state, at.next_stage()

    # --- the way ---------------------------------------------------------------------------------

    def _routed(self, state: State, at: At) -> tuple[State, At] | None:
        if not state.course.own:
            self._route(self.router.arrived(state))
            return None
        if state.course.destination is None:
            return state, at.next_stage()
        rerouted = replace(state.course, undecided=False)
        state = State(state.box, state.held, rerouted)
        self._route(self.router.sent(state), at.next_stage())
        return None

    def _route(self, routed: Iterator[Routed], at: At | None = None) -> None:
        """Where each part goes on: at a place, or where its way leads. Refusals stand after what went
        before them in order, so they wait their turn like the rest.
        """
        for one in reversed(list(routed)):
            self._push(one.state, at or self._onward(one), _turn(one))

    def _onward(self, one: Routed) -> At:
        programs = self.programs[one.state.course.family]
        return At(programs.input if one.way == "input" else programs.forward, 0)

    def _refused(self, one: Routed) -> None:
        self.leaves.refused(one.state, "silent", self._kernel(one.why))

    def _kernel(self, why: str) -> Origin:
        return Origin("", "", "", None, f"the kernel itself: {why}", "", self._anywhere())

    def _ended(self, state: State, at: At, stage: Stage) -> tuple[State, At] | None:
        if state.course.undecided:
            self._decide(state, at)
            return None
        if stage.what == "leave" and state.course.own:
            back = narrowed(self.sets, state.box, self.router.back)
            if back is not None:
                programs = self.programs[state.course.family]
                status = with_status(state.course.status, CONFIRMED)
                loopback = self.devices.loopback
                others = subtract(state.course.ways, ((loopback, loopback),))
                ways = union(self.devices.own, others)  # it may as well leave by these
                course = replace(state.course, looped=True, ways=ways, status=status)
                beyond = narrowed(self.sets, state.box, self.router.beyond)
                if beyond is not None:
                    self._push(State(beyond, state.held, state.course), at)
                here = (*back[:EXIT], self.router.here, *back[EXIT + 1 :])
                return State(here, state.held, course), At(programs.looped, 0)
        decider = state.course.decider
        origin = decider[1] if decider else self._kernel("no chain stands in the way")
        self.leaves.let(state, origin)
        return None


def _is_whole(part: State, state: State) -> bool:
    return part.box == state.box and part.held == state.held


def _turn(one: Routed) -> op.Then | None:
    if one.way in ("input", "forward"):
        return None
    return op.Dropped("unreachable" if one.way == "unreachable" else "silent", one.why)


def _conntrack_set_up(listing: Listing) -> tuple[bool, bool]:
    """Whether any rule sets a conntrack zone, or a helper."""
    zoned = helped = False
    for chain in listing.chains.values():
        for rule in chain.rules:
            for statement in rule.expr:
                helped = helped or "ct helper" in statement
                said = statement.get("mangle")
                key = said.get("key") if isinstance(said, dict) else None
                ct = key.get("ct") if isinstance(key, dict) else None
                zoned = zoned or (isinstance(ct, dict) and ct.get("key") == "zone")
    return zoned, helped


def _live(
    listing: Listing, programs: Programs, known: dict[Name, Uses]
) -> Iterator[tuple[Program, tuple[Live, ...]]]:
    """The bits of marks that are asked, by stage of each program."""
    onward = live_bits(listing, programs.forward, Live(), known)
    inward = live_bits(listing, programs.input, Live(), known)
    back = live_bits(listing, programs.looped, Live(), known)
    routed = Live(
        onward[0].packet | inward[0].packet, onward[0].conversation | inward[0].conversation
    )
    yield programs.forward, onward
    yield programs.input, inward
    yield programs.looped, back
    yield programs.arriving, live_bits(listing, programs.arriving, routed, known)
    yield programs.sending, live_bits(listing, programs.sending, back[0], known)


def _unheard_bits(operations: Sequence[op.Operation], live: Live) -> int | None:
    changed, narrowed = 0, False
    for operation in operations:
        if isinstance(operation, op.SetMark):
            asked = live.conversation if operation.conversation else live.packet
            if operation.changes & asked:
                return None
            changed |= operation.changes if operation.conversation else 0
            narrowed = narrowed or operation.lookup is not None
        elif isinstance(operation, op.Tests) and operation.vmap is None:
            narrowed = True
        else:
            return None
    return changed if narrowed or not changed else None


def _blurred(state: State, bits: int) -> State:
    """The bits of the conversation's mark are no longer known."""
    if not bits or state.course.track != "new":
        return state
    known, value = state.course.mark
    course = replace(state.course, mark=(known & ~bits, value & ~bits))
    return State(state.box, state.held, course)
