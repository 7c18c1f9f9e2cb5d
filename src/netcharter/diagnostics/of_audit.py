"""What an audit of a loaded ruleset finds, and what can be wrong with what it is asked about."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

PARTS = {
    "chain-unused": Entry(
        "chain that nothing leads to",
        "No base chain jumps or goes to a chain, not by any way round.",
        "Its rules look as if they did something.",
        "Take it out, or write the jump that is missing.",
    ),
    "set-unused": Entry(
        "set that no rule asks",
        "A named set or map stands in the ruleset, and no rule names it.",
        "Whoever adds an element believes that it has an effect.",
        "Take it out, or write the rule that is missing.",
    ),
    "set-empty": Entry(
        "set that is empty and stays so",
        "A rule asks a set that has no elements and that nothing fills.",
        "The rule never fits, or always does where it asks for the opposite.",
        "Give the set its elements, or take it out with its rules.",
    ),
    "replies-not-let": Entry(
        "replies are not let as such",
        "A chain that refuses has no rule for packets of conversations already let.",
        "Replies need rules of their own, which then let strangers start, too.",
        "Begin the chain with `ct state established accept`.",
    ),
    "replies-let-late": Entry(
        "replies are let late",
        "Many rules stand before the one for conversations already let.",
        "Each of them is asked for every packet, and may refuse a reply.",
        "Move it to the top of its chain.",
    ),
    "invalid-not-dropped": Entry(
        "invalid packets are not dropped",
        "Nothing drops what fits no conversation.",
        "Rules that let a service let such packets, which no first packet of it looks like.",
        "Write `ct state invalid drop` after the rule for established.",
    ),
    "comment-date-passed": Entry(
        "comment with a day that has passed",
        "The comment of a rule names a day, and that day is over.",
        "What was meant to end goes on.",
        "Ask whoever wrote it; if nobody knows, take it out and watch.",
    ),
    "comment-temporary": Entry(
        "comment that sounds temporary",
        "The comment of a rule has a word such as test, temporary or until.",
        "Exceptions outlive their reason when nobody is reminded of them.",
        "Find out whether it is still needed; in a charter, `until` ends it.",
    ),
    "counter-still": Entry(
        "rules that have seen no packet",
        "Counters of some rules stand at zero since the ruleset was loaded.",
        "They may be needless, or for days that are rare.",
        "Ask for what they are before you take them out.",
    ),
}

RULES = {
    "listed-rule-never-decides": Entry(
        "rule that never decides",
        "Earlier rules of the same hook together take everything that a rule fits.",
        "Whoever reads it believes that it does something.",
        "Take it out, or move it before the ones that are named.",
    ),
    "listed-rule-never-met": Entry(
        "rule that no packet fits",
        "What a rule asks for contradicts itself, or the way that leads to it.",
        "It never did anything, whatever its author wanted.",
        "Correct what it asks for, or take it out.",
    ),
    "chain-never-entered": Entry(
        "chain that no first packet gets to",
        "Rules lead to a chain, and no packet that begins a conversation ever takes that way.",
        "None of its rules decides anything.",
        "Correct the rule that leads there, or take the chain out.",
    ),
    "listed-rule-redundant": Entry(
        "rule that could be left out",
        "Without the rule, later ones or the policy would do the same to all that it decides.",
        "It is one more rule to read and to keep right.",
        "Take it out, or say in its comment why it stays.",
    ),
    "listed-rules-contradict": Entry(
        "rules that contradict each other",
        "Two opposite rules share packets, and neither is an exception from the other.",
        "The order decides, and the order is easily changed without thinking of it.",
        "Narrow one of them, so that the order no longer matters.",
    ),
    "network-device-absent": Entry(
        "network device that is not there",
        "A rule names a network device that the machine does not have.",
        "It does nothing now, and perhaps too much once something bears that name.",
        "Correct the name, or take the rule out.",
    ),
}

REACH = {
    "policy-accept": Entry(
        "what no rule decides is let",
        "The policy of a chain for incoming or forwarded packets is accept, and packets meet it.",
        "Whatever nobody thought of is open (NIST SP 800-41r1 section 4.1).",
        "Set the policy to drop, after the rules for what is needed.",
    ),
    "open-to-line": Entry(
        "everything is let from a line",
        "A rule lets every service from a line to the gateway or to what is inside.",
        "Anyone on the internet may try anything there.",
        "Name the services and the destinations that are meant.",
    ),
    "open-in-ipv6": Entry(
        "open in IPv6, closed in IPv4",
        "What comes in by a line is let in IPv6 and refused in IPv4.",
        "Hosts with IPv6 are reached past the rules that everybody knows.",
        "Write the IPv6 rules like those for IPv4, in a table of the family inet.",
    ),
    "management-open": Entry(
        "management is open to a line",
        "Services that machines are managed with are let from a line.",
        "They are the first thing that is tried from outside.",
        "Let them from one area or one machine only, or through a tunnel.",
    ),
    "forged-let": Entry(
        "sources of the inside are let from a line",
        "A packet that claims an inside address as its source comes in by a line and is let.",
        "It passes for somebody it is not (RFC 2827, RFC 3704).",
        "Drop inside sources at every line before anything is let.",
    ),
    "hiding-missing": Entry(
        "private sources leave by a line",
        "Something with a private address as its source is let out by a line and not translated.",
        "No answer finds its way back (RFC 1918 section 3).",
        "Translate what leaves by the line, or refuse it.",
    ),
    "hiding-too-wide": Entry(
        "translation where none is needed",
        "Sources are exchanged for the gateway's own between inside and inside, or from a line.",
        "Whoever is reached can't tell who is there, and no rule can either.",
        "Add the line to the rule that translates: `oifname LINE`.",
    ),
    "delivery-refused": Entry(
        "delivery that is refused",
        "A rule translates destinations, and whatever it translates is refused afterwards.",
        "What was to be offered is not reached.",
        "Let it in the chain for forwarded packets (`ct status dnat`), or take it out.",
    ),
    "inside-addressed-directly": Entry(
        "what is offered is reached without the offer",
        "The rule that lets what was translated also lets whoever sends to the inside address.",
        "A neighbour on the line reaches the machine past the translation.",
        "Add `ct status dnat` to the rule.",
    ),
    "answers-may": Entry(
        "answers that hang on more than a packet",
        "Limits, quotas, changing sets or parts that were not understood decide some packets.",
        "For these there is no certain answer, only what may happen.",
        "Read the rules that are named yourself.",
    ),
    "reading-cut": Entry(
        "ruleset too intricate to be read whole",
        "The work allowed for reading a ruleset was used up.",
        "Whatever was not reached may do anything.",
        "Ask about a part of it, or take out what never decides first.",
    ),
    "no-line-known": Entry(
        "no line is known",
        "Neither routes nor the user say which network device leads to the internet.",
        "What is open to the internet can't be told from what is open inside.",
        "Give `--addresses` and `--routes`, or `--line NAME=DEVICE`.",
    ),
    "findings-of-this-kind": Entry(
        "more findings of a kind",
        "There are more findings of one kind than are useful to read at once.",
        "Most of them usually have one cause.",
        "Mend what is told first, then look again.",
    ),
}

GIVEN = {
    "ruleset-includes": Entry(
        "ruleset that includes other files",
        "The text of a ruleset has an `include`.",
        "Only what was named is read, and never another file.",
        "Give what `nft -j list ruleset` prints on the gateway, where all is included.",
    ),
    "ruleset-not-loaded": Entry(
        "ruleset that can't be loaded",
        "The text of a ruleset is refused by nft or by the kernel.",
        "What it means is read from the kernel, and so there is nothing to read.",
        "Give what `nft -j list ruleset` prints on the gateway itself.",
    ),
    "ruleset-not-listed": Entry(
        "ruleset that can't be listed",
        "The ruleset of this machine, its addresses or its routes can't be read.",
        "Without them there is nothing to judge.",
        "Run it as root, or with the capability CAP_NET_ADMIN.",
    ),
    "nothing-to-inherit": Entry(
        "no ruleset was named",
        "Neither a listing nor `--live` was given, or both.",
        "It is not clear which gateway is meant.",
        "Name a file, or say `--live`.",
    ),
}

AUDIT: dict[str, Entry] = PARTS | RULES | REACH | GIVEN
