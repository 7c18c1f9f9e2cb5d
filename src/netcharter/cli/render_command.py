"""`netcharter render CHARTER -o DIR`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from netcharter.cli.common import (
    charter_argument,
    exits,
    json_option,
    print_json,
    safe,
    width,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option


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
@keep_option
@learnt_option
@json_option
@exits
def cli(
    charter: Path, folder: Path, keep: Path | None, learnt: tuple[str, ...], as_json: bool
) -> int:
    """Write the kit: nftables, sysctl, addresses, routes, and a manifest with digests."""
    from netcharter.cli.folders import is_kit, write_folder
    from netcharter.tasks.kit import render_charter

    if keep is None and is_kit(folder):
        keep = folder
    given = replace(
        kept_source(charter, keep, learnt), stand_ins=False
    )  # a machine has none of them
    found = render_charter(given)
    write_folder(folder, found.kit.files)
    if as_json:
        print_json(found.as_json(str(folder)))
        return 0
    for line in found.lines(str(folder), width()):
        click.echo(safe(line))
    return 0
