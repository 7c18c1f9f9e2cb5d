"""What can be found in a plan, in its proofs, and in what somebody asks about it."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry
from netcharter.diagnostics.of_discovery import DISCOVERY
from netcharter.diagnostics.of_names import OF_NAMES

PLAN = {
    "pool-exhausted": Entry(
        "no private block left",
        "No private IPv4 block is free that is large enough for an area.",
        "The area would have no addresses.",
        "Expect fewer hosts, or give areas prefixes that leave room.",
    ),
    "area-too-small": Entry(
        "area too small",
        "The prefix of an area has no room for its hosts, or for those it is to grow to.",
        "Somebody will get no address, and it will look like a fault of their device.",
        "Give the area a larger prefix, or expect fewer hosts.",
    ),
    "pool-too-small": Entry(
        "too few addresses to lend",
        "With its hosts, and with what devices that left still hold (Little's law), an area can come "
        "to need more addresses than its pool has.",
        "When the pool is empty, whoever comes next gets no address, and everybody else goes on"
        " working.",
        "Lend for a shorter time, give the area a larger prefix, or expect fewer.",
    ),
    "odd-lease": Entry(
        "lease that is seldom meant",
        "An address is lent for so short that an outage of the gateway takes it away, or for so long "
        "that it is not free again for weeks.",
        "A short lease ends while nobody is there to renew it (at half of it, RFC 2131 section 4.4.5);"
        " a long one is held by devices that never come back.",
        "Lend for hours where people come and go, for days where devices stay.",
    ),
    "turnover-of-nobody": Entry(
        "turnover where nobody new is lent to",
        "An area says how many new devices come, and lends addresses to none of them.",
        "What it says has no effect.",
        "Leave it out.",
    ),
    "area-overlap": Entry(
        "areas share addresses",
        "Two areas have addresses in common.",
        "What is sent to such an address goes to one of them only.",
        "Give one of them another prefix.",
    ),
    "line-overlap": Entry(
        "a line and the site share addresses",
        "A line's network, prefix or translator overlaps an area, the local prefix, or another line's prefix.",
        "What is meant for one of them would be sent to the other.",
        "Correct the prefix, or give the area another one.",
    ),
    "device-without-name": Entry(
        "a device that can't be found by its name",
        "A device with known addresses has a name that hosts can't have, or that another one has.",
        "The gateway's resolver knows it by no name: names of hosts are letters, digits and hyphens, "
        "and large letters are small ones (RFC 952, RFC 1123 section 2.1).",
        "Call it otherwise in the charter, or ask for it by its address.",
    ),
    "time-server-not-reached": Entry(
        "a time server that the gateway may not ask",
        "A time server's address is neither on the internet nor that of a host in an area.",
        "Its own packet filter keeps the gateway from asking there, so its clock is set by nobody.",
        "Name one that is on the internet, or in an area.",
    ),
    "resolver-not-reached": Entry(
        "a resolver that the gateway may not ask",
        "A resolver's address is not on the internet.",
        "The gateway's own packet filter keeps it from asking there, so no name outside is found.",
        "Name one that is on the internet.",
    ),
    "target-not-outside": Entry(
        "a target that the gateway may not ask",
        "A line is watched by an address that is not on the internet.",
        "Its own packet filter keeps the gateway from asking there, so nothing would be known.",
        "Name an address beyond the line.",
    ),
    "prefix-not-64": Entry(
        "IPv6 prefix of an area that is no /64",
        "An area has an IPv6 prefix of another length than 64.",
        "Hosts choose their own addresses in a /64 (RFC 4291 section 2.5.1, RFC 7421).",
        "Write a /64.",
    ),
    "list-unreadable": Entry(
        "list that can't be read",
        "The file of a list does not exist beside the charter, or can't be read.",
        "What the list is for would be judged as if it were empty.",
        "Put the file where the charter says, counted from its own folder.",
    ),
    "list-unknown": Entry(
        "list whose contents are not known here",
        "A list is fetched on the gateway, and here nobody has told what it holds.",
        "A list of addresses is judged as if it were empty; what depends on one of names may be so or"
        " otherwise.",
        "Nothing; or try it with what a file holds: `--learnt LIST=FILE`.",
    ),
    "list-old": Entry(
        "list that is old",
        "For more than 48 hours nothing good came of a list that is fetched.",
        "What it should name by now is not refused or withheld, and what it should not name any more"
        " still is.",
        "Call `netcharter refresh` on the gateway: it tells why.",
    ),
    "list-lines-refused": Entry(
        "lines of a list that say nothing",
        "Lines of a list of addresses are no address, prefix or range, or one too wide to be meant; lines"
        " of a list of names are not exactly of its form.",
        "What they were to name is not in the list.",
        "Tell whoever keeps the list; entries wider than a /8 in IPv4 or a /16 in IPv6 are never taken.",
    ),
    "list-names-protected": Entry(
        "list that names what is never cut off",
        "A list of hostile addresses names the site itself, a line's network, next hop or target, or a"
        " place of an emergency or of a promise with `always`.",
        "Followed there, it would cut the site off.",
        "Ask why it is named; a machine of yours may do harm to others.",
    ),
    "lists-cut-off-much": Entry(
        "lists that cut off much of the internet",
        "What lists call hostile is more than a quarter of the addresses of a family.",
        "No list of hostile addresses is that long; by one that went wrong a site would be cut off"
        " from the internet, and nothing in the charter would look wrong.",
        "Look into the lists. What is refused on purpose, countries for instance, is better said by a"
        " rule about a place that is made of the list.",
    ),
    "exception-excepts-nothing": Entry(
        "exception that excepts nothing",
        "No list names anything of what stands in `except`.",
        "Who reads the charter takes it for needed.",
        "Leave it out, or keep it for the day on which a list names it.",
    ),
    "hostile-place": Entry(
        "place that is hostile",
        "A place that a rule or an offer speaks of is named by a list of hostile addresses.",
        "What the rule lets is refused before it is asked.",
        "Look into why it is named; if it is not hostile, name it in `except`.",
    ),
    "prefix-stands-in": Entry(
        "another prefix stands in",
        "A line's prefix is `delegated`, and the provider has not told it here.",
        "What holds of the addresses that stand in for it holds of the real ones; a machine gets none"
        " of them.",
        "Nothing; or try another with `--learnt LINE=PREFIX`.",
    ),
    "delegated-leads-nowhere": Entry(
        "delegated prefix without a way out",
        "A line has a delegated prefix, and its written addresses have no next hop of IPv6.",
        "Hosts get addresses that nothing answers to.",
        "Add the line's IPv6 address and next hop, or let its address be automatic.",
    ),
    "delegated-prefix-refused": Entry(
        "delegated prefix that can't be used",
        "A prefix that a provider has delegated overlaps what is another's, or is none that is given"
        " to sites.",
        "Some addresses would mean two things, or nobody on the internet would find them.",
        "Ask the provider; or change what it overlaps, if that is yours.",
    ),
    "delegated-prefix-too-small": Entry(
        "delegated prefix too small",
        "A prefix that a provider has delegated does not have a /64 for every area.",
        "The areas with the highest numbers have no IPv6 internet over this line.",
        "Ask the provider for a shorter prefix, a /56 or a /48 (RFC 6177).",
    ),
    "prefix-too-small": Entry(
        "too few /64 for the areas",
        "A line's IPv6 prefix does not have a /64 for every area.",
        "Some areas could not use IPv6 over this line.",
        "Ask the provider for a shorter prefix, a /56 or a /48.",
    ),
    "place-overlaps-site": Entry(
        "a place within the site",
        "The prefixes of a place hold addresses that are the site's own.",
        "A place is on the internet; what is the site's own does not count.",
        "Write the prefix without them, or name the area.",
    ),
    "duplicate-address": Entry(
        "address taken twice",
        "A device's address is another device's or the gateway's.",
        "Only one of them could be reached.",
        "Give the device another address.",
    ),
    "address-outside-area": Entry(
        "address outside its area",
        "A device's address is not one that a host of its area can have.",
        "The gateway refuses a source that does not belong where it enters.",
        "Write an address of the area, or `address: lasting`.",
    ),
    "duplicate-hardware": Entry(
        "hardware address taken twice",
        "Two devices, or one device twice, have the same hardware address.",
        "They could not be told apart.",
        "Read the addresses off the devices once more.",
    ),
}

RULES = {
    "rule-never-decides": Entry(
        "rule that never decides",
        "Earlier decisions together decide everything a rule speaks of.",
        "Whoever reads the charter believes that the rule does something.",
        "Leave it out, or put it before the one that says the opposite.",
    ),
    "rule-contradicted": Entry(
        "rule that is contradicted",
        "One earlier rule decides everything a rule speaks of, the other way.",
        "One of the two is a mistake.",
        "Put it before the other one, or leave it out.",
    ),
    "rule-redundant": Entry(
        "rule that could be left out",
        "Without the rule, later decisions would do the same.",
        "It is one more rule to read and to keep right.",
        "Leave it out, or say in `because` why it stays.",
    ),
    "rule-partly-hidden": Entry(
        "rule of which a part never decides",
        "For one of the names in a rule an opposite decision always comes first.",
        "The rule says more than it does.",
        "Take the name out, or change the order.",
    ),
    "refused-in-one-family": Entry(
        "refusal that holds in one family only",
        "A rule refuses a place whose prefixes are all of IPv4, or all of IPv6, or the ping of one"
        " family, and the other family is let.",
        "Most who are on the internet have addresses of both families, and a machine takes IPv6"
        " first where it can: the refusal is walked around without anybody meaning to.",
        "Give the place its prefixes of the other family, or say `ping`.",
    ),
    "rules-contradict": Entry(
        "rules that contradict each other",
        "Two opposite rules share connections, and neither is an exception from the other.",
        "The order decides, and the order is easily changed without thinking of it.",
        "Say in `because` that it is meant, or narrow one of them.",
    ),
    "rule-broader-than-needed": Entry(
        "rule that says more than it needs",
        "A wide word opens more than the charter's own words ask for, or less than it says.",
        "`anywhere` includes the other areas and the gateway; that is rarely meant.",
        "Write `internet`, or the names that are meant.",
    ),
    "group-without-sign-in": Entry(
        "rule for people where nobody signs in",
        "A rule speaks of people or groups, and in some or all areas nobody signs in.",
        "There nobody is anybody, and the rule does not apply.",
        "Give the area `sign-in: required`, or name the area or a device.",
    ),
}

SITE = {
    "rule-expired": Entry(
        "rule that has ended",
        "The last day of a rule or offer has passed.",
        "It decides nothing any more and will puzzle the next reader.",
        "Leave it out, or give it a new `until`.",
    ),
    "rule-expires-soon": Entry(
        "rule that ends soon",
        "A rule or offer ends within thirty days.",
        "Somebody may depend on it.",
        "Ask its contact, then move `until` or leave it out.",
    ),
    "terms-over": Entry(
        "terms that are over",
        "All terms that hours speak of have passed.",
        "What was meant for a term is closed for good, or what was meant for the time between them "
        "holds for good.",
        "Write the next term.",
    ),
    "terms-end-soon": Entry(
        "last term ends soon",
        "The last of the terms that hours speak of ends within thirty days.",
        "What holds afterwards is what nobody wrote.",
        "Write the next term in time.",
    ),
    "window-skipped": Entry(
        "window that never comes",
        "A dated window lies wholly within the hour that the clock skips on that day.",
        "The hours do not open then, though the charter says so.",
        "Begin the window before the clock is put forward, or end it after.",
    ),
    "never-used": Entry(
        "name that is never used",
        "Something is defined that no rule, offer or promise speaks of; a term that no hours do; a list"
        " that nothing uses.",
        "It may be a leftover, or a rule may be missing.",
        "Use it, or leave it out.",
    ),
    "apart-not-proven": Entry(
        "apart is assumed",
        "Hosts of an area are to be kept apart, which a gateway can't do alone.",
        "A switch or an access point may join them before the gateway sees anything.",
        "Turn isolation on there, and survey it from inside the area.",
    ),
    "no-management-path": Entry(
        "no way in",
        "No device is named from which the gateway is managed.",
        "After enacting this, nobody could get in but at the console.",
        "Add `managed-from` to the site, with a device of known hardware address.",
    ),
    "management-spoofable": Entry(
        "way in by an address only",
        "A device that may manage the gateway is known by its address only.",
        "Whoever takes that address may manage the gateway.",
        "Give the device its hardware address.",
    ),
    "single-management-device": Entry(
        "only one way in",
        "One single device may manage the gateway.",
        "If it breaks, only the console is left.",
        "Name a second device, and keep console access at hand.",
    ),
    "lock-out": Entry(
        "way in that can be shut",
        "In some state of the site a management device does not reach the gateway.",
        "It would be discovered when it is needed most.",
        "Take away what stands before the management path.",
    ),
    "open-to-outside": Entry(
        "rule that lets the internet in by accident",
        "A rule without the internet, a line or a place in `let` lets something start by a line.",
        "`anyone` is also whoever comes by a line: what was meant for inside is public.",
        "Name the areas that are meant; or name `internet`, if the public is.",
    ),
    "rule-without-reason": Entry(
        "rule without a reason",
        "A rule does not say why it is there.",
        "Nobody will dare to change it (NIST SP 800-41r1 section 4).",
        "Add `because`.",
    ),
    "exception-without-contact": Entry(
        "exception without a contact",
        "A rule holds for a time, and nobody is named to ask about it.",
        "When it ends, nobody knows whether it is still needed.",
        "Add `contact`.",
    ),
    "exempt-spoofable": Entry(
        "exempt by a hardware address",
        "A device need not sign in because of its hardware address.",
        "Hardware addresses can be copied.",
        "Give such devices an area of their own, with the few rules they need.",
    ),
    "bar-evaded": Entry(
        "bar that is easily evaded",
        "A barred device is known by something that it can change itself.",
        "It comes back under another address and is not recognised.",
        "Refuse strangers in the area, or ask for sign-in there.",
    ),
    "device-unknown": Entry(
        "device that its own area does not know",
        "A device without a hardware address is in an area that refuses strangers.",
        "It is refused everything there, whatever the rules say.",
        "Give its hardware address.",
    ),
    "hardware-may-change": Entry(
        "hardware address that may change",
        "A device with a lasting address, an exemption or an area that refuses strangers is known by a "
        "locally administered hardware address (RFC 9542 section 2.1). Phones and computers draw such "
        "ones, and draw them anew (RFC 9797).",
        "With another address it is another device, and what was granted to it is not granted.",
        "Have the device use its own address in this network.",
    ),
    "management-roams": Entry(
        "manager that roams",
        "A device that looks after the gateway is at home in every area.",
        "A hardware address is easily copied, so anybody in any area may reach the gateway's ssh.",
        "Leave `roams` out.",
    ),
    "placeholder-hardware": Entry(
        "hardware address for documents",
        "A device has a hardware address that no real one has (RFC 9542 section 2.1.4).",
        "It will not be recognised; if it manages the gateway, nobody can.",
        "Write the address that the device itself shows.",
    ),
    "device-unseen-in-ipv6": Entry(
        "device with written IPv4 addresses only",
        "A device that is to be kept apart has no known IPv6 address, but its area has IPv6.",
        "What names the device does not cover the IPv6 address that it chooses.",
        "Write `address: lasting`, or name its area.",
    ),
    "offer-opens-nothing": Entry(
        "offer that opens nothing",
        "No address family leads from the offer's lines to its device.",
        "Nobody will reach it, although the charter says so.",
        "Give the device an address that the line can lead to, or leave the offer out.",
    ),
    "same-area-not-proven": Entry(
        "promise within one area",
        "A promise is about hosts of one area.",
        "They reach each other by the switch or access point, where no decision is taken.",
        "Survey it on site, or use two areas.",
    ),
    "offer-behind-carrier": Entry(
        "offer nobody outside can reach",
        "An offer stands on a line whose own address is translated once more by the provider "
        "(RFC 1918, RFC 6598).",
        "Nothing arrives there from the internet.",
        "Ask the provider for a public address, or offer it over IPv6.",
    ),
    "limit-below-a-browser": Entry(
        "limit that stops a browser",
        "Web pages are offered with a limit per source that a single browser exceeds.",
        "Pages come in part or not at all; and many people may share one address (RFC 6269 section "
        "5).",
        "Write larger numbers, for instance `per-source: {new: 60 per minute, at-once: 40}`.",
    ),
}

PROMISES = {
    "promise-broken": Entry(
        "promise that does not hold",
        "Some connection is decided otherwise than a promise says.",
        "Promises are what the organisation relies on.",
        "Narrow the rule that is named, or put a rule before it, or change the promise.",
    ),
    "offer-breaks-promise": Entry(
        "offer against a promise",
        "An offer lets what a promise says is never let.",
        "One of the two is not meant as it stands.",
        "Narrow the offer with `from`, or add `except: offers` to the promise.",
    ),
    "emergency-ends": Entry(
        "an emergency with a last day",
        "A rule for emergencies has an `until`.",
        "What holds for a time is kept open by the steward and a right clock (docs/explanation/kit.md), so"
        " it closes within five minutes where either fails.",
        "Leave `until` out.",
    ),
    "emergency-barred": Entry(
        "bar against an emergency",
        "A barred device is one that an emergency rule speaks of.",
        "A bar comes before everything, calls for help too.",
        "Leave `barred` out, and refuse by rules what the device must not do.",
    ),
    "emergency-for-known-only": Entry(
        "emergency for known devices only",
        "An emergency rule speaks of an area that refuses strangers.",
        "A telephone that was exchanged, or brought along, can't call for help there.",
        "Name every telephone, or welcome strangers.",
    ),
    "exit-stops-emergency": Entry(
        "exit against an emergency",
        "An exit with `or-else: refused` refuses what an emergency rule lets, while its lines are down "
        "or from addresses of other lines.",
        "A call for help must leave by whatever line is left.",
        "Leave `or-else: refused` out, or put an exit without it before that one.",
    ),
    "exit-never-decides": Entry(
        "exit without effect",
        "Earlier exits match all that an exit speaks of.",
        "Whoever reads it believes that it chooses a line.",
        "Put it before them, or leave it out.",
    ),
    "exit-without-ipv4": Entry(
        "exit without IPv4",
        "None of the lines of an exit carries IPv4.",
        "For IPv6 the host's own address chooses the line, so that exit chooses nothing.",
        "Name a line that has an IPv4 address.",
    ),
    "emergency-breaks-promise": Entry(
        "emergency against a promise",
        "An emergency rule lets what a promise says is never let.",
        "Emergencies come before hours and sign-in, not before promises.",
        "Narrow the rule, or change the promise.",
    ),
}

MANAGING = {
    "management-refused": Entry(
        "way in that is not always open",
        "A connection like the one by which you administer is refused in some state of the site.",
        "Once the charter is enacted you could not come back to undo it.",
        "Name your device in `managed-from`, or mend the decision that is named.",
    ),
    "management-hardware-unknown": Entry(
        "way in for a hardware address nobody knows",
        "Whether you may come in depends on your hardware address, and it could not be looked up.",
        "What is not known is not proven.",
        "Come from a machine in an area of the gateway, or enact at the console.",
    ),
    "management-address-goes": Entry(
        "address of the gateway that goes",
        "The address of the gateway that you use is none of its addresses in the plan.",
        "Your session ends when the address is taken away.",
        "Connect to an address that stays, or keep the prefix of the area.",
    ),
    "management-client-elsewhere": Entry(
        "administrator at the wrong place",
        "Your address belongs to no host of the area or line that you come in by in the plan: "
        "it was renumbered, or its network device is another.",
        "What you send counts as forged and is refused.",
        "Keep the prefix of the area and its `device`, or enact at the console.",
    ),
    "management-led-elsewhere": Entry(
        "way in that others can lead elsewhere",
        "A routing rule or a route of others on the machine can take packets of the connection by "
        "which you administer, or of its answers.",
        "The charter would let you in, and still no answer would reach you.",
        "Take the rule or the route away, or have its owner do so.",
    ),
    "management-entrance-gone": Entry(
        "network device without area or line",
        "The network device that you come in by belongs to no area and to no line of the charter.",
        "What comes in there is refused in silence.",
        "Correct the `device` of your area.",
    ),
}

ASKING = {
    "cannot-read": Entry(
        "file can't be read",
        "The file named on the command line does not exist or can't be read.",
        "Without a charter there is nothing to say.",
        "Name a file that exists and that you may read.",
    ),
    "set-aside-absent": Entry(
        "table that is to be set aside and is not there",
        "No table of nftables has the name that was given with `--set-aside`.",
        "What was meant would stay, and go on deciding packets.",
        "Name it as `nft list tables` does, the family first.",
    ),
    "cannot-write": Entry(
        "file can't be written",
        "What was asked for can't be written where it was to be.",
        "Nothing was changed.",
        "Name a file in a folder that exists and that you may write to.",
    ),
    "cannot-render": Entry(
        "kit can't be rendered",
        "The plan asks for something that the settings of the gateway can't express.",
        "Half a kit would be worse than none.",
        "Do as the message says, then render again.",
    ),
    "cannot-rehearse": Entry(
        "no rehearsal here",
        "This machine can't hold the lab, or the lab came to an untimely end.",
        "Without real packets nothing is known of what the kernel does with the kit.",
        "Do as the message says, then rehearse again.",
    ),
    "file-exists": Entry(
        "file exists already",
        "A new charter was to be written where a file is already.",
        "A charter is never overwritten by accident.",
        "Name a file that does not exist yet.",
    ),
    "learnt-prefix-unusable": Entry(
        "no prefix that could be learnt",
        "What was said with `--learnt` is no line with a delegated prefix and an IPv6 prefix.",
        "It would be taken for a judgement with a prefix that was left out.",
        "Say the line and the prefix with its length, once for each line.",
    ),
    "cannot-keep": Entry(
        "kit whose areas can't be kept",
        "What was named with `--keep` is no kit, or its manifest is damaged.",
        "Without it areas would be numbered anew.",
        "Name the folder of a kit, or its manifest.json.",
    ),
    "not-a-kit": Entry(
        "folder with something else in it",
        "A kit was to be written into a folder that holds something else.",
        "What is there would be lost.",
        "Name a new folder, or an empty one.",
    ),
    "question-not-understood": Entry(
        "question not understood",
        "A question names something the charter does not have, or is put in another way.",
        "A wrong guess would be a wrong answer.",
        "Ask with names of the charter: who can reach booking.",
    ),
    "zone-data-old": Entry(
        "this machine's clock changes are out of date",
        "The time zone data of this machine are older than those that come with Netcharter, and"
        " set the site's clocks otherwise within two years.",
        "Netcharter goes by the newer ones; other programs here and their logs do not, and on a"
        " gateway whose Netcharter is old too every schedule would run at other times.",
        "Bring the package tzdata up to date, here and on the gateway.",
    ),
    "moment-not-understood": Entry(
        "moment not understood",
        "A weekday, date or hour could not be read.",
        "The answer depends on when.",
        'Write it as "Tue 21:30" or "2027-03-31 21:30".',
    ),
    "too-intricate": Entry(
        "too intricate to be answered",
        "An exact answer would take more work than one question is allowed.",
        "A guess in its place would not be a proof.",
        "Ask about less at once, or give rules that overlap in many ways fewer names each.",
    ),
    "answer-not-understood": Entry(
        "answer not understood",
        "An answer in the conversation that writes a charter could not be taken.",
        "The charter would say something else than was meant.",
        "Begin again; an empty answer takes what is proposed.",
    ),
}

FINDINGS: dict[str, Entry] = (
    PLAN | RULES | SITE | PROMISES | MANAGING | ASKING | OF_NAMES | DISCOVERY
)
