"""Findings about places that are made of domain names: what such a place is not, and where it is empty."""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics import Diagnostic
from netcharter.plan.names.domains import is_public_suffix
from netcharter.plan.shapes import ByNames, Row
from netcharter.plan.terms import all_starters
from netcharter.proofs.names_audit import NamesAudit
from netcharter.proofs.naming import listed
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.story import row_name


def leading_findings(audit: Audit) -> Iterator[Diagnostic]:
    """All that is found about places that are made of names."""
    if not audit.plan.by_names:
        return
    names = NamesAudit(audit)
    for place in audit.plan.by_names:
        mine = [row for row in audit.written if place.name in _reach(audit, row)]
        yield from _shared(place, mine)
        yield from _refused(audit, place, mine)
        yield from _withheld(audit, names, place, mine)
        yield from _wide(place)


def _reach(audit: Audit, row: Row) -> tuple[str, ...]:
    if row.kind == "offer" or row.charter_index is None:
        return ()
    return audit.plan.charter.rules[row.charter_index].reach


def _shared(place: ByNames, mine: list[Row]) -> Iterator[Diagnostic]:
    """An address is of everybody who has a name there."""
    letting = [row for row in mine if row.let]
    if letting:
        yield Diagnostic(
            "place-shares-addresses",
            "note",
            f"{listed(map(row_name, letting))} {'lets' if len(letting) == 1 else 'let'} reach whatever"
            f" else is served at the addresses that {listed(place.domains, 'or')} leads to: many sites"
            " share one address",
            place.span,
            help="`netcharter steward --status` on the gateway tells which of these places share addresses "
            "just now; what must not be reached needs a names rule besides",
        )


def _refused(audit: Audit, place: ByNames, mine: list[Row]) -> Iterator[Diagnostic]:
    """A refusal that knows only the addresses that the resolver here has told."""
    by_translator = [
        f"who asks {one} for what is told in IPv4" for one in audit.plan.charter.translators
    ]
    around = ["who learns them elsewhere", "who keeps them longer", *by_translator]
    for row in mine:
        if not row.let:
            yield Diagnostic(
                "place-refused-by-name",
                "warning",
                f"{row_name(row)} refuses addresses only while the gateway's resolver has told them of "
                f"{listed(place.domains, 'or')}: {listed(around, 'or')} gets there",
                audit.place(row, "reach"),
                help=f"let what is meant and nothing else, or withhold {listed(place.domains)} in "
                "`names`, too; a prefix or a list refuses addresses at any time",
            )


def _withheld(
    audit: Audit, names: NamesAudit, place: ByNames, mine: list[Row]
) -> Iterator[Diagnostic]:
    """A connection needs both: a yes from the rules, and an answer for the name."""
    for row in mine:
        who = all_starters(audit.ground, audit.source(row).who) if row.let else ()
        areas = {name for one in who for name in one.entrances} & audit.ground.all_areas
        for domain in place.domains:
            met = {area: names.verdict(area, domain) for area in sorted(areas)}
            cut = {area: found for area, found in met.items() if found.action != "answer"}
            if cut:
                decided = next(iter(cut.values()))
                what = {
                    "local": "leads inside the site",
                    "none": "leads nowhere",
                    "rewrite": f"leads to {decided.to}",
                }.get(decided.action, "is withheld")
                yield Diagnostic(
                    "place-name-not-answered",
                    "warning",
                    f"{row_name(row)} lets {listed(cut)} reach {place.name}, but for them {domain} "
                    f"{what} ({decided.label})",
                    audit.place(row, "reach"),
                    help=f"`answer` {domain} in `names` for those who are let",
                    related=((place.span, "its names"),),
                )


def _wide(place: ByNames) -> Iterator[Diagnostic]:
    for domain in place.domains:
        if is_public_suffix(domain):
            yield Diagnostic(
                "names-entry-over-wide",
                "warning",
                f"{place.name} takes in {domain} and all below it, where anybody may register names "
                "(public suffix list), and so lead wherever they like",
                place.span,
                help="name what is meant below it",
            )
