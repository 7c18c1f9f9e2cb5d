"""The rehearsal: the kit of a plan in a lab, tried with real packets, seen against predicted.

Everything happens within `apart`, in namespaces of its own; what comes back is a value.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from netcharter.lab import leading
from netcharter.lab.advertised import PATIENCE, Advertised, advertised
from netcharter.lab.agreement import kernel_equals_plan
from netcharter.lab.apart import GRACE, Progress, apart, report
from netcharter.lab.discovered import Discovered, discovered
from netcharter.lab.lent import Lent, lent
from netcharter.lab.named import UNSIGNED, Named, named
from netcharter.lab.performance import DIFFERS, FEW, LIMITS, LITE, Performed, perform
from netcharter.lab.site import Site
from netcharter.lab.world import world
from netcharter.plan import coding
from netcharter.plan.coding import TCP, UDP, UDPLITE
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan
from netcharter.probes.classes import held
from netcharter.probes.programme import MOST, chosen, programme
from netcharter.probes.shapes import Mismatch, Probe, Programme, Seen, Unprobed, World
from netcharter.probes.stage import Stage
from netcharter.probes.trials import Trial, family_of
from netcharter.proofs.kernel import Agreement
from netcharter.space.ranges import has

TIME = 600.0  # seconds for the whole run, unless said
# Seconds for what comes behind the probes: leases and advertisements wait twice each.
AFTERWARDS = 4 * PATIENCE + 20 * GRACE


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a rehearsal found.

    probes: how many the programme has; done: how many were tried before the time was over, each
    of which `agreed` or is one of the `mismatches`; repeated: those among the agreed that disagreed
    once and not again. kernel: is what the kernel has loaded the plan, as sets. kinds: how many
    were tried by what they are; fates: by what should become of them. differs: where the lab is not
    like the site. captures: file name -> content (pcapng), for the mismatches that name one.
    listed: what each probe did, where there are few of them. advertised: what hosts made of the
    gateway's router advertisements, lent: what clients were lent, and named: what they were told of
    names; None: only some connections were asked for. around: how many rows of the ways around were tried, and how many of these fared as
    they are told.
    """

    probes: int
    done: int
    agreed: int
    repeated: int
    mismatches: tuple[Mismatch, ...]
    unprobed: tuple[Unprobed, ...]
    seconds: float
    kernel: Agreement
    kinds: Mapping[str, int]
    fates: Mapping[str, int]
    differs: tuple[str, ...]
    captures: Mapping[str, bytes]
    listed: tuple[tuple[Probe, Seen], ...]
    advertised: Advertised | None = None
    lent: Lent | None = None
    named: Named | None = None
    discovered: Discovered | None = None
    around: tuple[int, int] = (0, 0)

    @property
    def ok(self) -> bool:
        """Everything that should be tried, and that is something, was tried and seen as predicted,
        and the kernel has loaded the plan. What is not tried for want of a server or a client is not wrong.
        """
        heard = self.advertised is None or self.advertised.ok
        heard = heard and (self.lent is None or self.lent.ok)
        heard = heard and (self.named is None or self.named.ok)
        heard = heard and (self.discovered is None or self.discovered.ok)
        seen = not self.mismatches and 0 < self.done == self.probes
        return self.kernel.same and seen and heard


def rehearse(
    plan: Plan,
    files: Mapping[str, bytes],
    now: datetime,
    *,
    only: Sequence[tuple[Attempt, Environment]] = (),
    limit: int = MOST,
    seconds: float = TIME,
    on_progress: Progress | None = None,
    as_user: bool = False,
) -> Rehearsal:
    """Rehearse a kit, its files by name: at most so many probes, in about so many seconds.

    only: attempts to be tried in the place of everything.
    Raises LabImpossible where this machine cannot, CommandFailed where the kit does not load.
    """
    began = time.monotonic()
    where = world(plan)
    if only:
        work = chosen(plan, where, _asked(plan, where, only), limit=limit)
    else:
        work = programme(plan, where, now, limit=limit)

    def within() -> tuple[Performed, Agreement, tuple[str, ...], _Served]:
        report(0, len(work.probes), "bringing the site up")
        with Site(plan, files, work.stations, where) as site:
            report(0, len(work.probes), "reading the kernel back")
            kernel = kernel_equals_plan(plan, now, site.listing())
            leading.fill(plan, where, site)
            ruleset = files["nftables.nft"].decode("ascii")
            found = perform(plan, work, site, ruleset, began + seconds, report)
            served = _Served() if only else _served(plan, files, site, work, now, where)
            return found, kernel, (*site.differs, *_differs(plan, work)), served

    found, kernel, differs, served = apart(
        within, on_progress=on_progress, as_user=as_user, limit=seconds + AFTERWARDS
    )
    told = _told(work, found, kernel, differs, time.monotonic() - began)
    if served.named is not None and not served.named.skipped:
        told = replace(told, differs=(*told.differs, UNSIGNED))
    return replace(
        told,
        advertised=served.advertised,
        lent=served.lent,
        named=served.named,
        discovered=served.discovered,
    )


