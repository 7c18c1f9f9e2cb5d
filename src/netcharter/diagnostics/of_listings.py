"""What can be said of a ruleset that a kernel has loaded, while it is read back."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

TEXTS = {
    "listing-too-large": Entry(
        "listing too large",
        "A listing has more than 64 million characters.",
        "Reading it would take more memory than a gateway has to spare.",
        "Name the table that matters: nft -j list table inet NAME.",
    ),
    "listing-empty": Entry(
        "empty listing",
        "The text of the listing is empty.",
        "Even a kernel without rules lists a version; something went wrong on the way.",
        "Write it anew, as root: nft -j list ruleset.",
    ),
    "listing-not-json": Entry(
        "not a JSON listing",
        "The text is not the JSON that nft writes.",
        "Nothing can be read from it.",
        "Write it with: nft -j list ruleset.",
    ),
    "listing-truncated": Entry(
        "listing cut short",
        "The text ends before the listing does.",
        "What is missing could let or refuse anything.",
        "Write it anew, and check that the disk is not full.",
    ),
    "listing-too-deep": Entry(
        "listing nested too deep",
        "Objects and lists stand within each other more than 64 levels deep.",
        "A real listing nests no deeper than twenty.",
        "Check where the text comes from.",
    ),
    "listing-number": Entry(
        "number too long",
        "A number has more than 40 digits.",
        "Nothing in a ruleset is that large.",
        "Check where the text comes from.",
    ),
    "listing-key-twice": Entry(
        "key twice in one object",
        "The same key stands twice in one object of the listing.",
        "Readers of JSON silently keep one of them, and not all the same one.",
        "Check where the text comes from; nft does not write this.",
    ),
    "listing-shape": Entry(
        "not the shape of a listing",
        "An object lacks what nft always writes, or has another kind of value there.",
        "It can't be told what it stands for.",
        "Write the listing anew with nft itself.",
    ),
    "listing-twice": Entry(
        "listed twice",
        "A table, chain or set of one name is listed twice.",
        "It can't be told which of them the kernel has.",
        "Write the listing anew; do not join two of them.",
    ),
    "listing-unknown-key": Entry(
        "unknown key in a listing",
        "An object has a key that is not known here, as a newer nft may write.",
        "It may mean something for what is let.",
        "Compare with the documentation of your nft what it means.",
    ),
    "listing-unknown-object": Entry(
        "unknown object in a listing",
        "The listing holds an object of a kind that is not known here.",
        "It is left out; rules that use it are taken as not understood.",
        "Compare with the documentation of your nft what it is.",
    ),
    "listing-flags": Entry(
        "flags of a table that can't be read",
        "A table has flags, but what they are is not readable, as nft 1.0.6 writes them.",
        "The table may be dormant, that is, do nothing; answers that depend on it say may.",
        "Look at the text listing: nft list table inet NAME.",
    ),
    "listing-other-version": Entry(
        "another version of nft's JSON",
        "The listing says that it is written in another version of the form than 1.",
        "Words could mean something else there.",
        "Read the answers with care, and try the important ones on the gateway.",
    ),
}

MEANING = {
    "listing-missing": Entry(
        "something that is not listed",
        "A rule names a chain or a set that the listing does not hold.",
        "What it does with a packet can't be told, so it may do anything.",
        "List the whole ruleset.",
    ),
    "listing-loop": Entry(
        "jumps in a circle",
        "Jumps lead deeper than sixteen chains, or back to where they began.",
        "The kernel refuses such a ruleset, so this listing is not what it has loaded.",
        "Write the listing anew with nft itself.",
    ),
    "listing-not-understood": Entry(
        "a rule that is not understood",
        "A rule does something that is not known here.",
        "It may let, refuse or do nothing; answers that depend on it say may.",
        "Try what matters on the gateway itself, or write the rule in another way.",
    ),
    "listing-outside-packet": Entry(
        "a rule about more than a first packet",
        "A rule asks something that the first packet of a conversation does not settle: its "
        "length, the time, a random number, a program's opinion.",
        "Both are taken as possible, and answers that depend on it say may.",
        "Read such answers as: it depends on what the rule asks.",
    ),
    "listing-hides": Entry(
        "something that nft may not have listed",
        "A match on the family is left out of the listing (by nft 1.0.6) where `reject with tcp reset` "
        "follows.",
        "The rule may be for one family only, so answers that depend on it say may.",
        "Put a `counter` before the `reject`: then everything is listed.",
    ),
    "listing-order": Entry(
        "an order that a listing does not tell",
        "Two base chains of one hook have the same priority.",
        "The kernel asks them in the order in which they were loaded, which is not listed.",
        "Give them different priorities.",
    ),
    "listing-link-layer": Entry(
        "rules at the link layer",
        "A base chain of the families netdev or bridge, or at ingress or egress, could drop packets.",
        "Such chains are not followed, so answers say may.",
        "Look at that chain yourself, or try what matters on the gateway.",
    ),
    "listing-work-used-up": Entry(
        "ruleset too intricate",
        "The ruleset takes more work to follow than is allowed.",
        "What was not reached may do anything, and answers about it say may.",
        "Allow more work, or list the tables one by one.",
    ),
}

LISTINGS: dict[str, Entry] = TEXTS | MEANING
