"""`netcharter new FILE`."""

from __future__ import annotations

import os
import secrets
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import exits, safe, width, write_text

LOCALTIME = Path("/etc/localtime")


@click.command("new")
@click.argument("file", type=click.Path(path_type=Path), default=Path("charter.yaml"))
@exits
def cli(file: Path) -> int:
    """A short conversation that writes a commented charter which checks clean."""
    from netcharter.tasks.first_charter import to_fill_in, write_charter
    from netcharter.tasks.new import converse
    from netcharter.tasks.sources import unusable

    if os.path.lexists(file):
        raise unusable("file-exists", "this file exists and is left as it is", str(file), "",
                       "name a file that does not exist yet")  # fmt: skip
    answers = converse(ask, entropy=secrets.token_bytes(16), timezone_guess=timezone_guess())
    text = write_charter(answers)
    write_text(file, text, new=True)
    return tell(file, text, to_fill_in(answers))


def ask(question: Any) -> str:
    """Put one question on the terminal."""
    if sys.stdin is None:
        raise click.Abort
    click.echo()
    if question.problem:
        click.secho(safe(question.problem), fg="red")
    click.echo(safe(question.prompt))
    if question.help:
        click.secho(f"  {safe(question.help)}", dim=True)
    return str(click.prompt(" ", default=question.default, prompt_suffix=" "))


def timezone_guess() -> str:
    """The machine's own zone, as the link to its zone file says."""
    target = str(LOCALTIME.resolve())
    return target.partition("/zoneinfo/")[2] or "UTC"


def tell(file: Path, text: str, open_ends: tuple[str, ...]) -> int:
    """Say what was written, that it checks clean, and what is still to be filled in."""
    from netcharter.tasks.check import check
    from netcharter.tasks.check_text import summary
    from netcharter.tasks.sources import Source

    click.echo()
    click.echo(safe(f"written: {file}"))
    found = check(Source(str(file), text.encode()), datetime.now(UTC))
    for line in summary(found, width()):
        click.echo(safe(line))
    for line in open_ends:
        click.echo(safe(f"to fill in: {line}"))
    click.echo(safe(f"next: read it, then `netcharter check {file}`"))
    return 0 if found.ok else 1
