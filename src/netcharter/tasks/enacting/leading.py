"""A kit as it is in place while the steward keeps new conversations from lines that failed."""

from __future__ import annotations

from collections.abc import Mapping

from netcharter.plan.shapes import Plan
from netcharter.rollout import network
from netcharter.rollout.host import Host
from netcharter.rollout.reading import fields
from netcharter.rollout.shapes import HostState
from netcharter.rollout.store import Paths
from netcharter.rollout.trouble import StateBroken
from netcharter.steward.duties import lines
from netcharter.steward.schedule import ways
from netcharter.steward.ways import Held, inside, without

_FILES = {4: "routes.batch", 6: "routes6.batch"}


def as_led(
    host: Host, paths: Paths, plan: Plan, files: Mapping[str, bytes], now: HostState
) -> dict[str, bytes]:
    """The files of a plan's kit without the rules that the steward has taken away, as it wrote down,
    and that are not there now. It never takes the last line of an IP version: where no rule leads to
    any, others did that, or another version had more lines. Raises EffectFailed."""
    data = host.read(paths.within("steward", f"{lines.NAME}.json"))
    try:
        out = lines.read(fields("lines.json", data)).out if data else frozenset()
    except StateBroken:
        out = frozenset()
    if not out:
        return dict(files)
    known, there = ways(plan), _there(now)
    led = dict(files)
    for family, name in _FILES.items():
        legs = known.of(family)
        gone = {leg.key for leg in legs if leg.key in out and inside(leg, there) is False}
        if len(gone) < len(legs):
            text = without(files[name].decode("ascii"), known, family, gone)
            led[name] = text.encode("ascii")
    return led


def _there(now: HostState) -> Held:
    return Held(
        rules={
            family: frozenset(network.asked(c) for c in now.choices if c.family == family)
            for family in _FILES
        }
    )
