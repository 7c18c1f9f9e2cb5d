"""What a charter and its kit want of a machine, for `prepare`."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from netcharter.charter.model import Charter
from netcharter.rollout.prepare import Preparation, Use, Wanted, asked, facts_of, prepare
from netcharter.rollout.run.gathering import gather
from netcharter.tasks.kit import render_charter
from netcharter.tasks.sources import Source, usable_plan


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
    return Wanted(
        uses=tuple(one for one in uses if one not in out),
        left=out,
        ruleset=kit.get("nftables.nft", b"").decode("ascii", "replace"),
        kit_bytes=sum(map(len, kit.values())),
        timed=timed or any(one.during for one in charter.promises),
        packages=packages or {},
    )


def prepared(source: Source, left: Collection[str] = ()) -> Preparation:
    """Judge this machine by what a charter wants of it; nothing is changed.

    left: names of areas that stay elsewhere for now. Raises Unusable.
    """
    loaded = usable_plan(source)
    wanted = wanted_of(loaded.plan.charter, render_charter(source).kit.files, left)
    asked_for = asked(sorted(wanted.packages))
    return prepare(wanted, facts_of(gather(asked_for)))
