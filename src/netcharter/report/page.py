"""The judgement of a charter as one self-contained page: no script, nothing fetched."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.escape import terminal
from netcharter.proofs import Proof
from netcharter.report import limits, sections
from netcharter.report.drawing import Drawing, draw
from netcharter.report.reach import from_areas, from_lines
from netcharter.report.site import SiteSigns, signs
from netcharter.report.wording import Sources, counted, line_anchor, quoted

WIDEST = 4  # columns of the drawing for a wide window
STYLE = "style.css.j2"


@dataclass(frozen=True, slots=True)
class FileView:
    """One text of the charter: its digest, and its lines with their ids."""

    name: str
    digest: str
    lines: tuple[tuple[str, str], ...]  # (id, text)


def proof_page(
    proof: Proof,
    texts: Mapping[str, str],
    made: datetime,
    findings: Sequence[Diagnostic] | None = None,
) -> str:
    """The whole judgement as one HTML document.

    texts: every file of the charter by the name its spans bear; made: an aware instant, told
    in site time; findings: everything found, where that is more than the proof's own findings
    (what was noticed while reading). Equal arguments give equal pages.
    """
    plan = proof.prover.plan
    zone = ZoneInfo(plan.timezone)
    sources = Sources.of(texts)
    found = proof.findings if findings is None else tuple(findings)
    site = signs(proof)
    style = _environment().get_template(STYLE).render()
    template = _environment().get_template("page.html.j2")
    return template.render(
        site=site,
        timezone=plan.timezone,
        made=_instant(made, zone),
        since=_instant(proof.prover.universe.now, zone),
        files=_files(texts),
        policy=_policy(style),
        verdict=sections.verdict(proof, found),
        drawings=_drawings(site),
        summary=_summary(site),
        devices=len(plan.devices),
        promises=sections.promises(proof, sources),
        weights=sections.weights(found, sources),
        areas=from_areas(proof, sources),
        lines=from_lines(proof, sources),
        stretches=sections.stretches(proof, sources),
        limits=limits.LIMITS,
        cautions=tuple(limits.CAUTIONS.values()),
    )


def _drawings(site: SiteSigns) -> tuple[tuple[str, Drawing], ...]:
    """One drawing for each of three widths of window; the style shows the one that fits."""
    wide = min(max(len(site.areas), len(site.lines), 2), WIDEST)
    return ("wide", draw(site, wide)), ("middle", draw(site, 2)), ("narrow", draw(site, 1))


def _instant(moment: datetime, zone: ZoneInfo) -> str:
    return moment.astimezone(zone).strftime("%a %d %b %Y, %H:%M")


def _files(texts: Mapping[str, str]) -> tuple[FileView, ...]:
    lines = Sources.of(texts).lines
    return tuple(
        FileView(
            name=name,
            digest=sha256(text.encode("utf-8", "surrogatepass")).hexdigest(),
            lines=tuple(
                (line_anchor(file, number), line.replace("\t", "    "))
                for number, line in enumerate(lines[name], 1)
            ),
        )
        for file, (name, text) in enumerate(texts.items())
    )


def _summary(site: SiteSigns) -> str:
    """The drawing in one sentence, for whoever cannot see it."""
    offers = sum(way.kind == "offer" for way in site.ways)
    broken = sum(way.kind != "offer" for way in site.ways)
    return (
        f"The internet on top, below it {counted(len(site.lines), 'line')}, the gateway, and "
        f"{counted(len(site.areas), 'area')} with their devices; {counted(offers, 'arrow')} for "
        f"offers and {counted(broken, 'marked path')} for broken promises. The tables after the "
        "drawing say the same."
    )


def _policy(style: str) -> str:
    """A content policy under which nothing is fetched and no script runs (W3C CSP Level 3)."""
    digest = b64encode(sha256(style.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _made_visible(value: Any) -> Any:
    """Writes out unseen and bidirectional characters; Jinja escapes the markup afterwards."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return terminal(value)
    return value


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("netcharter.report", ""),
        autoescape=True,
        finalize=_made_visible,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["counted"] = counted
    environment.filters["quoted"] = quoted
    return environment
