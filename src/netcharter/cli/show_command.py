"""`netcharter show CHARTER`."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import click

from netcharter.cli.common import (
    as_of_option,
    charter_argument,
    clock,
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
@click.option("--hours", is_flag=True, help="when hours begin and end, for a year from now on")
@click.option("--around", is_flag=True, help="by which means hosts get round resolver and rules")
@as_of_option
@keep_option
@learnt_option
@json_option
@exits
def cli(
    charter: Path,
    by: Literal["who", "to", "service"] | None,
    hours: bool,
    around: bool,
    as_of: str | None,
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
) -> int:
    """The plan: lines, areas, addresses, devices, hours, and the decisions in order; or the instants
    at which its hours begin and end; or the ways around it."""
    from netcharter.tasks.show import show_charter
    from netcharter.tasks.show_text import show_text

    _sensible(by, hours, around, as_of)
    source = kept_source(charter, keep, learnt)
    if hours:
        return _hours(source, as_of, as_json)
    if around:
        return _around(source, as_of, as_json)
    found = show_charter(source, by)
    if as_json:
        print_json(found.as_json())
    else:
        click.echo(show_text(found, width(), colour()), nl=False)
    return 0


def _sensible(by: str | None, hours: bool, around: bool, as_of: str | None) -> None:
    """Raises click.UsageError for options that say nothing together."""
    if hours and around:
        raise click.UsageError("--hours and --around show different things: say one of them")
    if (hours or around) and by is not None:
        said = "--hours" if hours else "--around"
        raise click.UsageError(f"{said} shows no decisions, so --by has nothing to say there")
    if as_of is not None and not hours and not around:
        raise click.UsageError(
            "--as-of is about --hours and --around: the plan is the same at all times"
        )


def _hours(source: Any, as_of: str | None, as_json: bool) -> int:
    from netcharter.tasks.flips import show_hours

    found = show_hours(source, clock(), as_of)
    if as_json:
        print_json(found.as_json())
    else:
        click.echo(found.text(), nl=False)
    return 0


def _around(source: Any, as_of: str | None, as_json: bool) -> int:
    from netcharter.tasks.around import show_around

    found = show_around(source, clock(), as_of)
    if as_json:
        print_json(found.as_json())
    else:
        click.echo(found.text(width()), nl=False)
    return 0
