"""`netcharter keep`."""

from __future__ import annotations

from pathlib import Path

import click

from netcharter.cli.common import exits, json_option, print_json, safe, width
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import brought_up, refused, state_option, work


@click.command("keep")
@on_option
@state_option
@json_option
@exits
@refused
def cli(state: Path, on: str | None, as_json: bool) -> int:
    """Keep what is on trial, if it still is in place as planned: a reboot brings it up."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.enacting import acts, telling

    kept = acts.keep(work(state, quiet=True))
    boots = brought_up(kept.version, state)
    if as_json:
        print_json(
            {"ok": True, "state": "kept", "version": kept.version, "notes": list(kept.notes),
             "boots": not boots}
        )  # fmt: skip
        return 0
    for line in (*telling.kept_lines(kept, width()), *boots):
        click.echo(safe(line))
    return 0
