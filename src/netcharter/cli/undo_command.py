"""`netcharter undo [VERSION]`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import clock, exits, json_option, print_json, safe, width
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import ASKED_FOR, Whole, refused, state_option, work


@click.command("undo")
@click.argument("version", required=False, type=Whole(0))
@click.option("--history", is_flag=True, help="tell what happened here; change nothing")
@click.option("--because", default="", metavar="TEXT", help="why, for the history")
@click.option(
    "--within",
    type=Whole(30, 86_400),
    default=300,
    metavar="SECONDS",
    help="go forward again unless an earlier version is kept within so many seconds (else 300)",
)
@on_option
@state_option
@json_option
@exits
@refused
def cli(
    version: int | None,
    history: bool,
    because: str,
    within: int,
    on: str | None,
    state: Path,
    as_json: bool,
) -> int:
    """Go back: from what is on trial to what is kept; else to what was kept just before, or to
    VERSION (0: this machine without anything of netcharter's)."""
    if on is not None:
        return elsewhere(on)
    from netcharter.tasks.enacting import acts

    rolling = work(state, quiet=as_json)
    if history:
        return _history(rolling, as_json)
    if version is None and acts.standing(rolling).situation == "open":
        return _undone(rolling, because, as_json)
    return _back(rolling, version, because, within, as_json)


def _history(rolling: Any, as_json: bool) -> int:
    from netcharter.tasks.enacting import acts, telling

    events, unread = acts.happened(rolling)
    if as_json:
        print_json(telling.history_json(events, unread))
    else:
        for line in telling.history_lines(events, unread, acts.zone(rolling), width()):
            click.echo(safe(line))
    return 1 if unread else 0


def _undone(rolling: Any, because: str, as_json: bool) -> int:
    from netcharter.tasks.enacting import cutting, telling
    from netcharter.tasks.enacting.here import ssh_connection

    why = because or ASKED_FOR
    found, again = cutting.undo(rolling, why, clock(), ssh_connection(os.environ))
    said = telling.undone_json(found)
    if as_json:
        again_said = again.as_json() if again else None
        print_json({**said, "difference": "", "again": again_said})
    else:
        for line in telling.again_lines(again, width()):
            click.echo(safe(line))
        lines = ["nothing was on trial any more"]
        for line in lines if found is None else telling.undone_lines(found, width()):
            click.echo(safe(line))
    return 0 if said["ok"] else 1


def _back(rolling: Any, version: int | None, because: str, within: int, as_json: bool) -> int:
    from netcharter.tasks.enacting import acts, telling
    from netcharter.tasks.enacting.here import ssh_connection

    connection = ssh_connection(os.environ)
    done = acts.back(rolling, version, because, clock(), within, connection)
    found, again = done.outcome, done.again
    said = telling.outcome_json(found)
    ok = said["state"] == "waiting"
    if as_json:
        again_said = again.as_json() if again else None
        print_json({"ok": ok, **said, "difference": done.difference, "again": again_said})
    else:
        click.echo(safe(f"what changes: {done.difference}"))
        for line in telling.again_lines(again, width()):
            click.echo(safe(line))
        zone = acts.zone(rolling)
        for line in telling.outcome_lines(found, zone, width(), done.diverting):
            click.echo(safe(line))
    return 0 if ok else 1