@dataclass(frozen=True, slots=True)
class _Served:
    """What servers of the gateway have done for clients; None: nobody asked."""

    named: Named | None = None
    lent: Lent | None = None
    advertised: Advertised | None = None
    discovered: Discovered | None = None


def _served(
    plan: Plan,
    files: Mapping[str, bytes],
    site: Site,
    work: Programme,
    now: datetime,
    where: World,
) -> _Served:
    """Names come first: then everybody still has the addresses of the plan."""
    all_ = len(work.probes)
    report(all_, all_, "looking names up")
    asked = named(plan, files, site, work.stations, now, where)
    report(all_, all_, "finding services")
    found = discovered(plan, files, site, work.stations)
    report(all_, all_, "asking for addresses")
    given = lent(plan, files, site, work.stations)
    report(all_, all_, "listening to router advertisements")
    heard = advertised(plan, files, site, work.stations)
    return _Served(asked, given, heard, found)


def _differs(plan: Plan, work: Programme) -> Iterator[str]:
    """Where the packets of a programme, and who hears of them, are not like on the site."""
    yield DIFFERS
    if any(probe.packet.protocol == UDPLITE for probe in work.probes):
        yield LITE
    if any(row.limit is not None for row in plan.rows):
        yield LIMITS


def _asked(
    plan: Plan, where: World, only: Sequence[tuple[Attempt, Environment]]
) -> Iterator[tuple[Trial, str]]:
    """As conversations, where two machines can have one: by TCP or UDP, from the machine that has
    the address, to another one. Who is nobody in particular is the visitor.
    """
    stage = Stage(plan, where)
    known = {hardware for device in plan.devices for hardware in device.hardware}
    areas = {area.name for area in plan.areas}
    for attempt, environment in only:
        entrance = attempt.entrance
        if entrance in areas and attempt.hardware not in known:
            attempt = replace(attempt, hardware=stage.seats.visitor(entrance).hardware)
        single = Trial(_led(where, attempt, environment), environment)
        attempt = single.attempt
        spoken = attempt.service >> 16 in (TCP, UDP) and attempt.source != attempt.destination
        talk = spoken and held(stage, single) and _one_machine(plan, attempt.destination)
        yield replace(single, shape="talk" if talk else "plain"), "it was asked for"


def _led(where: World, attempt: Attempt, environment: Environment) -> Attempt:
    """Where a name is meant, to an address to which it leads here."""
    family = family_of(attempt.destination)
    for name in sorted(environment.led):
        found = [one for one in where.led.get(name, ()) if one.version == family]
        if found:
            return replace(attempt, destination=coding.address(found[0]))
    return attempt


def _one_machine(plan: Plan, destination: int) -> bool:
    """Not an address of many."""
    places = (plan.gateway, plan.internet, *(area.hosts for area in plan.areas))
    return any(has(place, destination) for place in places)


def _told(
    work: Programme,
    found: Performed,
    kernel: Agreement,
    differs: tuple[str, ...],
    seconds: float,
) -> Rehearsal:
    done = work.probes[: found.done]
    left = len(work.probes) - found.done
    unprobed = list(work.unprobed)
    if left:
        unprobed.append(Unprobed(f"{left} probes of the programme", "the time was over"))
    return Rehearsal(
        probes=len(work.probes),
        done=found.done,
        agreed=found.agreed,
        repeated=found.repeated,
        mismatches=tuple(found.mismatches),
        unprobed=tuple(unprobed),
        seconds=seconds,
        kernel=kernel,
        kinds=dict(Counter(probe.shape for probe in done)),
        fates=dict(Counter("let" if p.expected.arrives else p.expected.answer for p in done)),
        differs=differs,
        captures=found.captures,
        listed=tuple(found.listed) if len(work.probes) <= FEW else (),
        around=_around(work, found),
    )


def _around(work: Programme, found: Performed) -> tuple[int, int]:
    """Rows of the ways around that were tried, and those that were seen as they are told."""
    wrong = {each.probe.number for each in found.mismatches}
    tried = {probe.number for probe in work.probes[: found.done]}
    rows = [number for _, number in work.around if number in tried]
    return len(rows), sum(number not in wrong for number in rows)
