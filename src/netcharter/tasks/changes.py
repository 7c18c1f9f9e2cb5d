"""What enacting a plan changes: exactly which connections fare otherwise than by what is loaded now.

Two ways lead there. Where the kernel is proven to hold the plan that is known to be in place, the
two plans are compared, in the charter's own words. Anywhere else (a stock host, another program's
rules, a kit that was tampered with) the kernel's listing is read back and compared with the new kit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.lab.agreement import Unreadable, kernel_equals_plan
from netcharter.lab.reading import Machine, NotListed, machine
from netcharter.lab.site import TABLE
from netcharter.plan.shapes import Plan
from netcharter.proofs.certify import NoAnswer
from netcharter.proofs.compare import compare
from netcharter.proofs.management import NOTHING_KNOWN, Known
from netcharter.readback.host import host_of
from netcharter.readback.listing import read_listing
from netcharter.tasks.compare import Compared
from netcharter.tasks.inherit import Compared as ListingCompared
from netcharter.tasks.inheriting.comparing import Beside, beside_plan
from netcharter.tasks.inheriting.gateway import Given, OldGateway, gateway_of
from netcharter.tasks.sources import Unusable, unusable

BOTH = frozenset({4, 6})
SETTINGS = Path("/proc/sys/net")
LISTED = "nft list ruleset"


@dataclass(frozen=True, slots=True)
class Loaded:
    """A machine as it is: what it has loaded, its addresses and routes as its programs print them,
    and the IP versions of which it passes packets on. It may be live or a recording.
    """

    machine: Machine
    forwards: frozenset[int] = BOTH


@dataclass(frozen=True)
class Changes:
    """What enacting changes. by: which way it was found; `compared` has the rows."""

    compared: Compared | ListingCompared

    @property
    def by(self) -> str:
        """`plan` where two plans were compared, `listing` where a kernel's rules were."""
        return "plan" if isinstance(self.compared, Compared) else "listing"

    @property
    def same(self) -> bool:
        """No connection changes: proven."""
        return bool(self.as_json()["same"])

    @property
    def summary(self) -> str:
        """One line, for a history."""
        found = self.as_json()
        totals: Mapping[str, str] = found["totals"]
        told = [f"{name} {int(count):,}" for name, count in totals.items() if count != "0"]
        names = ", and names are answered otherwise" if found["names"] else ""
        return (f"{', '.join(told)} connections" if told else "no connection changes") + names

    def as_json(self) -> dict[str, Any]:
        """As `compare` prints it, with `by`, and beside a listing `besides` and `read`; which names a
        machine answers no listing tells."""
        found = self.compared.as_json()
        names = {"names": [], "names_complete": False}
        whole = {"moved": [], "besides": [], "read": True, **names, **found}
        return {**whole, "by": self.by}

    def lines(self, width: int, most: int | None = None) -> Iterator[str]:
        """The differences for people; `most` of the lines, if that is said."""
        found = self.compared.lines(width)
        if most is None:
            yield from found
            return
        yield from islice(found, most)
        left = sum(1 for _ in found)
        if left:
            yield f"... and {left} lines more; --json has everything."


def loaded_now() -> Loaded:
    """This machine, live; nothing but reading. Raises Unusable where it may not be read."""
    try:
        found = machine()
    except NotListed as fault:
        raise unusable(
            "ruleset-not-listed",
            f"this machine's ruleset can't be read: {fault.message}",
            "the kernel",
            "",
            "run it as root, on a machine with nftables and iproute2",
        ) from None
    return Loaded(found, frozenset(version for version in BOTH if _forwards(version)))


def _forwards(version: int) -> bool:
    """Does it pass packets of an IP version on, by whatever device they come?"""
    switches = sorted((SETTINGS / f"ipv{version}" / "conf").glob("*/forwarding"))
    return any(_text(switch).strip() not in ("", "0") for switch in switches)


def _text(path: Path) -> str:
    try:
        return path.read_text("ascii")
    except OSError:  # a device that is gone meanwhile
        return ""


def changes(
    loaded: Loaded,
    plan: Plan,
    now: datetime,
    kept: Plan | None = None,
    lines: Known = NOTHING_KNOWN,
    *,
    otherwise_same: bool = True,
) -> Changes:
    """Which connections change when `plan` is enacted on a machine, from `now` on.

    kept: the plan that is known to be in place; lines: the addresses that automatic lines have;
    otherwise_same: addresses, routes and settings are as `kept` has them. Raises Unusable.
    """
    if kept is not None and otherwise_same and _stands(loaded, kept, now, lines):
        try:
            return Changes(Compared(compare(kept, plan, now)))
        except NoAnswer as fault:
            raise _too_intricate(plan, fault) from None
    gateway = gateway_of(loaded.machine, named_by(plan, loaded.machine), loaded.forwards)
    return Changes(ListingCompared(_beside(gateway, plan)))


def _stands(loaded: Loaded, kept: Plan, now: datetime, lines: Known) -> bool:
    """Is what is loaded proven to be a plan? Where that can't be told, it is not."""
    if not ours(loaded):
        return False
    try:
        return kernel_equals_plan(kept, now, loaded.machine.listing, LISTED, lines).same
    except (Unreadable, NoAnswer):
        return False


def ours(loaded: Loaded) -> bool:
    """Is a table of a kit loaded? Raises Unusable for a listing that is none."""
    listing = loaded.machine.listing
    read = read_listing(listing, LISTED)
    if read.listing is None:
        raise Unusable(read.problems, {LISTED: listing})
    return any((t.family, t.name) == ("inet", TABLE) for t in read.listing.tables)


def _beside(gateway: OldGateway, plan: Plan) -> Beside:
    try:
        difference, rows = beside_plan(gateway, plan, new_addresses=True)
    except NoAnswer as fault:
        raise _too_intricate(plan, fault) from None
    return Beside(difference, rows, gateway.texts)


def _too_intricate(plan: Plan, fault: NoAnswer) -> Unusable:
    return Unusable(
        (
            Diagnostic(
                "too-intricate",
                "error",
                f"which connections change could not be told within the work allowed: {fault}",
                plan.charter.where(),
                help="enact a change of fewer rules at once",
            ),
        ),
        {},
    )


def named_by(plan: Plan, found: Machine) -> Given:
    """The charter's names for the network devices that a machine has already."""
    there = set(host_of(found.addresses).devices)
    return Given(
        None,
        lines=tuple(f"{one.name}={one.device}" for one in plan.lines if one.device in there),
        areas=tuple(f"{one.name}={one.device}" for one in plan.areas if one.device in there),
    )
