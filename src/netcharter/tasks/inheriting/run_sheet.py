"""The run sheet of the evening on which an old gateway is replaced: Markdown, to be printed.

Order of steps, what to plug where, how to see that each step worked, and the way back. What is to
be tried, and what must come of it, is asked of the plan; everything else is common practice.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from ipaddress import IPv4Interface
from zoneinfo import ZoneInfo

from netcharter.charter.model import Interface
from netcharter.plan.coding import hardware_text
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan, Region
from netcharter.proofs.site_audit import BEHIND_CARRIER
from netcharter.tasks.inheriting.commands import (
    FOLDER,
    UNDO,
    armed,
    backup,
    leftovers,
    loading,
    renames,
)
from netcharter.tasks.inheriting.markdown import block, boxes, code, table, words
from netcharter.tasks.inheriting.naming import listed
from netcharter.tasks.inheriting.services import calling
from netcharter.tasks.inheriting.shapes import HostFacts, NetDevice, Recognised, Unsaid
from netcharter.tasks.inheriting.tried import Trial, Trials

WINDOW = 90  # minutes, common practice, no source
TURN_BACK = 60  # minutes after which what is not green goes back
BLANK = "________"


def run_sheet(
    plan: Plan,
    found: Recognised,
    host: HostFacts,
    *,
    now: datetime,
    unsaid: Sequence[Unsaid] = (),
) -> str:
    """The sheet for a plan that was made from `found`.

    host: the old gateway's network devices; now: the moment for which connections to try are
    chosen; unsaid: what the first charter could not say (`Written.unsaid`).
    """
    trials = Trials.of(plan, now)
    parts = (
        _head(plan, now),
        _cautions(),
        _before(plan, found, unsaid),
        _plugs(plan, found, host),
        _steps(plan, found, host),
        _line_checks(plan),
        _area_checks(plan, found, trials),
        _people_checks(),
        _way_back(),
        _told(plan),
    )
    return "\n".join(line for part in parts for line in (*part, "")).rstrip("\n") + "\n"


def _head(plan: Plan, now: datetime) -> Iterator[str]:
    yield f"# The evening of the change: {words(plan.site)}"
    yield ""
    day = now.astimezone(ZoneInfo(plan.timezone))
    yield (
        f"Written on {day:%d %B %Y} from the charter and from what the old gateway told. Print it:"
        " while the gateway changes, there may be no network to read it from. Tick as you go, and"
        " write the time beside every tick."
    )


def _cautions() -> Iterator[str]:
    yield "## Read this first"
    yield ""
    yield (
        "- **Calls for help.** While the gateway changes, telephones that call over this network"
        " can't. Keep a mobile telephone at hand that does not use it, and tell everybody in the"
        " house that it is there. Alarm systems, lifts and door stations may call over it, too: ask"
        " whoever looks after them *before* the evening."
    )
    yield (
        "- **Medical and safety equipment** follows rules of its own. Nothing is unplugged that"
        " somebody depends on without the consent of whoever is responsible for it."
    )
    yield (
        "- **Cards.** No card payment works while the line is down: choose an hour without tills,"
        " and keep the assessor's list of what the terminals may reach up to date."
    )
    yield (
        "- **Lock-out.** Work at the console, with screen and keyboard at the gateway itself. Over"
        " the network, the first wrong rule shuts you out."
    )
    yield (
        "- **What the proof does not see:** cables, switches, access points, what the providers do."
        " That is what the checks below are for. Local law and licensed practice prevail."
    )


def _before(plan: Plan, found: Recognised, unsaid: Sequence[Unsaid]) -> Iterator[str]:
    yield "## Before you start"
    yield ""
    lines = ", ".join(f"{words(line.name)} {BLANK}" for line in plan.lines)
    yield from boxes(
        (
            (
                f"A window of {WINDOW} minutes is agreed with those who work or sleep here:"
                f" from {BLANK} to {BLANK}."
            ),
            "Screen and keyboard stand at the gateway, and you have signed in there once today.",
            (
                f"Telephone numbers, on paper: the providers' fault desks ({lines}), the telephone"
                f" provider {BLANK}, the card company {BLANK}, a second pair of hands {BLANK}."
            ),
            "`netcharter check` finds no error in the charter, and every promise holds.",
            f"A laptop with a network cable, for the checks, and this sheet printed {BLANK}.",
        )
    )
    if unsaid:
        yield ""
        yield "Decided, because the charter can't say it:"
        yield ""
        yield from boxes(_undecided(unsaid))
    yield ""
    yield "Keep the old settings, on the old gateway, as root:"
    yield ""
    yield from block(backup(renames(plan, found)))
    yield ""
    yield from boxes(
        (
            "The last command printed nothing: the saved ruleset can be loaded.",
            f"`{FOLDER}` is copied to a second place, outside this machine.",
        )
    )


def _undecided(unsaid: Sequence[Unsaid]) -> Iterator[str]:
    for one in unsaid:
        instead = f" ({words(one.instead)})" if one.instead else ""
        yield f"{words(one.words)}{instead}"


# What to plug where


def _plugs(plan: Plan, found: Recognised, host: HostFacts) -> Iterator[str]:
    yield "## What is plugged where"
    yield ""
    yield (
        "The old gateway's sockets. Put a label on every cable before you pull it. If the new"
        " gateway is another machine, write its own socket into the last column; the hardware"
        " addresses are then its own as well."
    )
    yield ""
    devices = {device.name: device for device in host.devices}
    old = {name: device for device, name in found.by_device.items()}
    rows = [_plug(one, "line", old, devices) for one in plan.lines]
    rows += [_plug(one, "area", old, devices) for one in plan.areas]
    head = ("what", "kind", "device", "VLAN", "old name", "hardware address", "link", "new socket")
    yield from table(head, rows)
    yield ""
    yield from _tagged(plan)
    carrying = {one.parent for one in found.parts if one.vlan is not None}
    for name, why in found.aside.items():
        if name in carrying:
            continue
        yield f"- {code(name)} is left alone: {words(why)}."


def _plug(
    one: LinePlan | AreaPlan, kind: str, old: Mapping[str, str], devices: Mapping[str, NetDevice]
) -> Sequence[str]:
    before = old.get(one.name, "")
    device = devices.get(before)
    hardware = device.hardware if device is not None else None
    up = "" if device is None else "up" if device.up else "down"
    return (
        f"**{words(one.name)}**",
        kind,
        code(one.parent),
        str(one.vlan or ""),
        code(before) if before and before != one.device else "same" if before else "",
        code(hardware_text(hardware)) if hardware is not None else "",
        up,
        BLANK,
    )


def _tagged(plan: Plan) -> Iterator[str]:
    by_parent: dict[str, list[str]] = {}
    parts: tuple[LinePlan | AreaPlan, ...] = (*plan.lines, *plan.areas)
    for one in parts:
        if one.vlan is not None:
            by_parent.setdefault(one.parent, []).append(f"{words(one.name)} (VLAN {one.vlan})")
    for parent, names in by_parent.items():
        yield f"- {code(parent)} goes to a switch that tags: {listed(names)}."


# The order of steps


FOLDER_STEP = (
    "At the console of the gateway that will carry the settings: put the kit (the folder that"
    " `netcharter render` wrote) there, and compare the digests with its `manifest.json`:"
)
ARM_STEP = (
    f"Arm the way back. In {UNDO} minutes the old settings come back by themselves, unless you stop"
    " it:"
)
TAKE_STEP = "Take away what the new settings do not have:"
CABLES_STEP = (
    "Pull the cables of the lines first, then those of the areas, and plug each into its new"
    " socket. The old gateway stays as it is, switched off, for two days."
)


def _steps(plan: Plan, found: Recognised, host: HostFacts) -> Iterator[str]:
    yield "## The steps, in this order"
    yield ""
    yield "Steps 3 to 5 are for a gateway that stays the same machine, step 6 for another one."
    yield ""
    places = [words(area.name) for area in _order(plan)]
    taken = leftovers(plan, found, host)
    steps: list[tuple[str, Sequence[str]]] = [
        (f"Tell everybody that it begins. Time: {BLANK}", ()),
        (FOLDER_STEP, ("sha256sum *.nft *.batch *.conf",)),
        (ARM_STEP, armed()),
        (TAKE_STEP if taken else "Nothing old has to be taken away.", taken),
        ("Put the kit in place, from its folder, in this order:", loading()),
        (CABLES_STEP, ()),
        ("Check the lines (below). None works: go back.", ()),
        (f"Check the areas one after the other, in this order: {', '.join(places)}.", ()),
        ("Try a call for help, then a card payment (below).", ()),
        ("Stop the way back, once all is green:", ("systemctl stop way-back.timer",)),
        ("Write down what was different from this sheet. Keep it with the charter.", ()),
    ]
    for number, (step, commands) in enumerate(steps, 1):
        yield f"{number}. [ ] {step}"
        if commands:
            yield from (f"    {line}" for line in block(commands))
    yield ""
    yield (
        "The kit holds addresses, routes and the packet filter. It does not hold the DHCP and DNS"
        " server: let the old one go on, with the router's address changed where the checks of the"
        " areas say so. A restart of the machine brings back what its own files say: do not restart"
        " it before the new settings are among them."
    )


def _order(plan: Plan) -> Sequence[AreaPlan]:
    """First where the gateway is looked after from, then where calls start, then the others."""
    managers = {d.area for d in plan.devices if d.name in plan.charter.site.managed_from}
    calling = {
        name
        for row in plan.rows
        for region in row.regions
        if row.let and (row.kind == "emergency" or (row.kind == "rule" and _calls(region)))
        for name in region.entrances
    }

    def rank(area: AreaPlan) -> int:
        return 0 if area.name in managers else 1 if area.name in calling else 2

    return sorted(plan.areas, key=rank)


def _calls(region: Region) -> bool:
    """Do telephones call over this?"""
    return calling(
        [(low >> 16, low & 0xFFFF, high - (low >> 16 << 16)) for low, high in region.service]
    )


# Checks


def _line_checks(plan: Plan) -> Iterator[str]:
    yield "## Check the lines"
    yield ""
    yield "At the gateway. Pull the cables of the other lines while you check one."
    yield ""
    rows = [_line_check(line) for line in plan.lines]
    yield from table(("line", "type", "expect", "ok"), rows)


def _line_check(line: LinePlan) -> Sequence[str]:
    device = shlex.quote(line.device)
    if line.v4 is not None:
        hop = f"; ping -c 1 {line.next_hop4}" if line.next_hop4 else ""
        expect = f"{code(str(line.v4))}" + (" and 1 received" if hop else "")
        doubt = _carried(line.v4)
    else:
        hop, expect, doubt = "", "an address that the provider gave", ""
    command = f"ip -4 address show dev {device}{hop}"
    return (words(line.name), code(command), expect + doubt, BLANK)


def _carried(address: IPv4Interface | Interface) -> str:
    carried = any(address.version == 4 and address.ip in block for block in BEHIND_CARRIER)
    return (
        " (the provider translates it once more: nothing can be offered on it)" if carried else ""
    )


def _area_checks(plan: Plan, found: Recognised, trials: Trials) -> Iterator[str]:
    yield "## Check the areas"
    yield ""
    yield (
        "With the laptop, or a machine that lives there. Renew its address first (pull the cable"
        " and plug it in again). `nc` is in Debian's netcat-openbsd. What is refused must be"
        " refused *in the way that is said*: another answer means that something else refused it."
    )
    old = {area.name: area for area in found.areas}
    for area in _order(plan):
        yield ""
        yield f"### {words(area.name)}"
        yield ""
        before = old[area.name].gateway if area.name in old else ()
        if before and area.gateway4 not in before:
            was = listed(str(one) for one in before if one.version == 4)
            yield (
                f"**The router changes here:** it was {words(was)}, it will be"
                f" {code(str(area.gateway4))}. Change the DHCP server's answer before, and every"
                " machine in which the router is written by hand."
            )
            yield ""
        rows = list(_area_rows(area, trials))
        yield from table(("on", "type", "expect", "ok"), rows)


def _area_rows(area: AreaPlan, trials: Trials) -> Iterator[Sequence[str]]:
    here = "a machine here"
    yield (here, code("ip -4 -brief address"), f"an address of {code(str(area.v4))}", BLANK)
    router = f"default via {area.gateway4}"
    yield (here, code("ip route show default"), f"{code(router)}", BLANK)
    yield (here, code(f"nslookup example.org {area.gateway4}"), "an address", BLANK)
    for trial, verb in ((trials.let(area), "let"), (trials.refused(area), "refused")):
        if trial is None:
            yield (here, "", f"*nothing from here is {verb} that a laptop could try*", BLANK)
        else:
            yield _trial(area, trial, verb)


def _trial(area: AreaPlan, trial: Trial, verb: str) -> Sequence[str]:
    where = "a machine here" if trial.starter == area.name else words(trial.starter)
    expect = f"{trial.answer} ({verb} by {words(trial.because)}; {words(trial.about)})"
    return (where, code(trial.command), expect, BLANK)


def _people_checks() -> Iterator[str]:
    yield "## A call for help"
    yield ""
    yield from boxes(
        (
            (
                "Ask the telephone provider *before* the evening how an emergency call may be tried:"
                " some have a number for it, some an hour, some want to be told first. Never dial the"
                " emergency number just to see whether it works."
            ),
            "From every telephone: call out, and hear and be heard for half a minute.",
            "From every telephone: be called from outside.",
            "With the main line unplugged: call out once more.",
            f"The emergency test as the provider lets it: time {BLANK}, result {BLANK}.",
        )
    )
    yield ""
    yield "## Card payments"
    yield ""
    yield from boxes(
        (
            "On every terminal: a payment of the smallest amount, and its refund.",
            "The terminal's own settlement or day's end, if it has one.",
            f"If one fails: the card company's number is {BLANK}; cash until then.",
        )
    )


def _way_back() -> Iterator[str]:
    yield "## The way back"
    yield ""
    yield (
        f"If something that matters is not green {TURN_BACK} minutes after the kit was put in"
        f" place (at {BLANK}), go back. Going back is no defeat; finding the fault at midnight,"
        " with people waiting, is."
    )
    yield ""
    yield (
        "If the new gateway is another machine: pull its cables, plug them where the labels say,"
        " switch the old one on. On the same machine, as long as it was not restarted:"
    )
    yield ""
    yield from block([f"sh {FOLDER}/back.sh"])
    yield ""
    yield (
        "If that fails, restart the machine: it comes up with what its own files say, which nobody"
        " has touched this evening."
    )
    yield ""
    yield from boxes(
        (
            "The old gateway does what it did: a web page from an office, a telephone call.",
            f"Everybody is told, and when the next try is: {BLANK}.",
        )
    )


def _told(plan: Plan) -> Iterator[str]:
    yield "## Who is told"
    yield ""
    yield "The day before, when it begins, and when it is over."
    yield ""
    people = dict.fromkeys(_contacts(plan))
    yield from boxes(f"{words(name)}: {BLANK}" for name in people)
    yield from boxes(
        f"whoever speaks for {words(area.name)}: {BLANK}"
        for area in plan.areas
        if not plan.charter.areas[area.name].contact
    )


def _contacts(plan: Plan) -> Iterator[str]:
    charter = plan.charter
    some: Iterable[str | None] = (
        *(area.contact for area in charter.areas.values()),
        *(device.contact for device in charter.devices.values()),
        *(rule.contact for rule in charter.rules),
        *(offer.contact for offer in charter.offers),
    )
    yield from (contact for contact in some if contact)
