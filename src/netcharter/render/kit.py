"""The kit: every file a gateway needs, and a manifest with their digests."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from netcharter.plan import labels
from netcharter.plan.fetching import fetched
from netcharter.plan.shapes import Plan, Row
from netcharter.render import (
    advertising,
    clock,
    delegation,
    dialling,
    discovery,
    gate,
    leading,
    resolver,
    withholding,
)
from netcharter.render.addresses import addresses, links
from netcharter.render.nftables import nftables
from netcharter.render.placing import Placed, Service
from netcharter.render.routes import routes
from netcharter.render.sysctl import sysctl

FORMAT = 1
PARTS = (  # that have files elsewhere and services, in the order in which these are begun
    dialling,
    delegation,
    discovery,
    clock,
    resolver,
    leading,
    withholding,
    advertising,
    gate,
)
MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class Kit:
    """files: contents by name, the manifest among them; manifest: what the latter says."""

    files: Mapping[str, bytes]
    manifest: Mapping[str, Any]

    def listing(self) -> list[dict[str, Any]]:
        """Name, size and SHA-256 of every file, the manifest's own included."""
        return [{"name": name, **_digest(data)} for name, data in self.files.items()]


def placed(plan: Plan) -> tuple[Placed, ...]:
    """The files that are to lie elsewhere, of all parts that have any."""
    return tuple(one for part in PARTS for one in part.placed(plan))


def services(plan: Plan) -> tuple[Service, ...]:
    """The services that run while the kit stands, of all parts that have any, in the order in which
    they are begun."""
    return tuple(one for part in PARTS for one in part.services(plan))


def _digest(data: bytes) -> dict[str, Any]:
    return {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def render(plan: Plan, program: Sequence[str] = gate.PROGRAM) -> Kit:
    """The kit of a plan; the same plan gives the same bytes. program: by which a unit of the kit runs
    commands of ours, with its whole path.

    Raises ValueError for a plan that the targets cannot carry: more than 65 535 decisions, a
    device name that is none, or unknown addresses of lines that a decision tells apart.
    """
    texts = {  # in the order in which they are put in place
        "links.batch": links(plan),
        "addresses.batch": addresses(plan),
        "nftables.nft": nftables(plan),
        "sysctl.conf": sysctl(plan),
        "routes.batch": routes(plan, 4),
        "routes6.batch": routes(plan, 6),
    }
    texts |= dialling.dialling(plan) | delegation.delegation(plan) | discovery.discovery(plan)
    texts |= clock.clock(plan) | resolver.resolver(plan) | leading.leading(plan)
    texts |= withholding.withholding(plan)
    texts |= advertising.advertising(plan) | gate.gate(plan, program)
    files = {name: text.encode("ascii") for name, text in texts.items()}
    manifest = _manifest(plan, files)
    text = json.dumps(manifest, indent=2, ensure_ascii=True) + "\n"
    return Kit({**files, MANIFEST: text.encode("ascii")}, manifest)


def _manifest(plan: Plan, files: Mapping[str, bytes]) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "netcharter": version("netcharter"),
        "site": plan.site,
        "files": {name: _digest(data) for name, data in files.items()},
        "order": [
            {"file": name, "load": [*COMMANDS[name], name]} for name in files if name in COMMANDS
        ],
        "placed": [
            {"file": one.file, "at": one.at, "mode": f"{one.mode:04o}"} for one in placed(plan)
        ],
        "services": [{"unit": one.unit, "files": list(one.files)} for one in services(plan)],
        "rows": [_row(row) for row in plan.rows if not row.routed],
        "people": {p.name: _class(plan, p.name) for p in plan.people},
        "who": [
            {"sets": [labels.who_set(who, 4), labels.who_set(who, 6)], "people": sorted(who)}
            for who in labels.people_asked_for(plan.rows)
        ],
        "hours": [
            {
                "set": labels.when_set(when, let),
                "during": when.during,
                "until": when.until.isoformat() if when.until else None,
                "filled_while": "in force" if let else "not in force",
            }
            for when, let in labels.times_asked_for(plan.rows)
        ],
        "lines": {line.name: line.number for line in plan.lines},
        "delegated": {
            line.name: None if line.prefix is None or line.stands_in else str(line.prefix)
            for line in plan.lines
            if line.delegated
        },
        "fetched": {one.name: one.every for one in fetched(plan.charter)},
        "areas": list(_areas(plan)),
    }


def _areas(plan: Plan) -> Iterator[dict[str, Any]]:
    """The areas by number, those that are gone among them, so that a later plan can keep them."""
    here = {area.name for area in plan.areas}
    for number, (name, prefix) in enumerate(plan.numbered.items(), 1):
        yield {
            "name": name,
            "number": number,
            "prefix": str(prefix) if prefix else None,
            "gone": name not in here,
        }


COMMANDS: Mapping[str, tuple[str, ...]] = {
    "links.batch": ("ip", "-force", "-batch"),
    "addresses.batch": ("ip", "-batch"),
    "nftables.nft": ("nft", "-f"),
    "sysctl.conf": ("sysctl", "-p"),
    "routes.batch": ("ip", "-force", "-batch"),
    "routes6.batch": ("ip", "-6", "-force", "-batch"),
}


def _row(row: Row) -> dict[str, Any]:
    name = labels.row_name(row.label)
    return {
        "label": row.label,
        "number": labels.row_number(row.index),
        "chain": name,
        "counter": name,
        "let": row.let,
    }


def _class(plan: Plan, person: str) -> int:
    return labels.identity_class(person, [p.name for p in plan.people])
