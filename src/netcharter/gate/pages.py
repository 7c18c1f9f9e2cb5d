"""The pages as text: no script, nothing fetched, every word of others escaped by the template."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from hashlib import sha256
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from netcharter.diagnostics.escape import terminal
from netcharter.gate.deciding import Withheld
from netcharter.gate.requests import KEPT, LONGEST_REACH, LONGEST_WHY, Request, Taken
from netcharter.gate.settings import Settings
from netcharter.plan.names.domains import readable

DAY = "%A %-d %B %Y"
WRONG = {
    "": "",
    "long": f"That was too long: {LONGEST_WHY} characters at most say why, {LONGEST_REACH} how you"
    " can be reached.",
    "old": "The page had been open for too long, so nothing was sent. What you wrote is still there:"
    " please send it once more.",
    "broken": "What arrived was no form of this page, so nothing was sent.",
}


@dataclass(frozen=True, slots=True)
class Form:
    """What is in the form when the page is shown; wrong: a key of `WRONG`."""

    why: str = ""
    reach: str = ""
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of the explanation: text, and what it says in smaller print."""

    title: str
    text: str
    more: str = ""


def explained(settings: Settings, found: Withheld, form: Form, mark: str) -> str:
    """Why a name is withheld, and the form. mark: of the form (`tokens`)."""
    return _page(
        "explained.html.j2",
        settings.site,
        name=found.name,
        shown=_shown(found.name),
        area=found.area,
        facts=facts(settings, found),
        contact=found.contact,
        form=form,
        wrong=WRONG[form.wrong],
        mark=mark,
        longest_why=LONGEST_WHY,
        longest_reach=LONGEST_REACH,
        days=KEPT.days,
    )


def noted(settings: Settings, found: Withheld, request: Request, how: Taken) -> str:
    """The request has been written down, or had been."""
    return _page(
        "noted.html.j2",
        settings.site,
        name=found.name,
        shown=_shown(found.name),
        number=how.number,
        new=how.new,
        request=request,
        contact=found.contact,
        days=KEPT.days,
    )


def no_room(settings: Settings, found: Withheld) -> str:
    """It can't be written down."""
    return _page("no_room.html.j2", settings.site, contact=found.contact)


def gateway(site: str) -> str:
    """For whoever comes by a name that is not withheld from them, or by none."""
    return _page("gateway.html.j2", site)


def too_often(site: str) -> str:
    """For whoever comes too often."""
    return _page("too_often.html.j2", site)


# --- the explanation -----------------------------------------------------------------------------


def facts(settings: Settings, found: Withheld) -> Sequence[Fact]:
    """What is known of it, in the order in which one asks."""
    who = "everybody on this site" if found.audience == "anyone" else found.audience
    return [
        *_why(settings, found),
        Fact("Found in", *_where(settings, found)),
        Fact("For whom", who),
        Fact("Until", _until(settings, found)),
        Fact("The rule", found.row.label),
    ]


def _why(settings: Settings, found: Withheld) -> list[Fact]:
    said = settings.names.lists[found.match.list].said.because if found.match else None
    because = found.row.because or said
    return [Fact("Because", because)] if because else []


def _where(settings: Settings, found: Withheld) -> tuple[str, str]:
    if found.match is None:
        whole = "every name is withheld here, unless another rule answers it"
        return ("the rule itself", whole if found.term == "anything" else found.term)
    of = settings.names.lists[found.match.list].said.topic
    entry = found.match.entry
    says = f"line {found.match.line} says {entry}"
    says += ", with all names below it" if found.match.below else ""
    return f"the list {found.match.list}" + (
        f" ({of})" if of and of != found.match.list else ""
    ), says


def _until(settings: Settings, found: Withheld) -> str:
    last = found.row.until
    day = f"the end of {last.strftime(DAY)}" if last else ""
    if found.ends is None:
        return day or "further notice"
    local = found.ends.astimezone(settings.zone)
    bell = f"{_moment(local)} (hours: {found.row.during})"
    return f"{bell}, and for good at {day}" if day else bell


def _moment(local: datetime) -> str:
    return f"{local:%H:%M} on {local.strftime(DAY)}"


def _shown(name: str) -> str:
    """A name of another script in that, to be shown beside the other; "" where it is the same."""
    found = readable(name)
    return "" if found == name else found


# --- templates -----------------------------------------------------------------------------------


def _page(template: str, site: str, **values: Any) -> str:
    return _environment().get_template(template).render(site=site, **values)


def _made_visible(value: Any) -> Any:
    """Writes out unseen and bidirectional characters; Jinja escapes the markup afterwards."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return terminal(value).replace("<U+000A>", "\n")
    return value


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("netcharter.gate", "templates"),
        autoescape=True,
        finalize=_made_visible,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def _style() -> str:
    return _environment().get_template("style.css.j2").render()


def _policy() -> str:
    """Nothing is fetched, no script runs, nobody frames the page (W3C CSP Level 3)."""
    digest = b64encode(sha256(_style().encode()).digest()).decode()
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )


POLICY = _policy()
