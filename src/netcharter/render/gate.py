"""The gateway's own pages: what they are told of the decisions about names, and the unit that runs them.

Where names are withheld they lead here, and a page says why (`netcharter.gate`). It runs as a user of
its own that is nobody else's (systemd.exec(5), DynamicUser), sees nothing of the state folder but the
stores in which names of lists are looked up, and may do nothing but listen at port 80.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from netcharter.plan.local_names import addresses_in
from netcharter.plan.names.shapes import Audience, NamesRow, What
from netcharter.plan.shapes import AreaPlan, Hours, NamedList, Plan, Term, Window
from netcharter.render import stores
from netcharter.render.escape import unit_command
from netcharter.render.placing import OURS, UNITS, Placed, Service
from netcharter.render.withholding_rules import HOURS

FORMAT = 1
SETTINGS, UNIT_FILE = "gate.json", "gate.service"
UNIT = "netcharter-gate.service"
AT = "/etc/netcharter/gate.json"
STATE = "netcharter-gate"  # below /var/lib: where requests for release are kept
PROGRAM = ("/usr/bin/env", "netcharter")  # where nobody says more


def shown_in(plan: Plan) -> tuple[AreaPlan, ...]:
    """The areas for whose hosts any names are withheld, at whatever hours."""
    rows = (row for row in plan.names.rows if row.action == "withhold")
    found = {area for row in rows for one in row.audience for area in one.areas}
    return tuple(area for area in plan.areas if area.name in found)


def gate(plan: Plan, program: Sequence[str] = PROGRAM) -> dict[str, str]:
    """The files by name; none where no names are withheld. program: that runs commands of ours, with
    its whole path. Raises ValueError where no unit can hold it."""
    if not shown_in(plan):
        return {}
    return {SETTINGS: settings(plan), UNIT_FILE: _unit(program)}


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not shown_in(plan):
        return ()
    return (Placed(SETTINGS, AT), Placed(UNIT_FILE, f"{UNITS}/{UNIT}"))


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (SETTINGS, UNIT_FILE)),) if shown_in(plan) else ()


# --- what the pages are told ---------------------------------------------------------------------


def settings(plan: Plan) -> str:
    """The text of the settings: one line that says whose they are, then JSON."""
    during = {row.during: plan.hours[row.during] for row in plan.names.rows if row.during}
    terms = {term.name: term for one in during.values() for term in (*one.terms, *one.outside)}
    told = {
        "format": FORMAT,
        "site": plan.site,
        "timezone": plan.timezone,
        "told": HOURS,
        "areas": [_area(area) for area in shown_in(plan)],
        "rows": [_row(plan, row) for row in plan.names.rows],
        "lists": {
            name: {**_list(one.said), "folder": f"{stores.AT}/{stores.place(one)}"}
            for name, one in plan.names.lists.items()
        },
        "hours": {name: _hours(one) for name, one in during.items()},
        "terms": {name: _term(one) for name, one in terms.items()},
    }
    return f"{OURS}why names are withheld\n{json.dumps(told, ensure_ascii=True, indent=1)}\n"


def _area(area: AreaPlan) -> dict[str, Any]:
    networks = area.networks
    return {
        "name": area.name,
        "networks": [str(one) for one in networks],
        "listens": [str(one) for one in addresses_in(area)],
    }


def _row(plan: Plan, row: NamesRow) -> dict[str, Any]:
    number = row.charter_index
    return {
        "label": row.label,
        "kind": row.kind,
        "action": row.action,
        "audience": [_audience(one) for one in row.audience],
        "what": [_what(one) for one in row.what],
        "because": row.because,
        "contact": plan.charter.names[number].contact if number is not None else None,
        "during": row.during,
        "until": row.until.isoformat() if row.until else None,
    }


def _audience(one: Audience) -> dict[str, Any]:
    """Numbers as text: those of IPv6 are larger than what readers of JSON keep (RFC 8259 section 6)."""
    source = None if one.source is None else [f"{first}-{last}" for first, last in one.source]
    return {"term": one.term, "areas": sorted(one.areas), "source": source}


def _what(one: What) -> dict[str, Any]:
    return {"term": one.term, "name": one.name, "below": one.below, "lists": list(one.lists)}


def _list(said: NamedList) -> dict[str, Any]:
    return {"topic": said.topic, "because": said.because, "contact": said.contact}


def _hours(hours: Hours) -> dict[str, Any]:
    return {
        "weekly": [{"windows": list(_windows(day))} for day in hours.weekly],
        "dates": {
            day.isoformat(): {"windows": list(_windows(one))} for day, one in hours.dates.items()
        },
        "terms": [term.name for term in hours.terms],
        "outside": [term.name for term in hours.outside],
    }


def _windows(windows: Sequence[Window]) -> Iterator[str]:
    for one in windows:
        yield f"{one.start:%H:%M}-{'24:00' if one.end is None else f'{one.end:%H:%M}'}"


def _term(term: Term) -> dict[str, Any]:
    return {"stretches": [f"{first} {last}" for first, last in term.stretches]}


# --- the unit ------------------------------------------------------------------------------------


def _unit(program: Sequence[str]) -> str:
    words = (*program, "gate", "--settings", AT, "--requests", f"/var/lib/{STATE}")
    return _UNIT.replace("PROGRAM", unit_command(words))


_UNIT = f"""\
{OURS}the pages that say why a name is withheld.

[Unit]
Description=Say why names are withheld, and take requests for their release
After=local-fs.target network-pre.target netcharter-boot.service

[Service]
Type=exec
ExecStart=PROGRAM
DynamicUser=yes
StateDirectory={STATE}
StateDirectoryMode=0700
TemporaryFileSystem=/var/lib/netcharter:ro
BindReadOnlyPaths=-{stores.AT}
Environment=PYTHONDONTWRITEBYTECODE=1
UMask=0077
MemoryHigh=128M
MemoryMax=192M
TasksMax=16
CPUWeight=20
OOMScoreAdjust=500
AmbientCapabilities=CAP_NET_BIND_SERVICE
CapabilityBoundingSet=CAP_NET_BIND_SERVICE
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectClock=yes
ProtectProc=invisible
ProcSubset=pid
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
KeyringMode=private
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
Restart=always
RestartSec=2

[Install]
WantedBy=multi-user.target
"""
