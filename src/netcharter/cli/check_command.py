"""`netcharter check CHARTER`."""

from __future__ import annotations

from pathlib import Path

import click

from netcharter.cli.common import (
    as_of_option,
    charter_argument,
    clock,
    exits,
    json_option,
    print_json,
    safe,
    told,
    width,
    working,
    write_text,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option


@click.command("check")
@charter_argument
@click.option(
    "--page",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="write the judgement as one self-contained page",
)
@keep_option
@learnt_option
@json_option
@as_of_option
@exits
def cli(
    charter: Path,
    page: Path | None,
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
    as_of: str | None,
) -> int:
    """Judge a charter: what every possible connection will do, before anything is touched."""
    from netcharter.tasks.check import check, page_of
    from netcharter.tasks.check_text import summary

    with working("proving"):
        found = check(kept_source(charter, keep, learnt), clock(), as_of)
    if page is not None:
        write_text(page, page_of(found, clock()), keep=map(Path, found.texts))
    if as_json:
        print_json(found.as_json())
        return 0 if found.ok else 1
    if found.findings:
        told(found.findings, found.texts)
    for line in summary(found, width()):
        click.echo(safe(line))
    if page is not None:
        click.echo(safe(f"page written: {page}"))
    return 0 if found.ok else 1
