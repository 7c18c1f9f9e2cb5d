"""Findings about hours: terms that are over or will be, after which nobody chose what holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from netcharter.diagnostics import Diagnostic
from netcharter.plan.shapes import Hours
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.site_audit import SOON


def terms_end(audit: Audit) -> Iterator[Diagnostic]:
    """Hours whose terms are all over, or will be within thirty days."""
    today = audit.prover.universe.local_now().date()
    for hours in audit.plan.hours.values():
        for key, terms in (("terms", hours.terms), ("outside", hours.outside)):
            days = [last for term in terms for _, last in term.stretches]
            if not days or (key == "outside" and hours.terms):
                continue
            last = max(days)
            if last < today:
                told = f"the last of the terms of {hours.name} ended on {last:%d %B %Y}"
            elif last - today <= SOON:
                told = f"the last of the terms of {hours.name} ends on {last:%d %B %Y}"
            else:
                continue
            yield Diagnostic(
                "terms-over" if last < today else "terms-end-soon",
                "warning",
                f"{told}, and {_then(hours, key, last)}",
                audit.plan.charter.where("hours", hours.name, key),
                help="write the next term, or leave out what nobody needs any more",
            )


def _then(hours: Hours, key: str, last: date) -> str:
    """What holds once all terms are over."""
    if key == "outside":
        return "from then on its weekly windows begin on every day"
    if any(day > last for day in hours.dates):
        return "from then on only its dates are left"
    return "from then on it is never open again"


EVERY_HOURS = (terms_end,)
