"""`netcharter why CHARTER --from --to --with`."""

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
    width,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option


@click.command("why")
@charter_argument
@click.option("--from", "starter", required=True, metavar="WHO", help="who starts")
@click.option("--to", "target", required=True, metavar="WHERE", help="a name, an address, a domain")
@click.option("--with", "service", required=True, metavar="SERVICE", help="https, tcp/8443, ...")
@click.option("--at", metavar="MOMENT", help="'Tue 21:30', '2026-12-01 08:00' (else now)")
@click.option("--signed-in", "who", metavar="PERSON", help="a person, guest or nobody")
@click.option("--down", multiple=True, metavar="LINE", help="a line that is down")
@keep_option
@learnt_option
@json_option
@as_of_option
@exits
def cli(
    charter: Path,
    starter: str,
    target: str,
    service: str,
    at: str | None,
    who: str | None,
    down: tuple[str, ...],
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
    as_of: str | None,
) -> int:
    """One connection's story: what decides it, and why."""
    from netcharter.tasks.questions import explain

    found = explain(
        kept_source(charter, keep, learnt),
        starter,
        target,
        service,
        clock(),
        at=at,
        who=who,
        down=down,
        as_of=as_of,
    )
    if as_json:
        print_json(found.as_json())
        return 0
    for line in found.lines(width()):
        click.echo(safe(line))
    return 0
