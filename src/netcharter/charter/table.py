"""Every key of a charter: its shape, whether it must be there, its default, what it means."""

from __future__ import annotations

from netcharter.charter import hours, kinds, lending, lists, values
from netcharter.charter.shapes import (
    Choice,
    Key,
    Listed,
    Named,
    NamedOrListed,
    Record,
    Several,
    Short,
    Value,
    WordOr,
    number,
)
from netcharter.charter.values import Wrong

# A little looser than the reader: the dialects of patterns agree on no class for "letter".
NAME_PATTERN = r"^[^\s0-9!-/:-@\[-`{-~][^\s!-,/:-@\[-^`{-~]{0,59}$"
ADDRESS = r"[0-9A-Fa-f:.]+"


def _bool(value: bool) -> bool:
    return value


def _version(value: int) -> int:
    if value != 1:
        raise Wrong("bad-version", f"this is a charter of version {values.quoted(str(value))}",
                    "write 1, the one version there is")  # fmt: skip
    return value


FLAG = Value("true or false", _bool, bool)
TEXT = Value("text", values.text)
TITLE = Value("a short name", values.title)
NAME = Value("a name", values.thing, pattern=NAME_PATTERN)
REFERENCE = Value("a name", values.name, pattern=NAME_PATTERN)
SERVICE = Value("a service", values.service, spelling=True)
PORT = number("a port", 1, 65535)
DATE = Value("a date", values.day, pattern=r"^\d{4}-\d{2}-\d{2}$", spelling=True)
INTERFACE = Value("a network interface", values.interface)
VLAN = number("a VLAN id", 1, 4094)
RATE = Value(
    "a rate such as `40 Mbit/s`",
    values.rate,
    pattern=r"^[0-9]+(\.[0-9]+)? ?[kMG]?bit/s$",
    spelling=True,
)
SHARE = Value("a share such as `50 %`", values.share, pattern=r"^[0-9.]+ ?%$", spelling=True)
LINE_ADDRESS = Value(
    "an address with its prefix length",
    values.address_with_length,
    pattern=f"^{ADDRESS}/[0-9]+$",
    spelling=True,
)
_TIME = r"^[0-9]+(\.[0-9]+)? ?(ms|s)$"
EVERY = Value("a time such as `2 s`", values.every, pattern=_TIME, spelling=True)
DELAY = Value("a time such as `400 ms`", values.delay, pattern=_TIME, spelling=True)
LOSS = Value("a share such as `30 %`", values.loss, pattern=r"^[0-9.]+ ?%$", spelling=True)
TARGET = Value("an address", values.target, pattern=f"^{ADDRESS}$", spelling=True)
NEXT_HOP = Value("an address", values.next_hop, pattern=f"^{ADDRESS}$", spelling=True)
HOST_ADDRESS = Value("an address", values.address, pattern=f"^{ADDRESS}$", spelling=True)
PREFIX = Value("a prefix", values.prefix, pattern=f"^{ADDRESS}/[0-9]+$", spelling=True)
AREA_PREFIX = Value("a prefix", values.area_prefix, pattern=f"^{ADDRESS}/[0-9]+$", spelling=True)
LINE_PREFIX = Value(
    "a global IPv6 prefix", values.line_prefix, pattern=f"^{ADDRESS}/[0-9]+$", spelling=True
)
TRANSLATOR = Value(
    "an IPv6 prefix of a translator", values.translator, pattern=f"^{ADDRESS}/96$", spelling=True
)
TIME_SERVER = Value(
    "a name or an address",
    lending.time_server,
    pattern=r"^[A-Za-z0-9.:-]+$",
    spelling=True,
)
DOMAIN = Value("a domain name", lending.domain, pattern=r"^[A-Za-z0-9.-]+$", spelling=True)
LEASE = Value("a time such as `12h`", lending.lease, pattern=lending.PATTERN, spelling=True)
TURNOVER = Value(
    "a number in a time such as `200 per day`",
    lending.turnover,
    pattern=lending.PACE,
    spelling=True,
)
LOCAL_PREFIX = Value(
    "a local IPv6 /48", values.local_prefix, pattern=f"^{ADDRESS}/48$", spelling=True
)
HARDWARE = Value(
    "a hardware address", values.hardware, pattern="^[0-9A-Fa-f:.-]{14,17}$", spelling=True
)
SIGN_IN = Choice("`required` or `not needed`", {"required": True, "not needed": False})
STRANGERS = Choice("`welcome` or `refused`", {"welcome": False, "refused": True})
MANNER = Choice("`answered` or `quietly`", {"answered": False, "quietly": True})
OR_ELSE = Choice("`others` or `refused`", {"others": False, "refused": True})
ROLE = Choice("`main`, `standby` or `balanced`", {w: w for w in ("main", "standby", "balanced")})

