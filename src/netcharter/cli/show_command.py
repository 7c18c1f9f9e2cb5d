"""`netcharter show CHARTER`."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from netcharter.cli.common import (
    charter_argument,
    colour,
    exits,
    json_option,
    print_json,
    width,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option


@click.command("show")
@charter_argument
@click.option(
    "--by",
    type=click.Choice(["who", "to", "service"]),
    help="one view of the decisions: by who starts, by what is reached, by service",
)
@keep_option
@learnt_option
@json_option
@exits
def cli(
    charter: Path,
    by: Literal["who", "to", "service"] | None,
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
) -> int:
    """The plan: lines, areas, addresses, devices, hours, and the decisions in order."""
    from netcharter.tasks.show import show_charter
    from netcharter.tasks.show_text import show_text

    found = show_charter(kept_source(charter, keep, learnt), by)
    if as_json:
        print_json(found.as_json())
    else:
        click.echo(show_text(found, width(), colour()), nl=False)
    return 0
