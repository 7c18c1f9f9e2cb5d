"""Lines that are dialled by PPPoE: whether pppd has a password for each.

Nothing is written here, and nothing of a password is known here.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics.escape import terminal
from netcharter.rollout.preparing.accounts import ANYBODY, FILES
from netcharter.rollout.preparing.shapes import Facts, Found, Use, Wanted


def dialling_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of them; nothing where no line is dialled."""
    dialled = [use for use in wanted.uses if use.pppoe is not None]
    if not dialled:
        return
    for use in dialled:
        yield from _password(use, facts)
    for path, one in facts.accounts.items():
        if one.open:
            yield Found(
                "pppoe-password-open",
                "error",
                f"others than root may read {path}, in which passwords stand",
                f"chown root:root {path}; chmod 600 {path}; and let the provider change them",
                path,
            )


def _password(use: Use, facts: Facts) -> Iterator[Found]:
    """Whether there is one for the user name of a line."""
    user = use.pppoe or ""
    known = [one.names for one in facts.accounts.values()]
    if any(names is not None and names & {user, ANYBODY} for names in known):
        return
    files = " or ".join(FILES)
    if any(names is None for names in known):
        yield Found(
            "pppoe-password-unknown",
            "note",
            f"whether there is a password for {terminal(user)} of {use.called} can't be seen here",
            f"prepare as root, or look for it in {files}",
            use.name,
        )
        return
    yield Found(
        "pppoe-password-missing",
        "error",
        f"{use.called} is dialled as {terminal(user)}, and there is no password for that name",
        f"write it into {files} as root, mode 600: the name in quotes, a star, the password in"
        " quotes, apart by blanks",
        use.name,
    )