LOGIN = Value("a user name", values.login, pattern=r"^[!-~]{1,128}$", spelling=True)
LEAST_MTU, MOST_MTU = 1280, 9000  # RFC 8200 section 5; more than any Ethernet carries is a slip
NO_PASSWORD = (
    "password-in-charter",
    "a password never stands in a charter",
    "put it into `/etc/ppp/chap-secrets` and `/etc/ppp/pap-secrets` on the gateway, for root only",
)
PASSWORDS = {word: NO_PASSWORD for word in ("password", "passwd", "passphrase", "secret", "pass")}

DOMAIN_NAME = Value("a domain name", lists.domain_name)
NAMED = Several(
    "one or more lists, topics or domain names", Value("a list, a topic or a name", lists.term)
)
NAMES = Several("one or more names", REFERENCE)
WHO = Several("one or more names", Value("a name", values.who, pattern=NAME_PATTERN))
REACH = Several("one or more names", Value("a name", values.reach, pattern=NAME_PATTERN))
SERVICES = Several("one or more services", SERVICE)
SPARED = Value("a name or a prefix", values.spared, spelling=True)

BECAUSE = Key("because", TEXT, "why it is so, for whoever comes after you")
CONTACT = Key("contact", TEXT, "whom to ask")
DURING = Key("during", REFERENCE, "the name of the `hours` in which it holds", default="always")
UNTIL = Key("until", DATE, "the last day on which it holds, in site time", default="no end")
LET_FINISH = Key(
    "let-finish",
    FLAG,
    "whether conversations that are open when its time is over go on; else they are cut",
    default="as the hours say",
)
QUIETLY = "whether what is refused is answered, so that programs need not wait, or not"

