"""The one place where words of a message become part of an e-mail, a webhook's JSON, a line of
syslog, or a line to the service manager.

Names of devices, files, packages and sites are hostile input: a line break in a header begins
another header (RFC 5322 section 2.2), one in a syslog message begins another record where records
end with the line (RFC 6587 section 3.4.2), and one in a notification is another assignment
(sd_notify(3)).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP

from netcharter.diagnostics.escape import terminal

MOST_SUBJECT = 150  # characters
MOST_TEXT = 4000
MOST_SYSLOG = 1900  # bytes of a whole record: RFC 5424 section 6.1 has everyone take 2048
_SD_NAME = re.compile(r"[^\x21\x23-\x3c\x3e-\x5c\x5e-\x7e]")  # RFC 5424 section 6.3.2
_TOKEN = re.compile(r"[^\x21-\x7e]")  # PRINTUSASCII of RFC 5424 section 6


def one_line(text: str, most: int = MOST_TEXT) -> str:
    """Text on one line, with every character written out that is not seen, no longer than said."""
    plain = terminal(" ".join(text.split()))
    return plain if len(plain) <= most else plain[: most - 3] + "..."


def mail(
    sender: str, to: tuple[str, ...], subject: str, body: str, headers: Mapping[str, str]
) -> bytes:
    """A whole e-mail (RFC 5322) with CRLF line ends. sender, to: addresses; headers: further ones.

    Raises ValueError for an address that is none.
    """
    made = EmailMessage(policy=SMTP)
    made["From"] = _address(sender)
    made["To"] = tuple(map(_address, to))
    made["Subject"] = one_line(subject, MOST_SUBJECT)
    for name, value in headers.items():
        made[name] = one_line(value, MOST_SUBJECT)
    lines = (one_line(line) for line in body.split("\n"))
    made.set_content("\n".join(lines) + "\n", cte="quoted-printable")
    return made.as_bytes()


def _address(text: str) -> Address:
    if not text.isascii() or not text.isprintable() or " " in text:
        raise ValueError(f"not a mail address: {one_line(text, 80)}")
    try:
        found = Address(addr_spec=text)
    except (ValueError, IndexError, AttributeError, MessageError):
        raise ValueError(f"not a mail address: {one_line(text, 80)}") from None
    if not found.username or not found.domain:
        raise ValueError(f"not a mail address: {one_line(text, 80)}")
    return found


def body(content: Mapping[str, object]) -> bytes:
    """JSON as it is posted (RFC 8259): ASCII only, so that nothing in it can be misread."""
    return json.dumps(content, ensure_ascii=True, separators=(",", ":")).encode("ascii")


def syslog(
    priority: int,
    when: str,
    host: str,
    program: str,
    process: str,
    kind: str,
    data: Mapping[str, str],
    text: str,
) -> bytes:
    """One record of RFC 5424. data: structured data, below an id of ours (the number is the
    example of RFC 5612, which is for documentation)."""
    fields = "".join(f' {_sd_name(name)}="{_sd_value(value)}"' for name, value in data.items())
    head = " ".join(
        (
            f"<{priority}>1",
            when,
            _token(host, 255),
            _token(program, 48),
            _token(process, 128),
            _token(kind, 32),
            f"[netcharter@32473{fields}]",
        )
    )
    whole = f"{head} {one_line(text)}".encode("utf-8", "replace")
    if len(whole) <= MOST_SYSLOG:
        return whole
    return whole[:MOST_SYSLOG].decode("utf-8", "ignore").encode("utf-8")


def _token(text: str, most: int) -> str:
    return _TOKEN.sub("_", text)[:most] or "-"


def _sd_name(text: str) -> str:
    return _SD_NAME.sub("_", text)[:32] or "_"


def _sd_value(text: str) -> str:
    plain = one_line(text, 200)
    return plain.replace("\\", "\\\\").replace('"', '\\"').replace("]", "\\]")


def status(text: str) -> str:
    """The value of an assignment to the service manager (sd_notify(3))."""
    return one_line(text, 200)
