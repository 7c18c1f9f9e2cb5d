"""`netcharter steward`: the service on the gateway, and how it is asked."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import exits, json_option, print_json, safe, width
from netcharter.cli.rolling import refused, state_option
from netcharter.tasks.places import SOCKET


@click.command("steward")
@click.option("--status", "status", is_flag=True, help="tell how the steward that runs is doing")
@click.option("--silence", metavar="MATTER", help="tell nothing of a matter, a duty, or `all`,")
@click.option(
    "--for",
    "hours",
    type=click.FloatRange(0, 744),
    metavar="HOURS",
    help="for so many hours (else 8; 0 ends it)",
)
@click.option("--restart", metavar="DUTY", help="begin a duty anew")
@click.option("--wake", is_flag=True, help="let all duties look now")
@click.option("--unit", is_flag=True, help="print the unit for the service manager")
@click.option("--install", is_flag=True, help="install that unit, and start the steward")
@click.option("--remove", is_flag=True, help="end the steward, and take its unit away")
@state_option
@click.option(
    "--socket", default=SOCKET, metavar="PATH", help=f"the steward's socket (else {SOCKET})"
)
@json_option
@exits
def cli(
    state: Path, socket: str, unit: bool, install: bool, remove: bool, as_json: bool, **asked: Any
) -> int:
    """Be the service that does on the gateway what goes by itself, or ask it."""
    from netcharter.tasks import steward

    state, socket = Path(os.path.abspath(state)), os.path.abspath(socket)
    request = _request(unit=sum((unit, install, remove)), **asked)
    if install or remove:
        text = steward.unit(state, socket, _has_group()) if install else None
        return _fitted(text, as_json=as_json)
    if unit:
        click.echo(steward.unit(state, socket, _has_group()), nl=False)
        return 0
    if request is None:
        steward.run(state, socket)
        return 0
    answer = steward.ask(socket, request)
    if as_json:
        print_json(answer.as_json())
        return 0 if answer.ok else 1
    for line in answer.lines(width()):
        click.echo(safe(line))
    return 0 if answer.ok else 1


def _request(
    status: bool, silence: str | None, hours: float | None, restart: str | None, wake: bool,
    unit: int,
) -> Mapping[str, Any] | None:  # fmt: skip
    """What the steward is asked; None: to be it. unit: how often something about its unit is."""
    if sum((status, silence is not None, restart is not None, wake, unit)) > 1:
        raise click.UsageError("one thing at a time")
    if hours is not None and silence is None:
        raise click.UsageError("--for belongs to --silence")
    if silence is not None:
        seconds = round((8.0 if hours is None else hours) * 3600)
        return {"ask": "silence", "what": silence, "seconds": seconds}
    if restart is not None:
        return {"ask": "restart", "duty": restart}
    if status or wake:
        return {"ask": "status" if status else "wake"}
    return None


@refused
def _fitted(text: str | None, *, as_json: bool) -> int:
    """Install the unit with this text, or take it away."""
    from netcharter.tasks import units

    name = units.STEWARD_UNIT
    done = (
        units.remove(name, starts=True) if text is None else units.install(name, text, starts=True)
    )
    if as_json:
        print_json(done.as_json())
        return 0
    for line in done.lines(width()):
        click.echo(safe(line))
    return 0


def _has_group() -> bool:
    import grp

    from netcharter.tasks.steward import GROUP

    try:
        grp.getgrnam(GROUP)
    except KeyError:
        return False
    return True
