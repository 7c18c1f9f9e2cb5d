"""What becomes of every ICMP type: the published recommendation beside our own treatment.

ICMPv6 by RFC 4890 (section 4.3 for what passes through the gateway, 4.4 for what is sent to it),
ICMP for IPv4 by RFC 792 and its successors. A message that belongs to a conversation never
reaches the ordered decisions; the treatments say what becomes of all others:

* `state`: passes if it belongs to a conversation that was let pass (an error that quotes it, or
  its reply), and is dropped otherwise;
* `neighbour-discovery`, `echo`: let by the housekeeping decision of that name;
* `charter`: the charter decides, and refuses it unless a rule lets it;
* `refused`: every destination or source that the message may properly have is refused by
  housekeeping, whatever the charter says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Advice = Literal[
    "must not drop", "should not drop", "dropped anyway", "policy", "drop unless needed", "unlisted"
]
Treatment = Literal["state", "neighbour-discovery", "echo", "charter", "refused"]

ROUTER_ADVERTISEMENT = 134
DISCOVERY_TYPES = (130, 131, 132, 133, 135, 136, 141, 142, 143, 148, 149, 151, 152, 153)
ECHO_REQUEST4, ECHO_REQUEST6 = 8, 128
ERRORS6 = range(128)  # RFC 4443 section 2.1: error messages are the types below 128
ERRORS4 = (3, 11, 12)  # RFC 792; source quench (4) is no longer one (RFC 6633)
REPLIES6, REPLIES4 = (129, 140), (0, 14, 16, 18)


@dataclass(frozen=True, slots=True)
class Message:
    """One kind of ICMPv6 message: a type, and those of its codes that share the advice."""

    type: int
    codes: tuple[int, int]  # first, last
    name: str
    advice_through: Advice  # RFC 4890 section 4.3
    advice_local: Advice  # RFC 4890 section 4.4
    through: Treatment
    local: Treatment
    because: str = ""  # why the treatment is not what the advice says word for word


@dataclass(frozen=True, slots=True)
class Message4:
    """One ICMP type of IPv4 and where it comes from."""

    type: int
    name: str
    source: str
    through: Treatment
    local: Treatment
    because: str = ""


_MUST: Advice = "must not drop"
_SHOULD: Advice = "should not drop"
_ANYWAY: Advice = "dropped anyway"
_UNLESS: Advice = "drop unless needed"
_ALL = (0, 255)

_ECHO_DECIDED = (
    "a request starts a conversation, so through the gateway the charter says who may start it, "
    "as for every first packet"
)
_LINK_ONLY = (
    "goes to a neighbour only: to a multicast group of the link (decision `multicast`), to a "
    "link-local address (`unroutable`) or to a host of its own area (`same-area`)"
)
_QUOTES = "an error belongs to the conversation whose packet it quotes, and to nothing else"
_MOBILE = "a conversation of hosts that move, which the charter decides like any other"
_UNLIKELY = "the gateway has no use for it, so only a rule could let it"

_NEIGHBOUR_NAMES = {
    130: "multicast listener query",
    131: "multicast listener report",
    132: "multicast listener done",
    133: "router solicitation",
    134: "router advertisement",
    135: "neighbour solicitation",
    136: "neighbour advertisement",
    141: "inverse neighbour discovery solicitation",
    142: "inverse neighbour discovery advertisement",
    143: "multicast listener report, version 2",
    148: "certification path solicitation",
    149: "certification path advertisement",
    151: "multicast router advertisement",
    152: "multicast router solicitation",
    153: "multicast router termination",
}
_MOBILE_NAMES = {
    144: "home agent address discovery request",
    145: "home agent address discovery reply",
    146: "mobile prefix solicitation",
    147: "mobile prefix advertisement",
}


def _errors() -> list[Message]:
    def error(
        number: int, codes: tuple[int, int], name: str, advice: Advice, because: str = _QUOTES
    ) -> Message:
        return Message(number, codes, name, advice, advice, "state", "state", because)

    return [
        error(0, _ALL, "reserved", "unlisted"),
        error(1, _ALL, "destination unreachable", _MUST),
        error(2, _ALL, "packet too big", _MUST),
        error(3, (0, 0), "hop limit exceeded in transit", _MUST),
        error(3, (1, 1), "fragment reassembly time exceeded", _SHOULD),
        error(3, (2, 255), "time exceeded, another code", "unlisted"),
        error(4, (0, 0), "erroneous header field", _SHOULD),
        error(4, (1, 2), "unrecognised next header or option", _MUST),
        error(4, (3, 255), "parameter problem, another code", "unlisted"),
    ]


def _informational(number: int) -> Message:
    """The messages 128 to 153, which all have a use of their own."""
    if number == ECHO_REQUEST6:
        name = "echo request"
        return Message(number, _ALL, name, _MUST, _MUST, "charter", "echo", _ECHO_DECIDED)
    if number == 129:
        return Message(number, _ALL, "echo reply", _MUST, _MUST, "state", "state")
    if number == ROUTER_ADVERTISEMENT:
        because = (
            f"{_LINK_ONLY}. To the gateway it comes from a line; from an area it is a rogue one "
            "(RFC 6104), refused because of its link-local source (`forged`)"
        )
        name = _NEIGHBOUR_NAMES[number]
        return Message(
            number, _ALL, name, _ANYWAY, _MUST, "refused", "neighbour-discovery", because
        )
    if number in _NEIGHBOUR_NAMES:
        name = _NEIGHBOUR_NAMES[number]
        return Message(
            number, _ALL, name, _ANYWAY, _MUST, "refused", "neighbour-discovery", _LINK_ONLY
        )
    if number == 137:
        because = (
            "must come from a link-local address (RFC 4861 section 8.1), which `forged` refuses; "
            f"otherwise it {_LINK_ONLY}"
        )
        return Message(number, _ALL, "redirect", _ANYWAY, "policy", "refused", "refused", because)
    if number in _MOBILE_NAMES:
        name = _MOBILE_NAMES[number]
        return Message(number, _ALL, name, _SHOULD, _ANYWAY, "charter", "charter", _MOBILE)
    if number == 140:
        because = "the answer to a node information query that a rule let pass"
        name = "node information response"
        return Message(number, _ALL, name, _UNLESS, "policy", "state", "state", because)
    name, through_advice, local_advice = {
        138: ("router renumbering", _UNLESS, _ANYWAY),
        139: ("node information query", _UNLESS, "policy"),
        150: ("seamless mobility, experimental", "policy", _ANYWAY),
    }[number]
    return Message(
        number, _ALL, name, through_advice, local_advice, "charter", "charter", _UNLIKELY
    )


def _unallocated(number: int) -> Message:
    """What RFC 4890 knows only as ranges (sections 4.3.4, 4.3.5; local ones from memory)."""
    error = number in ERRORS6
    treatment: Treatment = "state" if error else "charter"
    because = _QUOTES if error else _UNLIKELY
    if number in (100, 101, 200, 201, 127, 255):
        name = "reserved for expansion" if number in (127, 255) else "private experimentation"
        return Message(number, _ALL, name, _UNLESS, _UNLESS, treatment, treatment, because)
    local: Advice = "policy" if error else _UNLESS
    name = "error" if error else "informational"
    return Message(
        number, _ALL, f"another {name} message", "policy", local, treatment, treatment, because
    )


ICMPV6: tuple[Message, ...] = (
    *_errors(),
    *map(_unallocated, range(5, 128)),
    *map(_informational, range(128, 154)),
    *map(_unallocated, range(154, 256)),
)


def _icmpv4() -> tuple[Message4, ...]:
    quotes = {
        3: "destination unreachable",
        11: "time exceeded",
        12: "parameter problem",
    }
    replies = {
        0: ("echo reply", "RFC 792"),
        14: ("timestamp reply", "RFC 792"),
        16: ("information reply", "RFC 792, deprecated by RFC 6918"),
        18: ("address mask reply", "RFC 950, deprecated by RFC 6918"),
    }
    requests = {
        4: ("source quench", "RFC 792, deprecated by RFC 6633", "may not be acted upon any more"),
        5: ("redirect", "RFC 792", "the gateway ignores it, and routes do not pass through it"),
        9: ("router advertisement", "RFC 1256", "sent to a neighbour only"),
        10: ("router solicitation", "RFC 1256", "sent to a neighbour only"),
        13: ("timestamp", "RFC 792", "tells a stranger the clock of a host"),
        15: ("information request", "RFC 792, deprecated by RFC 6918", "no longer in use"),
        17: ("address mask request", "RFC 950, deprecated by RFC 6918", "no longer in use"),
    }
    out = [Message4(n, name, "RFC 792", "state", "state", _QUOTES) for n, name in quotes.items()]
    out += [Message4(n, name, rfc, "state", "state") for n, (name, rfc) in replies.items()]
    out += [
        Message4(n, name, rfc, "charter", "charter", why)
        for n, (name, rfc, why) in requests.items()
    ]
    out.append(Message4(8, "echo request", "RFC 792", "charter", "echo", _ECHO_DECIDED))
    known = {m.type for m in out}
    out += [
        Message4(n, "another message", "IANA ICMP type numbers", "charter", "charter", _UNLIKELY)
        for n in range(256)
        if n not in known
    ]
    return tuple(sorted(out, key=lambda m: m.type))


ICMPV4: tuple[Message4, ...] = _icmpv4()


def message(number: int, code: int) -> Message:
    """The entry of an ICMPv6 type and code. Raises LookupError outside 0..255."""
    for entry in ICMPV6:
        if entry.type == number and entry.codes[0] <= code <= entry.codes[1]:
            return entry
    raise LookupError(f"no ICMPv6 type {number} with code {code}")
