"""What a charter and its kit want of a machine, for `prepare`."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.util import find_spec

from netcharter.charter.model import Charter
from netcharter.render import advertising, clock, delegation, discovery, gate, resolver, withholding
from netcharter.render.kit import MANIFEST
from netcharter.rollout.places import STATE
from netcharter.rollout.prepare import Preparation, Use, Wanted, asked, facts_of, prepare
from netcharter.rollout.preparing.judging_pages import out_of_reach
from netcharter.rollout.preparing.shapes import Found
from netcharter.rollout.run.gathering import gather
from netcharter.tasks import units
from netcharter.tasks.cutover import cut_over
from netcharter.tasks.kit import render_charter
from netcharter.tasks.sources import Source, usable_plan

# Debian's packages, and what for
PPP = {"ppp": "dials by PPPoE"}
DHCPCD = {"dhcpcd-base": "asks providers for IPv6 prefixes"}
DBUS = {"dbus": "lets the steward have another prefix, or lists, taken over (systemd-run)"}
CHRONY = {"chrony": "sets the clock, and tells the areas the time"}
UNBOUND = {
    "unbound": "looks names up for the areas",
    "dns-root-data": "tells unbound the internet's first name servers, and by whose key they sign",
}
PYTHON = {"python3": "lets hosts find services in other areas"}
DNSDIST = {
    "dnsdist": "answers, withholds and rewrites names for the areas",
    "tinycdb": "lays lists of names out, as dnsdist looks them up",
}
DNSMASQ = {"dnsmasq-base": "lends addresses, and tells hosts their IPv6 prefixes and the way out"}
LIBRARIES = ("starlette", "uvicorn", "h11")  # of Python, for the pages of the gateway


def uses_of(charter: Charter) -> tuple[Use, ...]:
    """The network devices of a charter, with what hangs on them."""
    lines = tuple(
        Use(
            "line",
            line.name,
            line.device,
            line.vlan,
            line.automatic,
            max(line.rate.down, line.rate.up) if line.rate else None,
            line.pppoe,
        )
        for line in charter.lines.values()
    )
    areas = (Use("area", area.name, area.device, area.vlan) for area in charter.areas.values())
    return (*lines, *areas)


def wanted_of(
    charter: Charter,
    kit: Mapping[str, bytes],
    left: Collection[str] = (),
    packages: Mapping[str, str] | None = None,
) -> Wanted:
    """What is to come to a machine.

    charter: the whole one; kit: files by name, of the areas that come now; left: names of areas
    that stay elsewhere for now; packages: of Debian, that the kit needs besides, with what for.
    """
    uses = uses_of(charter)
    out = tuple(one for one in uses if one.kind == "area" and one.name in left)
    timed = any(one.during or one.until for one in charter.rules)
    timed = timed or any(one.during or one.until for one in charter.offers)
    timed = timed or any(one.during or one.until for one in charter.names)
    told = json.loads(kit.get(MANIFEST, b"{}"))
    return Wanted(
        uses=tuple(one for one in uses if one not in out),
        left=out,
        ruleset=kit.get("nftables.nft", b"").decode("ascii", "replace"),
        kit_bytes=sum(map(len, kit.values())),
        timed=timed or any(one.during for one in charter.promises),
        packages={
            **(packages or {}),
            **(PPP if any(one.pppoe for one in uses) else {}),
            **(DHCPCD if delegation.SCRIPT in kit else {}),
            **(DBUS if told.get("delegated") or told.get("fetched") else {}),
            **(CHRONY if clock.CONF in kit else {}),
            **(UNBOUND if resolver.CONF in kit else {}),
            **(DNSDIST if withholding.CONF in kit else {}),
            **(DNSMASQ if advertising.CONF in kit else {}),
            **(PYTHON if discovery.CONF in kit else {}),
        },
        # Files of the kit that are to lie elsewhere, by where.
        placed={one["at"]: kit[one["file"]] for one in told.get("placed", ())},
    )


def prepared(source: Source, left: Sequence[str] = (), state: str = STATE) -> Preparation:
    """Judge this machine by what a charter wants of it; nothing is changed.

    left: names of areas that stay elsewhere for now; state: the state folder. Raises Unusable.
    """
    source = replace(source, stand_ins=False)
    loaded = usable_plan(source)
    now = cut_over(source, left).source if left else source
    wanted = wanted_of(loaded.plan.charter, render_charter(now).kit.files, left)
    asked_for = asked(sorted(wanted.packages), placed=wanted.placed)
    found = prepare(wanted, facts_of(gather(asked_for)))
    pages = (*library_findings(wanted), *reach_findings(wanted, parts()))
    return replace(found, findings=(*pages, *found.findings, *_boot(state)))


def library_findings(wanted: Wanted) -> Iterator[Found]:
    """Libraries of Python that the kit's own programs need, and that are not installed with this one."""
    if gate.AT not in wanted.placed:
        return
    missing = [name for name in LIBRARIES if find_spec(name) is None]
    if missing:
        yield Found(
            "library-missing",
            "error",
            f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} not installed beside"
            " netcharter; the page that says why names are withheld is served with them",
            "install netcharter once more with what a gateway needs: netcharter[gateway]",
            gate.UNIT,
        )


def reach_findings(wanted: Wanted, parts: Iterable[str]) -> Iterator[Found]:
    """Whether the gateway's pages can read what this program consists of."""
    if gate.AT in wanted.placed:
        yield from out_of_reach(place for one in parts for place in (one, os.path.realpath(one)))


def parts() -> tuple[str, ...]:
    """Where this program lies: the interpreter and its library, ours, and those that serve pages."""
    specs = (find_spec(name) for name in ("netcharter", *LIBRARIES))
    origins = (spec.origin for spec in specs if spec is not None and spec.origin)
    return sys.executable, sys.base_prefix, sys.prefix, *origins


def _boot(state: str) -> tuple[Found, ...]:
    """Whether a reboot would bring up what is kept."""
    if units.brought_up(state):
        return ()
    help = "once the first version is kept, say: netcharter boot --install"
    message = "the unit that brings up at boot what is kept is not there"
    return (Found("boot-unit-missing", "note", message, help, units.BOOT_UNIT),)
