"""`netcharter holds`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, width
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import refused, state_option, work


@click.command("holds")
@click.option("--mend", is_flag=True, help="put what is kept in place again where it does not hold")
@on_option
@state_option
@json_option
@exits
@refused
def cli(mend: bool, state: Path, on: str | None, as_json: bool) -> int:
    """Is what the kernel has loaded still the plan? The difference, as connections."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.enacting import acts, telling

    rolling = work(state, quiet=as_json)
    found = acts.still_holds(rolling, clock())
    if mend and not found.ok:
        met = tuple(telling.mended_lines(acts.mend(rolling), width()))
        again = acts.still_holds(rolling, clock())
        found = replace(again, notes=(*met, *again.notes))
    if as_json:
        print_json(found.as_json())
    else:
        for line in found.lines(width()):
            click.echo(safe(line))
    return 0 if found.ok else 1