SITE = Record(
    "a site",
    (
        Key("name", TITLE, "what the place is called", required=True),
        Key(
            "timezone",
            Value("an IANA time zone", values.timezone),
            "the time zone of all hours and dates",
            required=True,
        ),
        Key(
            "managed-from",
            NAMES,
            "the devices from which the gateway is looked after; they always reach it with ssh",
            default="none",
        ),
        Key("local-prefix", LOCAL_PREFIX, "the site's own IPv6 prefix (RFC 4193)", default="drawn"),
        Key(
            "time-servers",
            Several("one or more names or addresses", TIME_SERVER),
            "whom the gateway asks for the time; the areas then get it from the gateway",
            default="the gateway keeps the clock that it has, and tells nobody the time",
        ),
        Key(
            "domain",
            DOMAIN,
            "the local domain, which devices are told to look names up in",
            default="home.arpa",
        ),
    ),
)
WATCH = Record(
    "what a line is watched by",
    (
        Key(
            "targets",
            Several("one or more addresses", TARGET),
            "who is asked for an echo over this line, four at most in each IP version; it has failed"
            " where none of them answers",
            default="the next hop",
        ),
        Key("every", EVERY, "how often they are asked, 1 s to 60 s", default="2 s"),
        Key("loss", LOSS, "the share of questions that may stay unanswered", default="50 %"),
        Key("delay", DELAY, "how long answers may take, 10 ms to 5 s", default="any time"),
    ),
)
LINE = Record(
    "a line",
    (
        Key("device", INTERFACE, "the interface of the gateway it is plugged into", required=True),
        Key("vlan", VLAN, "the VLAN it is tagged with", default="untagged"),
        Key(
            "rate",
            Record(
                "a rate",
                (
                    Key("down", RATE, "contracted rate towards the site", required=True),
                    Key("up", RATE, "contracted rate from the site", required=True),
                ),
            ),
            "what the contract promises",
            default="unknown",
        ),
        Key(
            "address",
            WordOr(
                "`automatic`, or addresses with their lengths",
                "automatic",
                (),
                Several("addresses with their lengths", LINE_ADDRESS),
            ),
            "the gateway's own addresses on this line: one of IPv6, and of IPv4 the one it hides others "
            "behind, then those that only offers are met at",
            default="automatic",
        ),
        Key(
            "next-hop",
            Several("at most one address per family", NEXT_HOP),
            "the provider's router, in the network of an address above",
            default="learnt",
        ),
        Key(
            "role",
            ROLE,
            "whether it carries the traffic, steps in when another fails, or shares",
            default="`main` for the first line, `standby` for the others",
        ),
        Key("weight", number("a weight", 1, 256), "its share among balanced lines", default="1"),
        Key("watch", WATCH, "when it counts as failed, so that others step in"),
        Key(
            "prefix",
            WordOr(
                "`delegated`, or a global IPv6 prefix",
                values.DELEGATED,
                values.DELEGATED,
                LINE_PREFIX,
            ),
            "the IPv6 prefix the provider gives the site; `delegated`: the gateway asks for it, and "
            "follows where it changes",
            default="none",
        ),
        Key(
            "translator",
            TRANSLATOR,
            "the prefix by which the provider's translator (NAT64) leads to IPv4 addresses, such as "
            "`64:ff9b::/96`",
            default="there is none",
        ),
        Key(
            "mtu",
            number("a number of bytes", LEAST_MTU, MOST_MTU),
            "the largest packet that goes through it",
            default="what the device has; 1492 with `pppoe`",
        ),
        Key(
            "pppoe",
            Record(
                "a PPPoE session",
                (Key("as", LOGIN, "the user name that the provider knows", required=True),),
                never=PASSWORDS,
            ),
            "that the provider is dialled by PPPoE on this device, and learns who calls",
            default="no",
        ),
    ),
    never=PASSWORDS,
)
AREA = Record(
    "an area",
    (
        Key("device", INTERFACE, "the interface of the gateway it hangs on", required=True),
        Key("vlan", VLAN, "the VLAN it is tagged with", default="untagged"),
        Key("hosts", number("a number of hosts", 1, 1_000_000), "how many to make room for"),
        Key("growth", SHARE, "room to keep for more hosts", default="0 %"),
        Key(
            "prefix",
            Several("at most one prefix per family", AREA_PREFIX),
            "the addresses it has already and keeps; IPv6 as a /64",
            default="chosen by the plan",
        ),
        Key(
            "sign-in", SIGN_IN, "whether people sign in before anything else", default="not needed"
        ),
        Key("strangers", STRANGERS, "whether devices that are not named here", default="welcome"),
        Key("apart", FLAG, "whether its hosts should not reach each other", default="false"),
        Key("manner", MANNER, QUIETLY, default="answered"),
        Key(
            "lease",
            WordOr("`none`, or a time such as `12h`", "none", None, LEASE),
            "for how long an address is lent to a device; `none`: somebody else lends there",
            default="12h",
        ),
        Key(
            "turnover",
            TURNOVER,
            "how many devices come that were not there before, each of which takes an address",
            default="none is reckoned with",
        ),
        BECAUSE,
        CONTACT,
    ),
)
DEVICE = Record(
    "a device",
    (
        Key("area", REFERENCE, "the area it belongs to", required=True),
        Key(
            "hardware",
            Several("one or more hardware addresses", HARDWARE),
            "its hardware addresses, one for each of its network ports",
        ),
        Key(
            "address",
            WordOr(
                "`lasting`, or one or more addresses",
                "lasting",
                "lasting",
                Several("one or more addresses", HOST_ADDRESS),
            ),
            "`lasting`: the plan chooses one for each hardware address, and it stays",
            default="changing",
        ),
        Key("barred", FLAG, "whether it is refused everywhere", default="false"),
        Key("roams", FLAG, "whether it is at home in every area", default="false"),
        Key(
            "sign-in",
            Choice("`exempt`", {"exempt": True}),
            "for a device without a screen in an area with sign-in",
            default="as its area says",
        ),
        BECAUSE,
        CONTACT,
    ),
)
PERSON = Record(
    "a person", (Key("groups", NAMES, "the groups they are in", default="none"), CONTACT)
)
GROUP = Record("a group", (BECAUSE,))
PLACE = Record(
    "a place",
    (
        Key(
            "prefixes",
            Several("one or more prefixes", PREFIX),
            "its prefixes; either these, or `list`, or `domains`",
        ),
        Key("list", REFERENCE, "the list of addresses that it is made of"),
        Key(
            "domains",
            Several("one or more domain names", DOMAIN_NAME),
            "the names that lead to it, each with all names below it: what the gateway's resolver "
            "answers for them is the place",
        ),
    ),
)
HOSTILE = Record(
    "what is hostile",
    (
        Key("lists", NAMES, "the lists of addresses that are refused both ways", required=True),
        Key(
            "except",
            Several("places, devices and prefixes", SPARED),
            "what is not refused so, whatever the lists say",
            default="nothing",
        ),
    ),
)
HOURS = Record(
    "hours",
    (
        Key("weekly", hours.WEEKLY, "the windows of each day; a day not named is closed"),
        Key("terms", NAMES, "the terms in which the weekly windows begin", default="every day"),
        Key("outside", NAMES, "terms in which they do not", default="none"),
        Key(
            "let-finish",
            FLAG,
            "whether conversations that are open at the bell go on; else they are cut",
            default="false",
        ),
        Key(
            "dates",
            hours.EXCEPTIONS,
            "dates on which other windows begin, in a term or not",
            default="none",
        ),
    ),
)
RULE = Record(
    "a rule",
    (
        Key("let", WHO, "who may start; either this or `refuse`"),
        Key("refuse", WHO, "who may not; either this or `let`"),
        Key("reach", REACH, "what is reached", required=True),
        Key("with", SERVICES, "with which services", required=True),
        DURING,
        UNTIL,
        LET_FINISH,
        Key(
            "emergency",
            FLAG,
            "whether it comes before sign-in, hours and all other rules; only with `let`",
            default="false",
        ),
        Key("manner", MANNER, QUIETLY + "; only with `refuse`", default="answered"),
        Key("name", TITLE, "a name of its own", default="`rule 1`, `rule 2`, ..."),
        BECAUSE,
        CONTACT,
    ),
)
PER_SOURCE = Record(
    "what one source may do",
    (
        Key(
            "new",
            Value(
                "a number in a time such as `30 per minute`",
                values.pace,
                pattern=r"^[0-9]+ per (second|minute|hour)$",
                spelling=True,
            ),
            "how many conversations it may begin in a second, a minute or an hour",
            default="any number",
        ),
        Key(
            "at-once",
            Value("a number, 1 to 65535", values.at_once, int, limits=(1, values.MOST_AT_ONCE)),
            "how many of them may be open at the same time",
            default="any number",
        ),
    ),
)
RESOLVER = Short(
    "a resolver",
    (
        Key("address", HOST_ADDRESS, "its address", required=True),
        Key(
            "tls",
            DOMAIN_NAME,
            "the name its certificate must bear; it is then asked over TLS (RFC 7858) and in no other "
            "way",
            default="asked in the clear",
        ),
    ),
    alone="address",
)
NAMES_RULE = Record(
    "a names rule",
    (
        Key("answer", NAMED, "lists, topics and names that are answered; one of these three"),
        Key("withhold", NAMED, "lists, topics and names that are not answered"),
        Key(
            "rewrite",
            Several("one or more domain names", DOMAIN_NAME),
            "names that are answered with what `to` has; these alone, not what is below them",
        ),
        Key("to", DOMAIN_NAME, "the name whose answers they get; only with `rewrite`"),
        Key("for", WHO, "the areas and devices it holds for, or anyone", required=True),
        DURING,
        UNTIL,
        Key(
            "emergency",
            FLAG,
            "whether it comes before all other names rules; only with `answer`",
            default="false",
        ),
        Key("name", TITLE, "a name of its own", default="`names rule 1`, `names rule 2`, ..."),
        BECAUSE,
        CONTACT,
    ),
)
OFFER = Record(
    "an offer",
    (
        Key("offer", SERVICES, "the services offered", required=True),
        Key("on", NAMES, "the lines they are offered on", required=True),
        Key("to", REFERENCE, "the device that serves them", required=True),
        Key("from", WHO, "who may come", default="anyone"),
        Key("at", PORT, "the port at which they come, if another", default="the service's own"),
        Key(
            "address",
            HOST_ADDRESS,
            "which of the line's IPv4 addresses they are met at",
            default="its first",
        ),
        Key(
            "as",
            Several("one or more domain names", DOMAIN_NAME),
            "the names under which it is known; inside they lead to the device itself",
            default="none",
        ),
        Key(
            "per-source",
            PER_SOURCE,
            "what each source that comes by a line may do of it, an IPv6 /64 counting as one",
            default="as much as it likes",
        ),
        DURING,
        UNTIL,
        LET_FINISH,
        Key("name", TITLE, "a name of its own", default="`offer 1`, `offer 2`, ..."),
        BECAUSE,
        CONTACT,
    ),
)
EXIT = Record(
    "an exit",
    (
        Key(
            "from", WHO, "the areas and devices whose new conversations it is about", required=True
        ),
        Key("reach", REACH, "the places they are for", default="internet"),
        Key("with", SERVICES, "with which services", default="anything"),
        Key("by", NAMES, "the lines by which they leave, the first that is up", required=True),
        Key(
            "or-else",
            OR_ELSE,
            "what becomes of them while none of these lines is up: the other lines in their own "
            "order, or nothing",
            default="others",
        ),
        Key(
            "together",
            FLAG,
            "whether a device's new ones stay on the line of those that last, as calls need",
            default="false",
        ),
        Key("name", TITLE, "a name of its own", default="`exit 1`, `exit 2`, ..."),
        BECAUSE,
        CONTACT,
    ),
)
DISCOVERY = Record(
    "a discovery",
    (
        Key("let", NAMES, "the areas whose hosts find it", required=True),
        Key(
            "find",
            Several("one or more kinds of services", Value("a kind of service", kinds.found)),
            "what is found: `printing`, `scanning`, `casting`, `files`, or service types such as "
            "`_ipp._tcp`",
            required=True,
        ),
        Key("in", NAMES, "the areas in which it is", required=True),
        Key("name", TITLE, "a name of its own", default="`discovery 1`, `discovery 2`, ..."),
        BECAUSE,
        CONTACT,
    ),
)
PROMISE = Record(
    "a promise",
    (
        Key("never", WHO, "who never reaches it; one of `never`, `always`, `only`"),
        Key("always", WHO, "who always reaches it"),
        Key("only", WHO, "who reaches it and nothing else"),
        Key("reach", REACH, "what is reached", required=True),
        Key(
            "with", SERVICES, "with which services; must be said with `always`", default="anything"
        ),
        Key(
            "except",
            Choice("`offers`", {"offers": True}),
            "leaves offers aside; not with `always`",
            default="nothing",
        ),
        DURING,
        BECAUSE,
    ),
)

