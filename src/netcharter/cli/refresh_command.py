"""`netcharter refresh`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from textwrap import wrap

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, width
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import refused, state_option, work


@click.command("refresh")
@click.argument("lists", metavar="[LIST]...", nargs=-1)
@click.option(
    "--accept",
    multiple=True,
    metavar="LIST",
    help="take this list whatever its size is now; for several lists, again",
)
@click.option("--by", metavar="NAME", help="for a program: who does it, for the history")
@on_option
@state_option
@json_option
@exits
@refused
def cli(
    lists: tuple[str, ...],
    accept: tuple[str, ...],
    by: str | None,
    state: Path,
    on: str | None,
    as_json: bool,
) -> int:
    """Fetch lists that are due, or those that are named; the steward does it by itself."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.enacting.refreshing import refresh

    at_work = work(state, quiet=as_json)
    at_work = at_work if by is None else replace(at_work, who=by)
    found = refresh(at_work, clock(), {*lists, *accept}, accept)
    if as_json:
        print_json(found.as_json())
    else:
        for text in found.lines():
            for line in wrap(text, width(), subsequent_indent="  "):
                click.echo(safe(line))
    return 0 if found.ok else 1
