"""A rule as operations on a state: what `rules` makes of nft's statements and `walk` carries out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

from netcharter.diagnostics import Span
from netcharter.readback.bits import Computed
from netcharter.readback.keys import Term
from netcharter.readback.lookups import Lookup
from netcharter.readback.shapes import Condition, Manner
from netcharter.space.ranges import Ranges


@dataclass(frozen=True, slots=True, eq=False)
class Compare:
    """A field and the values it must have. negated: must not have, but must exist."""

    term: Term
    wanted: Ranges
    unwanted: Ranges  # all other values of its kind
    negated: bool
    words: str  # as if it were not negated
    span: Span


@dataclass(frozen=True, slots=True, eq=False)
class Find:
    """A look-up in elements that stay as they are."""

    lookup: Lookup
    negated: bool


@dataclass(frozen=True, slots=True, eq=False)
class Living:
    """A look-up in a set that changes while the host runs."""

    lookup: Lookup
    name: str
    key: str
    negated: bool


@dataclass(frozen=True, slots=True, eq=False)
class Unread:
    """A look-up or comparison of which nobody knows whether it fits, where what it looks at is
    there."""

    lookup: Lookup
    negated: bool


@dataclass(frozen=True, slots=True)
class Given:
    """Something true or false that no packet settles: a limit, a quota, what is not understood."""

    condition: Condition
    true: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """Negations of neighbouring fields (see `merging`): all of them, or perhaps any of them."""

    tests: tuple[Compare, ...]
    words: str
    span: Span


Test = Compare | Find | Living | Unread | Given | Merged


@dataclass(frozen=True, slots=True, eq=False)
class Tests:
    """Tests in a row, and a verdict map behind them (living: its set's name)."""

    tests: tuple[Test, ...]
    vmap: Lookup | None = None
    living: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """accept, drop, return, jump or goto (target: a chain's name)."""

    kind: str
    target: str = ""


@dataclass(frozen=True, slots=True)
class Count:
    """A named counter, or one that a map names (living: its name)."""

    name: str
    lookup: Lookup | None = None
    living: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class SetMark:
    """Writes the packet's or the conversation's mark. lookup: from a map (living: its name).

    changes: the bits that may be other ones afterwards. place: where it is written.
    """

    conversation: bool
    value: Computed | None
    changes: int
    place: str
    lookup: Lookup | None = None
    living: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Untrack:
    """notrack"""


@dataclass(frozen=True, slots=True)
class Touch:
    """Writes to a field that a first packet alone does not settle. place: where it is written."""

    field: str
    place: str


@dataclass(frozen=True, slots=True)
class Reject:
    """Refuses with an answer; only: the protocol or family it needs. words: where the listing does
    not say with which.
    """

    manner: Manner
    family: int | None = None
    protocol: int | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Translate:
    """dnat, snat, redirect, masquerade. address, port: values, or None for none.

    lookup: a map that gives the address, or (ports_only) the port, or both.
    shuffled: ports are chosen at random.
    """

    kind: str
    family: int | None
    address: Ranges = ()
    port: Ranges = ()
    lookup: Lookup | None = None
    ports_only: bool = False
    living: str = ""
    words: str = ""
    shuffled: bool = False


@dataclass(frozen=True, slots=True)
class Proxy:
    """tproxy: hands the packet to a socket of the host, if there is one."""

    words: str


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What others decide, and may change: a program behind a queue, a proxy for SYN packets."""

    words: str


@dataclass(frozen=True, slots=True)
class Stranger:
    """A statement that is not understood: it may do anything, nothing, or not match."""

    words: str


Operation = (
    Tests
    | Verdict
    | Count
    | SetMark
    | Untrack
    | Touch
    | Reject
    | Translate
    | Proxy
    | Elsewhere
    | Stranger
)


class Go(Enum):
    """Where a state goes on: the next operation, the next rule, beyond all translation, or out of
    the host whatever else stands in the way (as far as anybody knows).
    """

    ON = auto()
    NEXT = auto()
    DONE = auto()
    OUT = auto()


ON, NEXT, DONE, OUT = Go.ON, Go.NEXT, Go.DONE, Go.OUT


@dataclass(frozen=True, slots=True)
class Dropped:
    """The end. kernel: why the kernel itself drops it ("": a rule does)."""

    manner: Manner
    kernel: str = ""


Then = Go | Dropped | Verdict


FLOWING = ("accept", "drop", "return", "continue")


def verdict_of(data: Any) -> Verdict | None:
    """A verdict as a map holds it; None where it is not known."""
    if not isinstance(data, dict) or len(data) != 1:
        return None
    ((kind, said),) = data.items()
    if kind in FLOWING:
        return Verdict(kind)
    if kind in ("jump", "goto") and isinstance(said, dict) and isinstance(said.get("target"), str):
        return Verdict(kind, said["target"])
    return None


def asks_exit(operation: Operation) -> bool:
    """Whether it matters to an operation by which device a packet leaves."""
    if isinstance(operation, Tests):
        lookups = [operation.vmap] if operation.vmap else []
        for test in operation.tests:
            if isinstance(test, Compare) and test.term.exit:
                return True  # merged ones are about headers
            lookups += [test.lookup] if isinstance(test, Find | Living | Unread) else []
        return any(_by_exit(lookup) for lookup in lookups)
    if isinstance(operation, SetMark | Count):
        return operation.lookup is not None and _by_exit(operation.lookup)
    if isinstance(operation, Translate):
        if operation.kind == "masquerade":
            return True
        return operation.lookup is not None and _by_exit(operation.lookup)
    return False


def _by_exit(lookup: Lookup) -> bool:
    return any(term.exit for term in lookup.terms)