LIST = Record(
    "a list",
    (
        Key(
            "of",
            Choice("`names` or `addresses`", {w: w for w in (lists.NAMES, lists.ADDRESSES)}),
            "what is listed",
            default="names",
        ),
        Key(
            "from",
            Value("an address such as `https://lists.example.org/names.txt`", lists.url),
            "where the gateway fetches it; either this, `file` or `entries`",
        ),
        Key(
            "file",
            Value("a file name", lists.list_file),
            "a file below the charter's folder that holds it",
        ),
        Key(
            "entries",
            Several("one or more entries", Value("a name or an address", lists.entry)),
            "what is listed, written out",
        ),
        Key("topic", REFERENCE, "what the names are about; several lists may share a topic"),
        Key(
            "every",
            Value("a time such as `24h`", lists.every, pattern=r"^[0-9]+ ?(min|h)$", spelling=True),
            "how often it is fetched, 1h to 24h",
            default="24h",
        ),
        Key(
            "form",
            Choice("`plain`, `hosts` or `response-policy`", {w: w for w in lists.FORMS}),
            "how a file of names is written",
            default="recognised",
        ),
        Key(
            "change",
            SHARE,
            "the share of its entries that may come or go at once; beyond it the one before stays, "
            "and somebody is told",
            default="50 %",
        ),
        BECAUSE,
        CONTACT,
    ),
)

