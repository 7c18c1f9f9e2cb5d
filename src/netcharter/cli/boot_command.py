"""`netcharter boot`: what the unit for boot calls, and that unit itself."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import click

from netcharter.cli.common import exits, json_option, print_json, safe, width
from netcharter.cli.rolling import refused, state_option, work


@click.command("boot")
@click.option("--unit", is_flag=True, help="print the unit for the service manager")
@click.option("--install", is_flag=True, help="install that unit; a reboot brings up what is kept")
@click.option("--remove", is_flag=True, help="take that unit away again")
@click.option(
    "--mended-by",
    metavar="NAME",
    help="for a program that mends: the history tells that it was mended, and by whom",
)
@state_option
@json_option
@exits
@refused
def cli(
    unit: bool, install: bool, remove: bool, mended_by: str | None, state: Path, as_json: bool
) -> int:
    """Bring up what is kept; the service manager calls it at boot."""
    from netcharter.tasks.enacting import acts, telling

    if unit or install or remove:
        return _unit(os.path.abspath(state), (unit, install, remove), as_json)
    at_work = work(state, quiet=True)
    if mended_by is None:
        found = acts.boot(at_work)
    else:
        found = acts.mend(replace(at_work, who=mended_by))
    if as_json:
        print_json(telling.booted_json(found))
    else:
        for line in telling.booted_lines(found, width()):
            click.echo(safe(line))
    return 0 if telling.booted_well(found) else 1


def _unit(state: str, asked: tuple[bool, bool, bool], as_json: bool) -> int:
    from netcharter.tasks import units

    unit, install, _ = asked
    if sum(asked) > 1:
        raise click.UsageError("one of --unit, --install and --remove at a time")
    if unit:
        click.echo(units.boot_text(state), nl=False)
        return 0
    name = units.BOOT_UNIT
    done = units.install(name, units.boot_text(state)) if install else units.remove(name)
    if as_json:
        print_json(done.as_json())
        return 0
    for line in done.lines(width()):
        click.echo(safe(line))
    return 0
