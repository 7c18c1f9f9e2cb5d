"""Whom the gateway asks: whether lines work, for names, and what time it is. It may ask the internet
(`gateway-own`), and for the time also hosts of areas (`time`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.charter.model import Charter
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.shapes import AreaPlan, LinePlan
from netcharter.space.ranges import Ranges, has


def unaskable(
    charter: Charter, lines: Sequence[LinePlan], internet: Ranges
) -> Iterator[Diagnostic]:
    """Targets that the plan lets the gateway ask for no echo."""
    for line in lines:
        for place, target in enumerate(line.watch.targets):
            if not has(internet, coding.address(target)):
                yield Diagnostic(
                    "target-not-outside",
                    "error",
                    f"{target} is not on the internet, so the gateway may not ask it",
                    charter.where("lines", line.name, "watch", "targets", place),
                    help="name somebody beyond the line; if the address is real, although it is of a "
                    "block that is not globally reachable, write a place that holds it",
                )


def no_time(charter: Charter, areas: Sequence[AreaPlan], internet: Ranges) -> Iterator[Diagnostic]:
    """Time servers that the plan does not let the gateway ask."""
    for place, server in enumerate(charter.site.time_servers):
        if isinstance(server, str):
            continue
        number = coding.address(server)
        if not has(internet, number) and not any(has(area.hosts, number) for area in areas):
            yield Diagnostic(
                "time-server-not-reached",
                "error",
                f"{server} is neither on the internet nor in an area, so the gateway may not ask it",
                charter.where("site", "time-servers", place),
                help="name a server that it may ask; if the address is real, although it is of a "
                "block that is not globally reachable, write a place that holds it",
            )


def no_names(charter: Charter, internet: Ranges) -> Iterator[Diagnostic]:
    """Resolvers that the plan does not let the gateway ask."""
    for place, one in enumerate(charter.resolvers):
        if not has(internet, coding.address(one.address)):
            yield Diagnostic(
                "resolver-not-reached",
                "error",
                f"{one.address} is not on the internet, so the gateway may not ask it for names",
                charter.where("resolvers", place),
                help="name a resolver that it may ask; if the address is real, although it is of a "
                "block that is not globally reachable, write a place that holds it",
            )
