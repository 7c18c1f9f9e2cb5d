"""A message in the words of each channel: an e-mail, a webhook's JSON, a record of syslog."""

from __future__ import annotations

from datetime import UTC, datetime
from email.utils import format_datetime
from hashlib import sha256
from shlex import quote

from netcharter.steward import escape
from netcharter.steward.alarms import Kind, Message, stamp
from netcharter.steward.settings import Mail
from netcharter.steward.shapes import Severity

PROGRAM = "netcharter"
SEVERITIES: dict[Severity, int] = {"urgent": 2, "warning": 4, "note": 5}  # RFC 5424 table 2
OVER = 6  # informational: what has ended
FACILITY = 3  # system daemons: RFC 5424 table 1
_WORDS: dict[Kind, str] = {"begins": "", "lasts": "still: ", "ends": "over: "}


def sentence(message: Message) -> str:
    """The message in a line."""
    return f"{_WORDS[message.kind]}{message.text}"


def mail(settings: Mail, site: str, host: str, message: Message) -> bytes:
    """The e-mail. Raises ValueError for addresses that are none."""
    subject = f"[{site or host}] {message.severity}: {sentence(message)}"
    lines = [
        sentence(message) + ".",
        "",
        f"Site: {site or 'not known'}",
        f"Gateway: {host}",
        f"Matter: {message.key}",
        f"Since: {_plain(message.began)}",
        f"Written: {_plain(message.at)}",
    ]
    if message.kind != "ends":
        lines += [
            "",
            f"To be left in peace about it: netcharter steward --silence {quote(message.key)}",
        ]
    domain = settings.sender.rpartition("@")[2]
    headers = {
        "Date": format_datetime(message.at.astimezone(UTC)),
        "Message-ID": f"<{_digest(message, host)}@{domain}>",
        "Auto-Submitted": "auto-generated",  # RFC 3834 section 5: nobody's absence answers it
    }
    return escape.mail(settings.sender, settings.to, subject, "\n".join(lines), headers)


def _plain(instant: datetime) -> str:
    return instant.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _digest(message: Message, host: str) -> str:
    """The same for the same message, so that a second try is known for one."""
    text = "\n".join((host, message.kind, message.key, stamp(message.began), stamp(message.at)))
    return sha256(text.encode("utf-8", "replace")).hexdigest()[:32]


def webhook(site: str, host: str, message: Message) -> bytes:
    """The body that is posted: an object with documented keys."""
    return escape.body(
        {
            "netcharter": 1,
            "id": _digest(message, host),
            "site": site,
            "gateway": host,
            "kind": message.kind,
            "matter": message.key,
            "severity": message.severity,
            "text": message.text,
            "began": stamp(message.began),
            "at": stamp(message.at),
        }
    )


def syslog(site: str, host: str, process: int, message: Message) -> bytes:
    """The record. Its time has the offset `Z` and six digits, as RFC 5424 section 6.2.3 allows."""
    severity = OVER if message.kind == "ends" else SEVERITIES[message.severity]
    when = message.at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    data = {"matter": message.key, "site": site}
    return escape.syslog(
        FACILITY * 8 + severity, when, host, PROGRAM, str(process), message.kind, data,
        sentence(message),
    )  # fmt: skip