SECTIONS = (
    Key("lines", Named("a mapping from names to lines", NAME, LINE), "the internet connections"),
    Key("areas", Named("a mapping from names to areas", NAME, AREA), "the local segments"),
    Key("devices", Named("a mapping from names to devices", NAME, DEVICE), "known equipment"),
    Key("people", Named("a mapping from names to people", NAME, PERSON), "who signs in"),
    Key(
        "groups",
        NamedOrListed("names of groups", Named("a mapping from names to groups", NAME, GROUP)),
        "groups of people",
    ),
    Key(
        "services",
        Named(
            "a mapping from names to services",
            Value("a name", values.service_name, pattern=NAME_PATTERN),
            SERVICES,
        ),
        "services of your own, beside those every charter knows",
    ),
    Key("places", Named("a mapping from names to places", NAME, PLACE), "internet destinations"),
    Key(
        "lists",
        Named("a mapping from names to lists", REFERENCE, LIST),
        "names or addresses that others or you keep a list of",
    ),
    Key(
        "terms",
        Named("a mapping from names to stretches of dates", REFERENCE, hours.TERM),
        "stretches of dates, as of a school year, that hours speak of",
    ),
    Key("hours", Named("a mapping from names to hours", REFERENCE, HOURS), "times of the week"),
    Key("hostile", HOSTILE, "addresses that are refused both ways, before offers and rules"),
    Key(
        "rules", Listed("a list of rules", RULE), "what is let and refused; the first match decides"
    ),
    Key("offers", Listed("a list of offers", OFFER), "what the public may reach"),
    Key(
        "exits",
        Listed("a list of exits", EXIT),
        "by which line what leaves; the first match decides, and what none matches takes the lines "
        "by their roles",
    ),
    Key(
        "resolvers",
        Listed("a list of resolvers", RESOLVER),
        "whom the gateway asks for names; without any it asks the internet's own name servers",
    ),
    Key(
        "names",
        Listed("a list of names rules", NAMES_RULE),
        "which names are answered to whom; the first match decides, and what none matches is answered",
    ),
    Key(
        "discovery",
        Listed("a list of discoveries", DISCOVERY),
        "which services hosts of an area find in another one; without any they find those of their "
        "own alone",
    ),
    Key("promises", Listed("a list of promises", PROMISE), "what must hold whatever the rules say"),
)
INCLUDE = Key(
    "include",
    Several("one or more file names", Value("a file name", values.file_name)),
    "files that hold other sections, named relative to this one",
)
VERSION = Key(
    "charter", Value("the version 1", _version, int, limits=(1, 1)), "the version of this language"
)
SITE_KEY = Key("site", SITE, "the place itself")

CHARTER = Record("a charter", (VERSION, INCLUDE, SITE_KEY, *SECTIONS))
PART = Record("an included file", (VERSION, INCLUDE, *SECTIONS))
NEEDED = ("charter", "site", "lines", "areas")
MOST_LINES = 6
MOST_ADDRESSES = 32  # of IPv4 at one line
MOST_EXITS = 60  # each has a number in the mark of packets
MOST_RULES = 5_000  # judged in about half a minute, and the time grows with their square
LISTS = ("rules", "offers", "promises", "exits", "names", "resolvers", "discovery")
