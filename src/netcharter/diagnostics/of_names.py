"""What can be found about names, lists of names and resolvers."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

NAMES = {
    "names-rule-never-decides": Entry(
        "names rule that never decides",
        "Earlier decisions about names already decide every look-up that a names rule speaks of,"
        " whatever the lists hold that are not known.",
        "It looks as if it did something.",
        "Put it before them, or leave it out.",
    ),
    "names-rule-evaded": Entry(
        "names rule that a device can shed",
        "Names are withheld from a device, or rewritten for it, and it is known by the address it asks"
        " from.",
        "With another address of its area it is anybody there.",
        "Withhold it for the area, and answer it before that for devices that may have it.",
    ),
    "names-gone-round": Entry(
        "ways around names rules",
        "Names are withheld or rewritten in an area from which other ways lead to the internet: asking"
        " somebody else for names, look-ups that are hidden in https, tunnels, addresses that are known"
        " already.",
        "A names rule stops look-ups at this gateway, and nothing else; nobody can tell some of these ways"
        " from what is meant to be let.",
        "Let less there to close what can be closed, and count on people for the rest: a filter supports"
        " supervision and does not replace it.",
    ),
    "names-asked-elsewhere": Entry(
        "names asked of somebody else",
        "Names are withheld or rewritten in an area where somebody else lends addresses, and so says"
        " whom to ask for names.",
        "Who is told to ask somebody else is not held by it.",
        "Let the gateway lend there, or see that the gateway is named as the resolver.",
    ),
    "names-rewrite-loop": Entry(
        "rewrite that leads to a rewrite",
        "A name is answered with what another name has, and that is rewritten itself.",
        "It is done once: what the other is rewritten to is not looked at, which is hardly meant.",
        "Name the last of them.",
    ),
    "names-rewrite-withheld": Entry(
        "rewrite that leads to what is withheld",
        "A name is answered with what another name has, and that one is withheld from the same"
        " devices.",
        "Programs that ask for the other name by itself find nothing.",
        "Answer the other name before.",
    ),
    "names-entry-over-wide": Entry(
        "public suffix withheld",
        "A names rule or a list withholds a name under which anybody may register names, with all below"
        " it.",
        "It takes in sites that have nothing to do with each other.",
        "Name what is meant below it.",
    ),
    "names-needed-withheld": Entry(
        "name withheld that the site needs",
        "A names rule or a list withholds the name of an offer, a resolver, a time server or where a"
        " list is fetched.",
        "Whoever listed it may be wrong about more than that.",
        "Answer it in a names rule before.",
    ),
    "resolver-in-the-clear": Entry(
        "one resolver in the clear",
        "Some resolvers are asked over TLS, and one would be asked in the clear.",
        "It is not asked at all, since whatever it was asked could be read and changed on the way.",
        "Give it `tls` too, or leave it out.",
    ),
    "place-shares-addresses": Entry(
        "what else is at the addresses of a name",
        "A rule lets somebody reach a place that is made of domain names.",
        "Names lead to addresses, and one address serves many names: whatever else is there is reached, "
        "too.",
        "Nothing, if that may be. Else write the prefixes of a provider who serves nobody else there, "
        "and withhold by names rules what must not be reached.",
    ),
    "place-refused-by-name": Entry(
        "refusal of a name's addresses",
        "A rule refuses a place that is made of domain names.",
        "The gateway knows of such a place what its own resolver has answered lately. An address that "
        "somebody learns elsewhere, or keeps for longer, is in no such place and is not refused, nor is "
        "what a line's translator stands for it with.",
        "Let what is meant and nothing else, or withhold the names in `names`, too; see "
        "`netcharter show --around` for the ways around.",
    ),
    "place-name-not-answered": Entry(
        "a place whose name is not answered",
        "A rule lets an area reach a place by its names, and a names rule, or the site's own names, "
        "keep one of these from leading there.",
        "A connection needs both: a yes from the rules, and an address for the name.",
        "Answer the name in a names rule for those who are let.",
    ),
    "offer-name-refused": Entry(
        "offer that its name does not lead to inside",
        "Inside, the name of an offer leads to the device itself, and a rule refuses it to some whom the"
        " offer is for.",
        "From there the name does not work, and outside it does.",
        "Let the areas that are meant reach the device with the same services.",
    ),
}

LISTED = {  # of the texts of lists, and of names that can't be
    "name-leads-twice": Entry(
        "a name of two places",
        "A domain name stands in two places, or twice in one, or a name below it does.",
        "A name leads to one place with all names below it; otherwise nobody could tell to which of "
        "them an address belongs.",
        "Keep the upper name, in one place. A rule may reach several places.",
    ),
    "domain-of-others": Entry(
        "a local domain in which others have names",
        "`site: domain:` is a name right below which registries let anybody register names.",
        "The gateway would answer for these names itself: devices would take the place of somebody "
        "else's, or all of them would be nowhere.",
        "Write a name that you have registered, or leave it out: home.arpa is for this.",
    ),
    "no-such-name": Entry(
        "a name that can't be asked for",
        "A name in the charter is none as the DNS has them: a label of more than 63 bytes, a character"
        " that no name has.",
        "Nobody would ever ask for it.",
        "Write it as it is typed into a browser.",
    ),
    "list-unusable": Entry(
        "list that can't be used",
        "The text of a list is no list of names: it is empty, a web page, compressed or too large.",
        "Nothing of it holds.",
        "Look at the file, or at where it comes from.",
    ),
}

OF_NAMES = NAMES | LISTED
