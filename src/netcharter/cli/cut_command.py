"""`netcharter cut`."""

from __future__ import annotations

import os
from pathlib import Path

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, width
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import refused, state_option, work


@click.command("cut")
@click.option("--only-tell", is_flag=True, help="tell which would be cut; cut nothing")
@click.option(
    "--hours-closed",
    is_flag=True,
    help="take what hours or a last day open for closed, as where the clock is not known",
)
@click.option("--spare-none", is_flag=True, help="your own session too, if it is refused")
@on_option
@state_option
@json_option
@exits
@refused
def cli(
    only_tell: bool, hours_closed: bool, spare_none: bool, state: Path, on: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Decide open conversations again, and cut what is refused now; the steward does it by itself."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.enacting.cutting import cut
    from netcharter.tasks.enacting.here import ssh_connection

    found = cut(
        work(state, quiet=as_json),
        clock(),
        None if spare_none else ssh_connection(os.environ),
        hours=not hours_closed,
        really=not only_tell,
    )
    if as_json:
        print_json(found.as_json())
        return 0
    for line in found.lines(width()):
        click.echo(safe(line))
    return 0
