"""`netcharter backup -o FILE`."""

from __future__ import annotations

import os
from pathlib import Path

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, write_bytes
from netcharter.cli.rolling import refused, state_option, who


@click.command("backup")
@click.option(
    "--output", "-o", required=True, type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE", help="the file to write",
)  # fmt: skip
@click.option("--secrets", is_flag=True, help="with the secrets, sealed by a password it asks for")
@state_option
@json_option
@exits
@refused
def cli(output: Path, secrets: bool, state: Path, as_json: bool) -> int:
    """Copy what is kept here, earlier versions and the history into one signed file."""
    from netcharter.tasks.copies import NOTICE, save_here

    password = None
    if secrets:
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    saved = save_here(os.path.abspath(state), who(), clock(), password)
    write_bytes(output, saved.data)
    if as_json:
        print_json(saved.as_json())
        return 0
    click.echo(safe(f"{output}: {len(saved.data):,} bytes"))
    click.echo(f"fingerprint: {saved.fingerprint}")
    click.echo(NOTICE)
    return 0
