"""`netcharter gate`."""

from __future__ import annotations

from pathlib import Path

import click

from netcharter.cli.common import exits, safe

REQUESTS = "/var/lib/netcharter-gate"


@click.command("gate")
@click.option(
    "--settings",
    type=click.Path(dir_okay=False, path_type=Path),
    default="/etc/netcharter/gate.json",
    metavar="FILE",
    help="what the kit tells the pages (else /etc/netcharter/gate.json)",
)
@click.option(
    "--requests",
    default=REQUESTS,
    metavar="FOLDER",
    help=f"where requests for release are kept (else {REQUESTS})",
)
@click.option("--port", type=click.IntRange(1, 65535), help="listen here (else at port 80)")
@exits
def cli(settings: Path, requests: str, port: int | None) -> int:
    """Serve the gateway's own pages; a unit of the kit does it by itself."""
    from netcharter.tasks import gate

    fault = gate.run(settings, requests, port)
    if fault is not None:
        click.echo(safe(f"refused: {fault}"), err=True)
        return 2
    return 0
