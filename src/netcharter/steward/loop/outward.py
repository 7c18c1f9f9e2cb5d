"""Ways out at work: what the kernel has, who answers, and what is told the kernel.

One thread does all of it, so that a failover never waits for a slow server of alarms.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address, ip_interface, ip_network
from typing import Any

from netcharter.plan.labels import LINE_MASK
from netcharter.render.routes import TABLES as BALANCED
from netcharter.rollout import network
from netcharter.rollout.run import programs, tracking
from netcharter.rollout.run.netlink import Netfilter
from netcharter.rollout.run.tracking import Tracked
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward import nft
from netcharter.steward.duties.lines import SILENT
from netcharter.steward.loop import prefixes
from netcharter.steward.loop.echoes import NotAllowed, echoes
from netcharter.steward.loop.lines import addresses
from netcharter.steward.shapes import CutFlows, CutLine, Fade, Lead, Reset, Stay
from netcharter.steward.ways import Flow, Held, Key, Leg, Seen, Ways, Words, amiss, inside

HURRY = 1.0  # seconds to the next round where the last one was silent
TCP = 6  # IANA, protocol numbers
SLOW = 10.0  # seconds for one program
_MAIN = {network.MAIN: "main"}
_BATCH = b"link show\nroute show default table all\nrule show\n"
Outgoing = Lead | Fade | CutLine | CutFlows | Stay | Reset


class Outward:
    """The edge of the duty `lines`. say: a line of the log."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.worker = ThreadPoolExecutor(1, "lines")
        self._say = say
        self._rounds: dict[Key, tuple[float, int]] = {}  # the last round; how many were silent
        self._ways = Ways()  # of the last round
        self._staying = False
        self._resetting = False  # whether the kernel answers TCP of lines that failed

    def seen(self, ways: Ways) -> Seen:
        """One round: what the kernel has, and what those who are due are asked. Raises EffectFailed."""
        began, at = datetime.now(UTC), time.clock_gettime(time.CLOCK_BOOTTIME)
        self._ways, held = ways, kernel()
        flows = self._flows(ways, held)
        try:
            asked, fault = echoes(leg for leg in ways.legs if at >= self._next(leg)), ""
        except NotAllowed as refused:
            asked, fault = {}, str(refused)
        for leg in ways.legs:
            if leg.key in asked or at >= self._next(leg):
                self._rounds[leg.key] = at, self._silent(leg, asked.get(leg.key, {}))
        later = min((self._next(leg) - at for leg in ways.legs), default=HURRY)
        due = began + timedelta(seconds=max(later, HURRY))
        return Seen(began, at, due, held, asked, flows, fault, prefixes=prefixes.there(ways))

    def _silent(self, leg: Leg, answers: Mapping[str, float | None]) -> int:
        silent = bool(answers) and all(after is None for after in answers.values())
        return self._rounds.get(leg.key, (0.0, 0))[1] + 1 if silent else 0

    def _next(self, leg: Leg) -> float:
        """When a leg is due. What was silent is soon asked again, until that is a failure."""
        last, silent = self._rounds.get(leg.key, (0.0, 0))
        hurried = 0 < silent < SILENT
        return last + (min(HURRY, leg.limits.every) if hurried else leg.limits.every)

    def _flows(self, ways: Ways, held: Held) -> tuple[Flow, ...] | None:
        """Only while somebody stays, or may have to soon."""
        away = any(inside(leg, held) is False for leg in ways.of(4))
        if not ways.together or not (self._staying or away):
            return None
        return tuple(flows(_conversations(), ways.together))

    def perform(self, effect: Outgoing) -> None:
        """Raises EffectFailed."""
        match effect:
            case Lead(out=out):
                lead(self._ways, out)
                names = ", ".join(f"{line} for IPv{family}" for line, family in sorted(out))
                self._say(
                    f"ways out are put right; new conversations are kept from {names or 'no line'}"
                )
            case Fade(lines=lines):
                prefixes.fade(self._ways, lines)
                self._say(
                    f"hosts are led away from the prefix of {', '.join(sorted(lines)) or 'no line'}"
                )
            case CutLine():
                own, spared = _own(effect.device), self._resetting
                count = _cut(
                    lambda one: leaves(one, effect, own) and not (spared and is_reset(one, own))
                )
                self._say(f"{count} conversations that left by line {effect.line} were cut")
            case CutFlows(number=number, source=source, bit=bit):
                _cut(
                    lambda one: (
                        bool(one.mark & bit)
                        and one.mark & LINE_MASK == number
                        and str(one.sent.source) == source
                    )
                )
            case Stay(sets=sets):
                self._filled(nft.staying(sets), "who is to stay on his line")
                self._staying = any(members for _, members in sets)
            case Reset(sets=sets):
                self._resetting = self._filled(nft.resetting(sets), "whose conversations to reset")

    def _filled(self, text: str, what: str) -> bool:
        """Whether sets are as said. That they are not must not keep a line from being used."""
        try:
            programs.run(Run(("nft", "-f", "-"), text.encode("ascii"), seconds=SLOW))
        except EffectFailed as fault:
            self._say(f"{what} can't be told the kernel: {fault}")
            return False
        return True


# --- what the kernel has -------------------------------------------------------------------------


def kernel() -> Held:
    """Raises EffectFailed where `ip` does not answer, or not as it is known to."""
    return held({family: _answers(family) for family in (4, 6)})


def _answers(family: int) -> bytes:
    command = ("ip", "-j", "-d", "-N", f"-{family}", "-batch", "-")
    return programs.run(Run(command, _BATCH, seconds=SLOW)).out


