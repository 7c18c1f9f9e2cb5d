"""`netcharter enact CHARTER`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import (
    charter_argument,
    clock,
    exits,
    json_option,
    print_json,
    safe,
    source,
    width,
)
from netcharter.cli.progress import progress
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import refused, state_option, work

CHECKS = ("promises", "management", "rehearsal")


@click.command("enact")
@charter_argument
@state_option
@click.option(
    "--waive",
    multiple=True,
    type=click.Choice(CHECKS),
    help="put it in place although this check fails; recorded, and needs --because",
)
@click.option("--because", default="", metavar="TEXT", help="why, for the history")
@click.option(
    "--within",
    type=click.IntRange(30, 86_400),
    default=300,
    metavar="SECONDS",
    help="undo it unless it is kept within so many seconds (else 300)",
)
@click.option(
    "--set-aside",
    multiple=True,
    metavar="TABLE",
    help="a table of nftables of others that goes while this is in place ('ip filter')",
)
@on_option
@click.option("--yes", is_flag=True, help="do not ask")
@click.option("--prepare", is_flag=True, help="look what this machine lacks for it; change nothing")
@click.option("--only-judge", is_flag=True, help="judge it for this machine; change nothing")
@json_option
@exits
@refused
def cli(charter: Path, state: Path, on: str | None, as_json: bool, **said: Any) -> int:
    """Put a charter in place on this machine, on trial: it is undone unless you keep it."""
    if said["waive"] and not said["because"]:
        raise click.UsageError("--waive needs --because: it is recorded")
    if on is not None:
        return elsewhere(on, charter)
    if said["prepare"]:
        return _prepared(charter, as_json)
    rolling = work(state, quiet=as_json)
    ready = _judged(rolling, charter, said)
    if not as_json:
        _show(ready.lines(width()))
    if not ready.ok or said["only_judge"]:
        if as_json:
            print_json(ready.as_json())
        return 0 if ready.ok else 1
    if not said["yes"] and not click.confirm("Put it in place on trial?", err=as_json):
        return 1
    return _enacted(rolling, ready, said, as_json)


def _prepared(charter: Path, as_json: bool) -> int:
    from netcharter.tasks.preparing import prepared

    found = prepared(source(charter))
    if as_json:
        print_json(found.as_json())
    else:
        _show(found.lines())
    return 0 if found.ok else 1


def _judged(rolling: Any, charter: Path, said: dict[str, Any]) -> Any:
    from netcharter.tasks.enacting import acts
    from netcharter.tasks.enacting.here import here, ssh_connection
    from netcharter.tasks.enacting.ready import judged

    connection = ssh_connection(os.environ)
    with progress() as heard:
        return judged(
            acts.with_kept_areas(rolling, source(charter)),
            clock(),
            lambda plan: here(plan, connection),
            kept=acts.kept_plan(rolling),
            waived=said["waive"],
            as_kept=lambda: acts.as_kept(rolling),
            in_the_way=lambda files: acts.in_the_way(rolling, files),
            on_progress=heard,
        )


def _enacted(rolling: Any, ready: Any, said: dict[str, Any], as_json: bool) -> int:
    from netcharter.tasks.enacting import acts, telling

    done = acts.enact(
        rolling,
        ready,
        why=said["because"],
        seconds=said["within"],
        set_aside=said["set_aside"],
        now=clock(),
    )
    found = telling.outcome_json(done.outcome)
    ok = found["state"] == "waiting"
    if as_json:
        again = done.again.as_json() if done.again else None
        print_json({**ready.as_json(), **found, "ok": ok, "again": again})
    else:
        _show(telling.again_lines(done.again, width()))
        _show(telling.outcome_lines(done.outcome, ready.plan.timezone, width()))
    return 0 if ok else 1


def _show(lines: Any) -> None:
    for line in lines:
        click.echo(safe(line))
    sys.stdout.flush()
