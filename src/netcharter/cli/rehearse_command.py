"""`netcharter rehearse CHARTER`."""

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
    width,
)
from netcharter.cli.keeping import keep_option, kept_source, learnt_option


@click.command("rehearse")
@charter_argument
@click.option("--from", "starter", metavar="WHO", help="try one connection only: who starts it,")
@click.option("--to", "target", metavar="WHERE", help="what it reaches,")
@click.option("--with", "service", metavar="SERVICE", help="and with which service")
@click.option(
    "--captures",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="write the frames of each mismatch here, as pcapng",
)
@click.option(
    "--limit", type=click.IntRange(1, 100_000), metavar="N", help="try so many probes at most"
)
@click.option(
    "--within",
    type=click.IntRange(1, 86_400),
    metavar="SECONDS",
    help="send nothing new after so many seconds",
)
@keep_option
@learnt_option
@json_option
@as_of_option
@exits
def cli(
    charter: Path,
    starter: str | None,
    target: str | None,
    service: str | None,
    captures: Path | None,
    limit: int | None,
    within: int | None,
    keep: Path | None,
    learnt: tuple[str, ...],
    as_json: bool,
    as_of: str | None,
) -> int:
    """Try the kit in a lab with real packets: is what is seen what was predicted?"""
    from netcharter.cli.folders import write_captures
    from netcharter.cli.progress import progress
    from netcharter.tasks.rehearse import rehearse_charter
    from netcharter.tasks.rehearse_text import summary

    only = _only(starter, target, service)
    with progress() as heard:
        source = kept_source(charter, keep, learnt)
        found = rehearse_charter(
            source, clock(), as_of, only=only, limit=limit, seconds=within, on_progress=heard
        )
    folder = None if captures is None else str(captures)
    if as_json:
        print_json(found.as_json(folder))
    else:
        for line in summary(found, width(), folder):
            click.echo(safe(line))
    if captures is not None:  # what was seen is told, also where its frames can't be kept
        write_captures(captures, found)
    return 0 if found.ok else 1


def _only(*said: str | None) -> tuple[str, str, str] | None:
    """The one connection that is asked for: all of it, or none."""
    if all(part is None for part in said):
        return None
    starter, target, service = said
    if starter is None or target is None or service is None:
        raise click.UsageError("--from, --to and --with belong together")
    return starter, target, service
