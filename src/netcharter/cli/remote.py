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
from typing import IO, Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])
# A word every few seconds: a session in which nothing is said can't be told from one that is gone,
# neither here nor by the connection tracking of a gateway that gets its first kit.
SSH = (
    *("ssh", "-o", "StrictHostKeyChecking=yes", "-o", "ConnectTimeout=15"),
    *("-o", "ServerAliveInterval=3", "-o", "ServerAliveCountMax=20"),
)
LIMIT = 60.0  # seconds for what asks nobody anything
FAILED = 255  # ssh(1): it could not get there
LOST = "ssh could not get there; log in once by hand, and compare the host's key"
_FOLDER = re.compile(r"/[\w./-]{1,200}")
# Whoever is not root there becomes root by sudo(8), which asks on the terminal if it has to.
AS_ROOT = (
    'cd "$1" || exit 2; shift; if [ "$(id -u)" = 0 ]; then exec "$@"; else exec sudo -- "$@"; fi'
)


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


def there(host: str, words: Sequence[str], *, terminal: bool, folder: str = ".") -> int:
    """A netcharter command on a host, as root, in a folder there; its exit code. terminal: it may
    ask."""
    command = shlex.join(["sh", "-c", AS_ROOT, "sh", folder, "netcharter", *words])
    asking = ["-t"] if terminal else []
    try:
        code = subprocess.run([*SSH, *asking, "--", host, command], check=False).returncode
    except OSError as fault:
        raise _away(f"{host} can't be reached: {fault}") from None
    if code == FAILED:
        raise _away(LOST)
    return code


def elsewhere(host: str, charter: Path | None = None, more: Sequence[str] = ()) -> int:
    """The command that runs just now, with all that was said, on a host instead.

    charter: the argument that is a charter; a copy of it, and of what it includes, lies there while
    the command runs. more: options that are said there besides.
    """
    context = click.get_current_context()
    terminal = not context.params.get("as_json")
    state = context.params.get("state")
    if state is not None and not Path(state).is_absolute():
        raise click.UsageError("with --on, --state is a whole path on that host")
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
        name, *words = _words(context, charter.name)
        words = [name, *more, *words]
        return there(host, words, terminal=terminal, folder=folder)
    finally:
        _gone(host, folder)


def _gone(host: str, folder: str) -> None:
    """The copy of the charter goes. That it can't changes nothing of what came of the command."""
    from netcharter.cli.common import safe

    try:
        _said(host, f"rm -rf -- {shlex.quote(folder)}")
    except _Away as fault:
        words = f"{folder} is left on {host}: {fault.message.splitlines()[0]}"
        click.echo(safe(words), err=True)


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
        said = found.stderr.decode("utf-8", "replace").strip() or f"{host} can't be reached"
        raise _away(f"{said}\n{LOST}" if found.returncode == FAILED else said)
    return found.stdout


class _Away(click.ClickException):
    """What could not be done there."""

    exit_code = 2

    def __init__(self, message: str, as_json: bool) -> None:
        super().__init__(message)
        self.as_json = as_json

    def show(self, file: IO[Any] | None = None) -> None:
        from netcharter.cli.common import print_json, safe

        if self.as_json:
            print_json({"ok": False, "state": "refused", "reason": self.message})
            return
        for number, line in enumerate(self.message.splitlines()):
            click.echo(safe(line if number else f"refused: {line}"), err=True, file=file)


def _away(message: str) -> _Away:
    return _Away(message, bool(click.get_current_context().params.get("as_json")))


def _charter_files(path: Path) -> dict[str, bytes]:
    """A charter and the files that it includes, by their names beside it. Raises Unusable."""
    from netcharter.cli.common import source
    from netcharter.tasks.sources import included

    found = source(path)
    return {path.name: found.text, **included(found)}
