"""The names of everything the kit puts into a kernel, and the layout of the connection mark.

Decided once, here, so that the rooms that render, account and read back agree without knowing
each other. `docs/explanation/kit.md` tells the same in sentences.

Label grammar
    Every name starts with ``nc_`` and is made of ``a-z 0-9 _ - .``, 80 characters at most.
    The last part comes from a name of the charter by `slug`.

    =============================  ============================================================
    ``nc_row_S``                   the chain and the counter of the decision labelled S
    ``nc_dnat_S``                  the chain that delivers what an offer lets
    ``nc_in_S nc_fwd_S nc_out_S``  what entrance S may do: to the gateway, through it, from it
    ``nc_WORDf_S``                 the same for family f (4, 6) and the part WORD of `PARTS`
    ``nc_nat_S``                   the translation of what enters at S
    ``nc_nat_L.S``                 of that, what is sent to the address of line L
    ``nc_enter_S nc_exit_S``       write line S into the connection mark
    ``nc_exitsf_S``                which exit decides what enters at S, for family f
    ``nc_by_S``                    writes exit S into the packet's mark
    ``nc_stay4_S``                 set: who stays on line S for now (`together`)
    ``nc_gone4 nc_gone6``          sets: the numbers of lines that new conversations are kept from
    ``nc_who4_S nc_who6_S``        sets: where one of some people is signed in just now
    ``nc_signed4 nc_signed6``      sets: where anybody at all is signed in just now
    ``nc_class4 nc_class6``        maps: the identity class of whoever is signed in there
    ``nc_open_S``                  set: the condition in time S is fulfilled (for what is let)
    ``nc_rest_S``                  set: the condition S is *not* fulfilled (for what is refused)
    ``nc_line4_S``                 set: the address of an automatic line S, as known just now
    ``nc_newf_S``                  set: who began conversations with offer S lately (family f)
    ``nc_oncef_S``                 set: who has any with it that are open
    ``nc_over_S``                  counter: what was refused since its source had too many
    ``nc_own4 nc_own6``            sets: the gateway's own known addresses
    ``nc_self4 nc_self6``          sets: those, and the loopback addresses
    ``nc_many4 nc_many6``          sets: the destinations of many, decided in the input hook
    ``nc_kept4 nc_kept6``          sets: the destinations that are never forwarded
    ``nc_net4 nc_net6``            sets: the internet
    ``nc_addr4_D nc_addr6_D``      sets of a decision with many addresses; D: from its contents
    ``nc_hardware_D``              the same for hardware addresses
    ``nc_hostile4 nc_hostile6``    sets: the addresses that lists name as hostile
    ``nc_list4_S nc_list6_S``      sets: the addresses of place S, which is made of a list
    ``nc_led4_S nc_led6_S``        sets: where the names of place S led lately
    ``nc_asked4_S nc_asked6_S``    sets: the same since the steward looked last; nothing is decided
                                   by them
    ``nc_refuse nc_stray ...``     chains and counters that belong to no decision
    =============================  ============================================================

Connection mark (`pack`, `unpack`), 32 bits from the lowest:

    ======  =====  ==============================================================================
    bits    width  meaning
    ======  =====  ==============================================================================
    0-3     4      line: the number of the line by which the conversation came or left; 0: none
    4-11    8      identity class of the one who started it (`identity_class`)
    12-27   16     row: one more than the index of the decision that let it; 0: none
    28      1      its exit says `together`
    29-31   3      spare, kept as found
    ======  =====  ==============================================================================

The mark of a packet has the line in the same place, and in bits 4 to 11 the number of an exit while
it has no line yet.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from netcharter.plan.coding import GUEST, NOBODY
from netcharter.plan.shapes import ALWAYS, Row, When

LINE_BITS, IDENTITY_BITS, ROW_BITS = 4, 8, 16
IDENTITY_SHIFT, ROW_SHIFT = LINE_BITS, LINE_BITS + IDENTITY_BITS
LINE_MASK = (1 << LINE_BITS) - 1
IDENTITY_MASK = ((1 << IDENTITY_BITS) - 1) << IDENTITY_SHIFT
ROW_MASK = ((1 << ROW_BITS) - 1) << ROW_SHIFT
TOGETHER = 1 << ROW_SHIFT + ROW_BITS
EXIT_SHIFT, EXIT_MASK = IDENTITY_SHIFT, IDENTITY_MASK  # in the mark of a packet

INVALID = "nc_invalid"  # chain and counter of what fits no conversation
STRAY = "nc_stray"  # chain and counter of what no decision holds, which must be nothing

CLASS_NOBODY, CLASS_GUEST, CLASS_FIRST, CLASS_OTHERS = 0, 1, 2, 255

# The parts of an entrance's decisions: the hook; which destinations ("many": multicast and
# broadcast; "net": the internet; "new": the gateway's own address that nobody knew beforehand);
# which sources ("own": such an address of the gateway; "else": what is not the gateway's).
PARTS = tuple(
    hook + part + source
    for hook, parts, sources in (
        ("in", ("", "many", "new"), ("", "own")),
        ("fwd", ("", "net"), ("", "own")),
        ("out", ("", "net", "new"), ("", "own", "else")),
    )
    for part in parts
    for source in sources
)

_LONGEST = 36
_DIGEST = 10
_FAITHFUL = re.compile(r"(?!.* [0-9a-f]{10}\Z)[a-z0-9]+(?:[ -][a-z0-9]+)*\Z")
_FOREIGN = re.compile(r"[^a-z0-9]+")


def slug(name: str) -> str:
    """An ASCII name made of ``a-z 0-9 _ -`` for any text, at most 47 characters long.

    It depends on the text alone, so it is stable from charter to charter. A name of lower-case
    words keeps its letters (a space becomes ``_``); every other one ends in ten digits of its
    SHA-256, so different texts get different names.
    """
    if len(name) <= _LONGEST and _FAITHFUL.match(name):
        return name.replace(" ", "_")
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    readable = _FOREIGN.sub("_", plain.lower()).strip("_")[:_LONGEST].strip("_")
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:_DIGEST]
    return f"{readable}_{digest}" if readable else f"x_{digest}"


def row_name(label: str) -> str:
    """The chain and the counter of a decision."""
    return f"nc_row_{slug(label)}"


def delivery_chain(label: str) -> str:
    """The chain that translates what an offer lets."""
    return f"nc_dnat_{slug(label)}"


def entrance_chain(hook: str, entrance: str) -> str:
    """The chain of an entrance in a hook: ``in``, ``fwd``, ``out`` or ``nat``."""
    return f"nc_{hook}_{slug(entrance)}"


def part_chain(part: str, family: int, entrance: str) -> str:
    """The chain of one part (of `PARTS`) of an entrance's decisions, for family 4 or 6."""
    if part not in PARTS:
        raise ValueError(f"no such part of an entrance's decisions: {part}")
    return f"nc_{part}{family}_{slug(entrance)}"


