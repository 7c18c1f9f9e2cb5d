"""`--on HOST`: the same command on the gateway, over the system's own ssh.

The charter stays where one writes it; a copy goes to the gateway for as long as the command runs.
ssh(1) must know the gateway's key already: a host that could be anybody is refused.
"""

from __future__ import annotations

import re
import shlex
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])
SSH = ("ssh", "-o", "StrictHostKeyChecking=yes", "-o", "ConnectTimeout=15")
LIMIT = 60.0  # seconds for what asks nobody anything
FAILED = 255  # ssh(1): it could not get there
_FOLDER = re.compile(r"/[\w./-]{1,200}")
# Whoever is not root there becomes root by sudo(8), which asks on the terminal if it has to.
AS_ROOT = 'if [ "$(id -u)" = 0 ]; then exec "$@"; else exec sudo -- "$@"; fi'


def on_option(function: F) -> F:
    """`--on HOST` for a command of a roll-out."""
    return click.option(
        "--on",
        metavar="HOST",
        callback=_checked,
        help="do it on this gateway, by ssh (user@host); its key must be known",
    )(function)


def _checked(context: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    if value is not None and (not value or value.startswith("-") or not value.isprintable()):
        raise click.BadParameter("name a host as ssh takes it, such as root@192.0.2.1")
    return value


def there(host: str, words: Sequence[str], *, terminal: bool) -> int:
    """A netcharter command on a host, as root; its exit code. terminal: it may ask."""
    command = shlex.join(["sh", "-c", AS_ROOT, "sh", "netcharter", *words])
    asking = ["-t"] if terminal else []
    code = subprocess.run([*SSH, *asking, "--", host, command], check=False).returncode
    if code == FAILED:
        click.echo(
            "ssh could not get there; log in once by hand, and compare the host's key", err=True
        )
        return 2
    return code


def elsewhere(host: str, charter: Path | None = None) -> int:
    """The command that runs just now, with all that was said, on a host instead.

    charter: the argument that is a charter; a copy of it, and of what it includes, lies there while
    the command runs.
    """
    context = click.get_current_context()
    terminal = not context.params.get("as_json")
    if charter is None:
        return there(host, _words(context, None), terminal=terminal)
    files = _charter_files(charter)
    folder = _said(host, "mktemp -d /tmp/netcharter.XXXXXXXX").decode("ascii", "replace").strip()
    if not _FOLDER.fullmatch(folder) or ".." in folder:
        raise _away(f"{host} made no folder for the charter")
    try:
        for name, data in files.items():
            path = f"{folder}/{name}"
            above = shlex.quote(str(Path(path).parent))
            _said(host, f"mkdir -p {above} && cat > {shlex.quote(path)}", data)
        return there(host, _words(context, f"{folder}/{charter.name}"), terminal=terminal)
    finally:
        _said(host, f"rm -rf -- {shlex.quote(folder)}")


def _words(context: click.Context, charter: str | None) -> list[str]:
    """The command line of a command, but for `--on`."""
    found = [str(context.info_name)]
    for parameter in context.command.params:
        name = str(parameter.name)
        value = context.params.get(name)
        if name in ("on", "charter") or value is None or value == parameter.get_default(context):
            continue
        option = [] if isinstance(parameter, click.Argument) else [parameter.opts[0]]
        if value is True:
            found += option
            continue
        for one in value if isinstance(value, tuple) else (value,):
            found += [*option, str(one)]
    return found if charter is None else [*found, "--", charter]


def _said(host: str, command: str, data: bytes = b"") -> bytes:
    try:
        found = subprocess.run(
            [*SSH, "--", host, command], input=data, capture_output=True, timeout=LIMIT, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as fault:
        raise _away(f"{host} can't be reached: {fault}") from None
    if found.returncode:
        raise _away(found.stderr.decode("utf-8", "replace").strip() or f"{host} can't be reached")
    return found.stdout


class _Away(click.ClickException):
    """What could not be done there."""

    exit_code = 2


def _away(message: str) -> click.ClickException:
    from netcharter.cli.common import safe

    return _Away(safe(message))


def _charter_files(path: Path) -> dict[str, bytes]:
    """A charter and the files that it includes, by their names beside it. Raises Unusable."""
    from netcharter.cli.common import source
    from netcharter.tasks.sources import included

    found = source(path)
    return {path.name: found.text, **included(found)}
