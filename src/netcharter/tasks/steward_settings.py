"""The steward's settings: from the text of `steward.yaml` to values, or to what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlsplit

from netcharter.charter import nodes
from netcharter.charter.shapes import (
    MISSING,
    Choice,
    Enough,
    Fields,
    Key,
    Record,
    Several,
    Value,
    Walk,
    number,
)
from netcharter.charter.values import Wrong, quoted
from netcharter.diagnostics import Diagnostic
from netcharter.steward.settings import PORTS, Mail, Settings, Syslog, Webhook
from netcharter.tasks.sources import Unusable

VERSION = 1
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.:-]{0,252}[A-Za-z0-9])?\Z")
_MAIL = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9.-]{1,253}\Z")
_EMPTY = "empty"

Looker = Callable[[str], str | None]


def _version(value: int) -> int:
    if value != VERSION:
        raise Wrong("bad-version", f"settings of version {value} are not known", "write steward: 1")
    return value


def _host(text: str) -> str:
    if not _HOST.match(text) or ".." in text:
        raise Wrong("bad-text", f"{quoted(text)} is no name or address of a server",
                    "for instance mail.example.org")  # fmt: skip
    return text


def _mail(text: str) -> str:
    name = text.partition("@")[0]
    if not _MAIL.match(text) or ".." in text or name.startswith(".") or name.endswith("."):
        raise Wrong("bad-text", f"{quoted(text)} is no mail address", "for instance a@example.org")
    return text


def _plain(text: str) -> str:
    if not text.isprintable() or not text or len(text) > 200:
        raise Wrong("bad-text", f"{quoted(text)} has characters that can't be seen, or too many")
    return text


def _path(text: str) -> str:
    if not text.startswith("/") or not text.isprintable() or len(text) > 1000:
        raise Wrong("bad-text", f"{quoted(text)} is no whole path", "begin it with `/`")
    return text


def _url(text: str) -> str:
    try:
        parts = urlsplit(text)
        right = parts.scheme in ("https", "http") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        right = False
    if not right or not text.isascii() or not text.isprintable() or " " in text:
        raise Wrong("bad-text", f"{quoted(text)} is no address of a web page",
                    "for instance https://hooks.example.org/netcharter")  # fmt: skip
    if parts.username is not None or parts.password is not None:
        raise Wrong("bad-text", "a secret must not stand in the address",
                    "put it into a file, and name that as token-file")  # fmt: skip
    return text


YES_NO = Value("true or false", bool, bool)
HOST = Value("the name of a server", _host, spelling=True)
PORT = number("a port", 1, 65_535)
PATH = Value("a whole path", _path)
ADDRESS = Value("a mail address", _mail)

EMAIL = Record(
    "the settings of e-mail",
    (
        Key("server", HOST, "the mail server", required=True),
        Key("port", PORT, "its port", default="465 with tls, 587 with starttls, 25 with none"),
        Key("security", Choice("how it is secured", {w: w for w in PORTS}),
            "how it is secured", default="starttls"),
        Key("from", ADDRESS, "who sends", required=True),
        Key("to", Several("one or more mail addresses", ADDRESS), "who is told", required=True),
        Key("user", Value("a name", _plain), "with which one signs in there"),
        Key("password-file", PATH, "the file with the password, mode 0600"),
        Key("authority-file", PATH, "the certificates of those who vouch for the server",
            default="those that the machine trusts"),
    ),
)  # fmt: skip
WEBHOOK = Record(
    "the settings of a webhook",
    (
        Key("url", Value("the address of a web page", _url), "where JSON is posted", required=True),
        Key("token-file", PATH, "the file with a bearer token, mode 0600"),
        Key(
            "authority-file",
            PATH,
            "the certificates of those who vouch for the server",
            default="those that the machine trusts",
        ),
    ),
)
SYSLOG = Record(
    "the settings of syslog",
    (
        Key("socket", PATH, "a socket of this machine", default="/dev/log"),
        Key("host", HOST, "another machine, by UDP"),
        Key("port", PORT, "its port", default="514"),
    ),
)
STEWARD = Record(
    "the steward's settings",
    (
        Key("steward", Value("the version, 1", _version, int), "the version", required=True),
        Key("trust-clock", YES_NO, "hours are kept though the clock is not synchronised",
            default="false"),
        Key("mend", YES_NO, "what the kernel does otherwise is put right unasked",
            default="false"),
        Key("certificates", Several("one or more paths", PATH), "certificates to watch"),
        Key("email", EMAIL, "alarms by e-mail"),
        Key("webhook", WEBHOOK, "alarms to a web page"),
        Key("syslog", SYSLOG, "alarms to syslog"),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Lookers:
    """What is wrong with a file that is named, by its path; None for nothing."""

    secret: Looker
    authority: Looker


def read_settings(name: str, data: bytes, look: Lookers) -> Settings:
    """The settings of a file. Raises Unusable with all that is wrong with it."""
    walk, text = Walk(), nodes.readable(data)
    walk.spans[()] = nodes.whole(name)
    found: Settings | None = None
    try:
        tree, _ = nodes.compose(nodes.decode(data, name), name)
        found = _settings(walk, STEWARD.read(walk, tree, ()), look)
    except nodes.Stopped as stopped:
        if stopped.diagnostic.id == _EMPTY:
            return Settings()
        walk.found.append(_not_of_charters(stopped.diagnostic))
    except Enough:
        pass
    wrong = tuple(one for one in walk.found if one.severity == "error")
    if wrong or found is None:
        raise Unusable(wrong, {name: text})
    return found


def _not_of_charters(found: Diagnostic) -> Diagnostic:
    """The reader of texts speaks of charters; this is none."""
    help_ = found.help
    if help_ is not None and "charter" in help_:
        help_ = f"begin with `steward: {VERSION}`" if "begin with" in help_ else None
    return replace(found, message=found.message.replace("charter", "file of settings"), help=help_)


def _settings(walk: Walk, said: Any, look: Lookers) -> Settings | None:
    if said is MISSING or walk.errors:
        return None
    return Settings(
        trust_clock=said.get("trust-clock", False),
        mend=said.get("mend", False),
        certificates=said.get("certificates", ()),
        email=_email(walk, said["email"], look) if "email" in said else None,
        webhook=_webhook(walk, said["webhook"], look) if "webhook" in said else None,
        syslog=_syslog(walk, said["syslog"]) if "syslog" in said else None,
    )


def _email(walk: Walk, said: Fields, look: Lookers) -> Mail:
    here = ("email",)
    security = said.get("security", "starttls")
    user, password = said.get("user"), said.get("password-file")
    if (user is None) != (password is None):
        walk.tell("missing-key", walk.where(here), "`user` and `password-file` belong together",
                  "add the other, or leave both out")  # fmt: skip
    if password is not None:
        if security == "none":
            walk.tell("too-much-said", walk.where((*here, "password-file")),
                      "without `tls` or `starttls` everyone on the way could read the password",
                      "write security: starttls, or sign in without a password")  # fmt: skip
        _secret(walk, (*here, "password-file"), password, look)
    port = said.get("port", PORTS[security])
    authority = _authority(walk, here, said, security == "none", look)
    to = said["to"]
    return Mail(said["server"], port, security, said["from"], to, user, password, authority)


def _webhook(walk: Walk, said: Fields, look: Lookers) -> Webhook:
    token = said.get("token-file")
    if token is not None:
        if not said["url"].startswith("https://"):
            walk.tell("too-much-said", walk.where(("webhook", "token-file")),
                      "without https everyone on the way could read the token",
                      "write an address that begins with https://")  # fmt: skip
        _secret(walk, ("webhook", "token-file"), token, look)
    plain = not said["url"].startswith("https://")
    return Webhook(said["url"], token, _authority(walk, ("webhook",), said, plain, look))


def _syslog(walk: Walk, said: Fields) -> Syslog:
    if "host" in said and "socket" in said:
        walk.tell("too-much-said", walk.where(("syslog", "socket")),
                  "`socket` and `host` exclude each other", "keep one of them")  # fmt: skip
    if "host" not in said and "port" in said:
        walk.tell("missing-key", walk.where(("syslog", "port")), "a port without `host`",
                  "add `host:`, or leave the port out")  # fmt: skip
    if "host" in said:
        return Syslog(None, said["host"], said.get("port", 514))
    return Syslog(said.get("socket", "/dev/log"))


def _authority(
    walk: Walk, here: tuple[str, ...], said: Fields, plain: bool, look: Lookers
) -> str | None:
    """plain: nothing is encrypted, so nobody has to vouch for anybody."""
    file: str | None = said.get("authority-file")
    if file is None:
        return None
    where = walk.where((*here, "authority-file"))
    if plain:
        walk.tell("too-much-said", where, "nobody vouches for a server without encryption",
                  "leave authority-file out, or encrypt")  # fmt: skip
    elif (fault := look.authority(file)) is not None:
        walk.tell("cannot-read", where, fault,
                  "name a file with certificates between BEGIN and END CERTIFICATE")  # fmt: skip
    return file


def _secret(walk: Walk, path: tuple[str, ...], file: str, look: Lookers) -> None:
    fault = look.secret(file)
    if fault is not None:
        walk.tell("cannot-read", walk.where(path), fault,
                  "put it on the first line of a plain file with mode 0600")  # fmt: skip