def nat_chain(entrance: str, line: str) -> str:
    """The chain for what enters at `entrance` and is sent to the address of `line`."""
    return f"nc_nat_{slug(line)}.{slug(entrance)}"


def enter_chain(line: str) -> str:
    return f"nc_enter_{slug(line)}"


def exit_chain(line: str) -> str:
    return f"nc_exit_{slug(line)}"


def exits_chain(entrance: str, family: int) -> str:
    """The chain that finds the exit of what enters at `entrance`."""
    return f"nc_exits{family}_{slug(entrance)}"


def by_chain(exit_name: str) -> str:
    """The chain of an exit."""
    return f"nc_by_{slug(exit_name)}"


def stay_set(line: str) -> str:
    """The set of the IPv4 addresses whose new conversations stay on a line for now."""
    return f"nc_stay4_{slug(line)}"


def gone_set(family: int) -> str:
    """The set of the lines whose TCP conversations are reset, by their numbers in the mark."""
    return f"nc_gone{family}"


def begun_set(offer: str, family: int) -> str:
    """The set of the sources that began conversations with an offer lately."""
    return f"nc_new{family}_{slug(offer)}"


def open_set(offer: str, family: int) -> str:
    """The set of the sources that have open conversations with an offer."""
    return f"nc_once{family}_{slug(offer)}"


def over_counter(offer: str) -> str:
    """The counter of what an offer refuses to sources that have too many."""
    return f"nc_over_{slug(offer)}"


def hostile_set(family: int) -> str:
    """The set of the addresses that are hostile by lists."""
    return f"nc_hostile{family}"


def place_set(place: str, family: int) -> str:
    """The set of the addresses of a place that is made of a list."""
    return f"nc_list{family}_{slug(place)}"


