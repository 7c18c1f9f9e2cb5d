"""`netcharter boot`: what the unit for boot calls."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from netcharter.cli.common import exits, json_option, print_json, safe, width
from netcharter.cli.rolling import refused, state_option, work


@click.command("boot")
@click.option("--unit", is_flag=True, help="print the unit for the service manager")
@state_option
@json_option
@exits
@refused
def cli(unit: bool, state: Path, as_json: bool) -> int:
    """Bring up what is kept; the service manager calls it at boot."""
    from netcharter.tasks.enacting import acts, telling

    if unit:
        click.echo(acts.unit((sys.executable, "-m", "netcharter", "boot"), str(state)), nl=False)
        return 0
    found = acts.boot(work(state, quiet=True))
    if as_json:
        left = list(found.left)
        print_json({"ok": not left, "state": "in place", "version": found.version, "left": left})
    else:
        for line in telling.booted_lines(found, width()):
            click.echo(safe(line))
    return 0 if not found.left else 1
