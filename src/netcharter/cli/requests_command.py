"""`netcharter requests`."""

from __future__ import annotations

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, width
from netcharter.cli.gate_command import REQUESTS
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import Whole, refused


@click.command("requests")
@click.option(
    "--done",
    multiple=True,
    type=Whole(1),
    metavar="NUMBER",
    help="take this one away, answered or not; for several, again",
)
@click.option(
    "--requests",
    "folder",
    default=REQUESTS,
    metavar="FOLDER",
    help=f"where they are kept (else {REQUESTS})",
)
@on_option
@json_option
@exits
@refused
def cli(done: tuple[int, ...], folder: str, on: str | None, as_json: bool) -> int:
    """What people asked for on the page that says why a name is withheld."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.gate import requests

    found = requests(folder, tuple(dict.fromkeys(done)), clock)
    if as_json:
        print_json(found.as_json())
    else:
        for line in found.lines(width()):
            click.echo(safe(line))
    return 0 if found.ok else 1