def held(said: Mapping[int, bytes]) -> Held:
    """What three listings say for each IP version, a line of JSON each: devices, default routes, rules.
    Raises EffectFailed."""
    carrier: dict[str, bool] = {}
    routes: set[tuple[int, str, str]] = set()
    rules: dict[int, frozenset[Words]] = {}
    hops: dict[int, tuple[str, ...]] = {}
    learnt: dict[tuple[int, str, str], str] = {}
    for family, text in said.items():
        try:
            links, ways, choices = (json.loads(line) for line in _documents(text))
            carrier |= {
                str(one["ifname"]): {"UP", "LOWER_UP"} <= {*one["flags"]} for one in links if one
            }
            routes |= set(_routes(family, ways))
            learnt = dict(_learnt(family, ways)) | learnt
            hops[family] = tuple(_hops(ways))
            rules[family] = frozenset(_rules(family, choices))
        except (ValueError, TypeError, KeyError, AttributeError):
            raise EffectFailed("ip -batch", "its answer is not what it is known to say") from None
    return Held(carrier, frozenset(routes), rules, hops, learnt)


def _documents(text: bytes) -> Iterator[bytes]:
    return (line for line in text.splitlines() if line.strip())


def _routes(family: int, rows: Iterable[dict[str, Any]]) -> Iterator[tuple[int, str, str]]:
    for row in rows:
        table = str(row.get("table", network.MAIN))
        for hop in (row, *row.get("nexthops", ())):
            if "dev" in hop and not {"dead", "linkdown"} & {*hop.get("flags", ())}:
                yield family, _MAIN.get(table, table), str(hop["dev"])


def _learnt(
    family: int, rows: Sequence[dict[str, Any]]
) -> Iterator[tuple[tuple[int, str, str], str]]:
    """The hops of default routes that have just one; of several routes the first that is asked counts,
    so it comes last."""
    for row in reversed(rows):
        table = str(row.get("table", network.MAIN))
        if "nexthops" not in row and "via" not in row and any(_routes(family, [row])):
            yield (family, _MAIN.get(table, table), str(row["dev"])), _hop(row)


def _hops(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """The hops of the balanced route, in the words of the kit. What others put in its place may lack
    some of them, and is then no hop of ours."""
    for row in rows:
        if str(row.get("table")) != str(BALANCED):
            continue
        several = row.get("nexthops")
        for hop in several or (row,):
            weight = f" weight {hop.get('weight', 1)}" if several else ""
            yield f"nexthop {_hop(hop)}{weight}"


def _hop(said: dict[str, Any]) -> str:
    """The provider's network need not hold its next hop (`onlink`), as it need not in DHCP."""
    via = f"via {ip_address(said['gateway'])} " if "gateway" in said else ""
    beyond = " onlink" if "onlink" in said.get("flags", ()) else ""
    return f"{via}dev {said.get('dev', '')}{beyond}"


def _rules(family: int, rows: Iterable[dict[str, Any]]) -> Iterator[Words]:
    for row in rows:
        found = network.choice(4 if family == 4 else 6, row)
        if found is not None:
            yield network.asked(found)


# --- what it is told -----------------------------------------------------------------------------


def lead(ways: Ways, out: Iterable[Key]) -> None:
    """New conversations are led by all lines but some. Raises EffectFailed where they are not then.

    Each line of a batch is for itself: where a device is missing, the others are led all the same.
    """
    gone = frozenset(out)
    for family, text in amiss(ways, gone, kernel()).items():
        command = ("ip", f"-{family}", "-force", "-batch", "-")
        programs.run(Run(command, text.encode("ascii"), fails=False, seconds=SLOW))
    left = amiss(ways, gone, kernel())
    rules = [line for text in left.values() for line in text.splitlines() if " pref " in line]
    if rules:
        raise EffectFailed("leading new conversations", f"the kernel does not take `{rules[0]}`")


def _cut(wanted: Callable[[Tracked], bool]) -> int:
    try:
        with Netfilter() as there:
            found = [one for one in tracking.conversations(there) if wanted(one)]
            return sum(tracking.cut(there, one) for one in found)
    except OSError as fault:
        raise EffectFailed("cutting conversations", fault.strerror or "no answer") from None


def _conversations() -> tuple[Tracked, ...]:
    try:
        with Netfilter() as there:
            return tracking.conversations(there)
    except OSError as fault:
        raise EffectFailed("looking at conversations", fault.strerror or "no answer") from None


def leaves(one: Tracked, effect: CutLine, own: frozenset[str]) -> bool:
    """Whether a conversation left by a line, and did not come in by it. own: the line's addresses."""
    if one.mark & LINE_MASK != effect.number or one.sent.source.version != effect.family:
        return False
    to = one.sent.destination
    beyond = effect.network and to in ip_network(effect.network)
    return str(to) not in own and not beyond


def is_reset(one: Tracked, own: frozenset[str]) -> bool:
    """Whether whoever began it inside hears of its end when he speaks next (`Reset`)."""
    return one.protocol == TCP and one.heard and str(one.sent.source) not in own


def _own(device: str) -> frozenset[str]:
    listing = programs.run(Run(("ip", "-j", "address", "show", "dev", device), fails=False)).out
    held = (addresses(listing) or {}).get(device, frozenset())
    return frozenset(str(ip_interface(one).ip) for one in held)


def flows(found: Iterable[Tracked], bit: int) -> Iterator[Flow]:
    """Conversations of IPv4 with a bit in their mark, as they are weighed."""
    for one in found:
        if one.mark & bit and ip_address(one.sent.source).version == 4:
            yield Flow(str(one.sent.source), one.mark & LINE_MASK, one.packets)
