"""A kit as it is in place while the steward keeps new conversations from lines that failed, and what
is told of that."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from netcharter.plan.shapes import Plan
from netcharter.rollout import network
from netcharter.rollout.host import Host
from netcharter.rollout.reading import fields, instant_text
from netcharter.rollout.shapes import HostState
from netcharter.rollout.store import Paths
from netcharter.rollout.trouble import StateBroken
from netcharter.steward import fading
from netcharter.steward.duties import lines
from netcharter.steward.schedule import ways
from netcharter.steward.ways import Held, Key, Leg, Place, inside, without

_FILES = {4: "routes.batch", 6: "routes6.batch"}
_TABLE = re.compile(r" table \S+")  # another where lines come before it that did not
_ADDRESSES = "addresses.batch"


def as_led(
    host: Host, paths: Paths, plan: Plan, files: Mapping[str, bytes], now: HostState
) -> dict[str, bytes]:
    """The files of a plan's kit without the rules that the steward has taken away, as it wrote down,
    and that are not there now; and with the addresses that it has taken the preferred time from. It
    never takes the last line of an IP version: where no rule leads to any, others did that, or
    another version had more lines. Raises EffectFailed."""
    state = written_down(host, paths)
    return _led(state, plan, files, now, _gone(state, plan, now))


def as_led_before(
    host: Host,
    paths: Paths,
    before: Plan | None,
    plan: Plan,
    files: Mapping[str, bytes],
    now: HostState,
) -> dict[str, bytes]:
    """The same of a plan that is to come where another stands, None for none of ours: a line that is
    out stays out, or new conversations would take a dead line until the steward looks again. Out is
    one of which the kernel has no rule of the plan before, and which leads to the same next hop from
    the same device still. Raises EffectFailed."""
    if before is None:
        return dict(files)
    state = written_down(host, paths)
    away, known = _gone(state, before, now), ways(plan)
    old = {leg.key: _where(leg) for leg in ways(before).legs if leg.key in away}
    gone = {leg.key for leg in known.legs if old.get(leg.key) == _where(leg)}
    left = {leg.key[1] for leg in known.legs if leg.key not in gone}
    return _led(state, plan, files, now, frozenset(key for key in gone if key[1] in left))


def _where(leg: Leg) -> tuple[str, str, str]:
    return leg.device, leg.own, _TABLE.sub("", leg.route)


def _led(
    state: lines.State,
    plan: Plan,
    files: Mapping[str, bytes],
    now: HostState,
    gone: frozenset[Key],
) -> dict[str, bytes]:
    down, out = lines.failed(state.legs), state.out
    if not down | out:
        return dict(files)
    known, led = ways(plan), dict(files)
    hosts = fading.without(
        files[_ADDRESSES].decode("ascii"), known, fading.faded(known, down, out), _preferred(now)
    )
    led[_ADDRESSES] = hosts.encode("ascii")
    for family, name in _FILES.items():
        if any(key[1] == family for key in gone):
            text = without(files[name].decode("ascii"), known, family, gone)
            led[name] = text.encode("ascii")
    return led


def written_down(host: Host, paths: Paths) -> lines.State:
    """What the steward wrote down of lines. Raises EffectFailed."""
    data = host.read(paths.within("steward", f"{lines.NAME}.json"))
    try:
        return lines.read(fields("lines.json", data)) if data else lines.State()
    except StateBroken:
        return lines.State()


def _gone(found: lines.State, plan: Plan, now: HostState) -> frozenset[Key]:
    known, there = ways(plan), _there(now)
    gone: set[Key] = set()
    for family in _FILES:
        legs = known.of(family)
        mine = {leg.key for leg in legs if leg.key in found.out and inside(leg, there) is False}
        gone |= mine if len(mine) < len(legs) else set()
    return frozenset(gone)


def left_out(
    found: lines.State, plan: Plan, now: HostState, at: datetime, working: bool | None
) -> Iterator[str]:
    """What is no difference because of that, a sentence for each line. working: whether a steward is
    at work; None: that can't be told."""
    for line, family in sorted(_gone(found, plan, now)):
        leg = found.legs.get((line, family))
        since = "" if leg is None else f" since {instant_text(leg.since)} ({_age(at - leg.since)})"
        said = f"new conversations of IPv{family} are kept from line {line}{since}: it had failed"
        yield f"note: {said}; {_BACK[working]}"


_BACK = {
    True: "the steward brings them back when it works",
    False: "no steward is at work, so nobody brings them back: start it, or say `netcharter boot`",
    None: "whether a steward is at work, who brings them back, can't be told here",
}


def _age(lasted: timedelta) -> str:
    minutes = max(int(lasted.total_seconds()) // 60, 0)
    hours, days = minutes // 60, minutes // 1440
    return (
        f"{days} days"
        if days > 1
        else f"{hours} h {minutes % 60} min"
        if hours
        else f"{minutes} min"
    )


def _there(now: HostState) -> Held:
    return Held(
        rules={
            family: frozenset(network.asked(c) for c in now.choices if c.family == family)
            for family in _FILES
        }
    )


def _preferred(now: HostState) -> dict[Place, bool]:
    """Of each address whether its preferred time is over."""
    return {(held.device, str(held.interface)): network.deprecated(held) for held in now.addresses}