def led_set(place: str, family: int) -> str:
    """The set of the addresses to which the names of a place led lately."""
    return f"nc_led{family}_{slug(place)}"


def asked_set(place: str, family: int) -> str:
    """The set of those to which they led since the steward looked last."""
    return f"nc_asked{family}_{slug(place)}"


def exit_mark(number: int) -> int:
    """An exit's number as it stands in the mark of a packet."""
    return number << EXIT_SHIFT


def who_key(who: frozenset[str]) -> str:
    """What the sets of some people are called: the one person, or a digest of all names."""
    named = sorted(who - {NOBODY})
    if named == [GUEST]:
        return "guest_"  # ends in "_", as no slug does
    return slug(named[0]) if len(named) == 1 else slug("\n".join(["people", *named]))


def who_set(who: frozenset[str], family: int) -> str:
    """The set of (device, address, hardware) where one of `who` is signed in."""
    return f"nc_who{family}_{who_key(who)}"


def signed_set(family: int) -> str:
    return f"nc_signed{family}"


def class_map(family: int) -> str:
    return f"nc_class{family}"


def line_set(line: str) -> str:
    """The set of the IPv4 addresses that an automatic line has just now."""
    return f"nc_line4_{slug(line)}"


def when_key(when: When) -> str:
    parts = [slug(when.during)] if when.during is not None else []
    return ".".join([*parts, *([when.until.isoformat()] if when.until is not None else [])])


def when_set(when: When, let: bool) -> str:
    """The set of devices that tells whether a condition in time holds.

    Presence always means *open*: for a decision that lets, that it is in force; for one that
    refuses, that it rests. So an empty set, or a steward that died, closes.
    """
    return f"nc_{'open' if let else 'rest'}_{when_key(when)}"


def people_asked_for(rows: Iterable[Row]) -> tuple[frozenset[str], ...]:
    """The distinct sets of people that decisions ask for, NOBODY left aside, in order."""
    found = (r.who - {NOBODY} for row in rows for r in row.regions if r.who is not None)
    return tuple(dict.fromkeys(who for who in found if who))


def times_asked_for(rows: Iterable[Row]) -> tuple[tuple[When, bool], ...]:
    """The distinct (condition in time, whether a decision that lets asks for it), in order."""
    found = ((region.when, row.let) for row in rows for region in row.regions)
    return tuple(dict.fromkeys(pair for pair in found if pair[0] != ALWAYS))


def identity_class(who: str, people: Sequence[str]) -> int:
    """The class of NOBODY (0), GUEST (1) or one of the charter's people in their order (2..).

    Everyone from the 254th on shares class 255, whom only the gate's own record tells apart.
    Raises ValueError for a name that is none of these.
    """
    if who == NOBODY:
        return CLASS_NOBODY
    if who == GUEST:
        return CLASS_GUEST
    return min(CLASS_FIRST + people.index(who), CLASS_OTHERS)


@dataclass(frozen=True, slots=True)
class Mark:
    """What a connection mark says; 0 where it says nothing."""

    line: int = 0
    identity: int = 0
    row: int = 0

    @property
    def row_index(self) -> int | None:
        """The index of the decision that let the conversation."""
        return self.row - 1 if self.row else None


def row_number(index: int) -> int:
    """The number of a decision within a mark. Raises ValueError beyond 65 535 decisions."""
    if not 0 <= index < (1 << ROW_BITS) - 1:
        raise ValueError(f"a mark has no room for the decision with index {index}")
    return index + 1


def pack(mark: Mark) -> int:
    """The 32-bit value of a mark. Raises ValueError where a part does not fit."""
    for value, bits in (
        (mark.line, LINE_BITS),
        (mark.identity, IDENTITY_BITS),
        (mark.row, ROW_BITS),
    ):
        if not 0 <= value < 1 << bits:
            raise ValueError(f"{value} does not fit into {bits} bits of the mark")
    return mark.line | mark.identity << IDENTITY_SHIFT | mark.row << ROW_SHIFT


def unpack(value: int) -> Mark:
    """The mark of a 32-bit value; the spare bits are ignored."""
    return Mark(
        line=value & LINE_MASK,
        identity=(value & IDENTITY_MASK) >> IDENTITY_SHIFT,
        row=(value & ROW_MASK) >> ROW_SHIFT,
    )
