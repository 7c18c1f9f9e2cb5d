"""The steward's settings: what a keeper says about the gateway that is nobody's charter.

They stand in `steward.yaml` in the state folder. Secrets stand in files of their own, which only
their owner may read; nothing here holds one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Security = Literal["tls", "starttls", "none"]
CHANNELS = ("email", "webhook", "syslog")
PORTS: dict[Security, int] = {"tls": 465, "starttls": 587, "none": 25}  # RFC 8314, 6409, 5321


@dataclass(frozen=True, slots=True)
class Mail:
    """How e-mail is sent. user None: without signing in; password_file: holds the password;
    authority_file: who vouches for the server, None for those that the machine trusts."""

    server: str
    port: int
    security: Security
    sender: str
    to: tuple[str, ...]
    user: str | None = None
    password_file: str | None = None
    authority_file: str | None = None


@dataclass(frozen=True, slots=True)
class Webhook:
    """Where JSON is posted. token_file: holds what is sent as a bearer token (RFC 6750);
    authority_file: as of e-mail."""

    url: str
    token_file: str | None = None
    authority_file: str | None = None


@dataclass(frozen=True, slots=True)
class Syslog:
    """Where records go: a socket of this machine by its path, or a host by UDP (RFC 5426)."""

    path: str | None = "/dev/log"
    host: str | None = None
    port: int = 514


@dataclass(frozen=True, slots=True)
class Settings:
    """trust_clock: the hours are kept though the kernel's clock is not synchronised; mend: what the
    kernel does otherwise than the plan is put right unasked; certificates: files to watch."""

    trust_clock: bool = False
    mend: bool = False
    certificates: tuple[str, ...] = ()
    email: Mail | None = None
    webhook: Webhook | None = None
    syslog: Syslog | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """The names of the channels that messages go to."""
        return tuple(name for name in CHANNELS if getattr(self, name) is not None)
