"""`netcharter render CHARTER -o DIR`."""

from __future__ import annotations

from pathlib import Path

import click

from netcharter.cli.common import (
    charter_argument,
    exits,
    json_option,
    print_json,
    safe,
    source,
)


@click.command("render")
@charter_argument
@click.option(
    "-o",
    "--output",
    "folder",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="the folder to write the kit to",
)
@json_option
@exits
def cli(charter: Path, folder: Path, as_json: bool) -> int:
    """Write the kit: nftables, sysctl, addresses, routes, and a manifest with digests."""
    from netcharter.cli.folders import write_folder
    from netcharter.tasks.kit import render_charter

    found = render_charter(source(charter))
    write_folder(folder, found.kit.files)
    if as_json:
        print_json(found.as_json(str(folder)))
        return 0
    for line in found.lines(str(folder)):
        click.echo(safe(line))
    return 0
