"""`netcharter why CHARTER --from --to --with`, or `--from --name`."""

from __future__ import annotations

from collections.abc import Mapping
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
@click.option("--to", "target", metavar="WHERE", help="a name, an address, a domain")
@click.option("--with", "service", metavar="SERVICE", help="https, tcp/8443, ...")
@click.option("--name", "asked", metavar="NAME", help="a domain name that WHO asks the gateway for")
@click.option("--type", "kind", metavar="TYPE", help="of the record asked for (else A)")
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
    target: str | None,
    service: str | None,
    asked: str | None,
    kind: str | None,
    at: str | None,
    who: str | None,
    down: tuple[str, ...],
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
    as_of: str | None,
) -> int:
    """One connection's story, or one look-up's: what decides it, and why."""
    from netcharter.tasks.questions import explain, explain_name

    connection = {"--to": target, "--with": service, "--signed-in": who, "--down": down}
    _fits(asked, kind, connection)
    source = kept_source(charter, keep, learnt)
    found = (
        explain_name(source, starter, asked, kind or "A", clock(), at=at, as_of=as_of)
        if asked is not None
        else explain(source, starter, str(target), str(service), clock(), at=at, who=who, down=down,
                     as_of=as_of)
    )  # fmt: skip
    if as_json:
        print_json(found.as_json())
        return 0
    for line in found.lines(width()):
        click.echo(safe(line))
    return 0


def _fits(asked: str | None, kind: str | None, connection: Mapping[str, object]) -> None:
    """A look-up is asked about by its name alone, a connection by where it goes and with what."""
    said = [option for option, value in connection.items() if value]
    if asked is not None and said:
        raise click.UsageError(f"--name asks about a look-up, and {said[0]} is of a connection")
    if asked is None and kind is not None:
        raise click.UsageError("--type goes with --name")
    missing = [option for option in ("--to", "--with") if not connection[option]]
    if asked is None and missing:
        raise click.UsageError(
            f"Missing option '{missing[0]}'; or ask about a look-up with --name."
        )
