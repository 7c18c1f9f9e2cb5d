"""`netcharter ask CHARTER QUESTION`."""

from __future__ import annotations

from pathlib import Path

import click

from netcharter.cli.common import (
    as_of_option,
    charter_argument,
    clock,
    exits,
    json_option,
    print_json,
    safe,
    working,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option


@click.command("ask")
@charter_argument
@click.argument("question", required=False)
@click.option("--from", "who", multiple=True, metavar="WHO", help="who starts")
@click.option("--to", "reach", multiple=True, metavar="WHERE", help="what is reached")
@click.option("--with", "services", multiple=True, metavar="SERVICE", help="with which service")
@click.option("--at", metavar="MOMENT", help="at this moment only: 'Tue 21:30'")
@keep_option
@learnt_option
@json_option
@as_of_option
@exits
def cli(
    charter: Path,
    question: str | None,
    who: tuple[str, ...],
    reach: tuple[str, ...],
    services: tuple[str, ...],
    at: str | None,
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
    as_of: str | None,
) -> int:
    """Who can reach what, exactly, and who decides: "who can reach booking"."""
    from netcharter.tasks.questions import ask_charter

    with working("asking"):
        found = ask_charter(
            kept_source(charter, keep, learnt),
            question,
            clock(),
            who=who,
            reach=reach,
            services=services,
            at=at,
            as_of=as_of,
        )
    if as_json:
        print_json(found.as_json())
        return 0
    for line in found.lines():
        click.echo(safe(line))
    return 0
