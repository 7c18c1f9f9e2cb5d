"""`netcharter renumber`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from textwrap import wrap

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, width
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import refused, state_option, work


@click.command("renumber")
@click.option("--by", metavar="NAME", help="for a program: who does it, for the history")
@on_option
@state_option
@json_option
@exits
@refused
def cli(by: str | None, state: Path, on: str | None, as_json: bool) -> int:
    """Take over the IPv6 prefixes that providers delegate; the steward does it by itself."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.enacting.renumbering import renumber

    at_work = work(state, quiet=as_json)
    found = renumber(at_work if by is None else replace(at_work, who=by), clock())
    if as_json:
        print_json(found.as_json())
    else:
        for text in found.lines():
            for line in wrap(text, width(), subsequent_indent="  "):
                click.echo(safe(line))
    return 0 if found.ok else 1
