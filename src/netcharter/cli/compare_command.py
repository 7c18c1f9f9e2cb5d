"""`netcharter compare OLD NEW`."""

from __future__ import annotations

from pathlib import Path

import click

from netcharter.cli.common import (
    as_of_option,
    clock,
    exits,
    json_option,
    print_json,
    safe,
    width,
    working,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option, with_learnt


@click.command("compare")
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@keep_option
@learnt_option
@json_option
@as_of_option
@exits
def cli(
    old: Path,
    new: Path,
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
    as_of: str | None,
) -> int:
    """Exactly which connections change their fate between two charters."""
    from netcharter.tasks.compare import compare_charters

    with working("comparing"):
        before, after = with_learnt(learnt, kept_source(old, keep), kept_source(new, keep))
        found = compare_charters(before, after, clock(), as_of)
    if as_json:
        print_json(found.as_json())
        return 0 if found.ok else 1
    for line in found.lines(width()):
        click.echo(safe(line))
    return 0 if found.ok else 1
