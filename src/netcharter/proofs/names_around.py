"""Where names are withheld or rewritten: by which means hosts of that area get round it (`around`): those
that are about names, and tunnels together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.diagnostics import Diagnostic
from netcharter.plan.names.shapes import NamesRow
from netcharter.plan.shapes import Plan
from netcharter.proofs.around import Way, of_area
from netcharter.proofs.channels import NAMES, TUNNELLING
from netcharter.proofs.naming import listed
from netcharter.proofs.rules_audit import Audit

PLAIN = frozenset(
    {"other-resolvers", "dns-over-tls", "dns-over-quic"}
)  # a setting of a device does it
MEANS = (*NAMES, TUNNELLING)
ALWAYS = frozenset({"resolver"})  # stays wherever anybody may ask; by itself it is no finding
MOST_TOLD = 6  # means that are told one by one


def gone_round(audit: Audit) -> Iterator[Diagnostic]:
    """One finding for each area in which names rules keep names from anybody, with what stays open."""
    for area, rows in _kept_from(audit.plan).items():
        ways = of_area(audit.prover, area, MEANS)
        left = [way for way in ways if way.stands == "open"]
        hidden = [way for way in ways if way.stands == "undecidable"]
        if all(way.channel.key in ALWAYS for way in (*left, *hidden)):
            continue
        plain = [way for way in left if way.channel.key in PLAIN]
        first = (plain or left or hidden)[0]
        said = [f"open: {_told(left)}"] if left else []
        said += [f"undecidable: {_told(hidden)}"] if hidden else []
        labels = listed(row.label for row in rows)
        hold = "holds" if len(rows) == 1 else "hold"
        row = rows[0]
        assert row.charter_index is not None
        yield Diagnostic(
            "names-gone-round",
            "warning" if plain else "note",
            f"{labels} {hold} in {area} for who asks this gateway, and there are ways around it;"
            f" {'; '.join(said)}",
            audit.plan.charter.where("names", row.charter_index, "for"),
            witness=first.witness.sentence if first.witness else None,
            help="let less there, names of services in the place of `anything`, to close what can be"
            " closed; `netcharter show --around` tells all ways, and what lets each",
        )


def _kept_from(plan: Plan) -> dict[str, list[NamesRow]]:
    """The names rules that withhold or rewrite, by the areas of those for whom they do."""
    found: dict[str, list[NamesRow]] = {}
    for row in plan.names.rows:
        if row.kind == "rule" and row.action in ("withhold", "rewrite"):
            for area in dict.fromkeys(area for one in row.audience for area in sorted(one.areas)):
                found.setdefault(area, []).append(row)
    return {area.name: found[area.name] for area in plan.areas if area.name in found}


def _told(ways: Sequence[Way]) -> str:
    """Means by their names, each once, with its family where it is open in one alone."""
    families: dict[str, list[int]] = {}
    for way in ways:
        families.setdefault(way.channel.name, []).append(way.family)
    names = [
        name if len(found) > 1 else f"{name} (IPv{found[0]})" for name, found in families.items()
    ]
    more = len(names) - MOST_TOLD
    return listed(names if more < 2 else [*names[:MOST_TOLD], f"{more} more"])
