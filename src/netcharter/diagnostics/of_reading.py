"""What can be wrong with a charter as a text."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

FILES = {
    "too-large": Entry(
        "file too large",
        "A file of the charter has more than 4 million bytes.",
        "A charter is written and read by people; something else was probably meant.",
        "Move long lists of prefixes out of it, or split it with `include`.",
    ),
    "binary": Entry(
        "not a text",
        "The file contains NUL characters, so it is a program, a picture or the like.",
        "Nothing can be read from it.",
        "Give the charter's own file.",
    ),
    "not-utf-8": Entry(
        "not UTF-8",
        "Some bytes of the file are not UTF-8 text.",
        "Names would be read as something else than was written.",
        "Save the file as UTF-8.",
    ),
    "unprintable": Entry(
        "unseen character",
        "A control character, or a line break only old YAML knows, stands in the file.",
        "What is not seen can change what is read.",
        "Delete it.",
    ),
    "empty": Entry(
        "nothing there",
        "The file has no content but perhaps comments.",
        "A charter says at least its version, its site, one line and one area.",
        "Begin with `charter: 1`, or let `netcharter new` write a first one.",
    ),
    "not-a-mapping": Entry(
        "no keys",
        "The file is a list or a single value, not `key: value` lines.",
        "Every part of a charter stands below its key.",
        "Begin with `charter: 1`.",
    ),
    "several-documents": Entry(
        "more than one document",
        "A line `---` begins a second YAML document.",
        "Only one of them could count, and it would be a guess which.",
        "Delete the line, or use `include` for a second file.",
    ),
    "too-deep": Entry(
        "nested too deep",
        "Lists and mappings stand within each other more than 64 levels deep.",
        "No charter needs more than six.",
        "Look for brackets that are not closed.",
    ),
    "too-many": Entry(
        "too many values",
        "The charter has more than 200 000 keys and values.",
        "It could not be read by anyone, nor checked quickly.",
        "Make groups, places and services of what repeats itself.",
    ),
    "alias-budget": Entry(
        "aliases out of hand",
        "Aliases (`*name`) repeat so much that the charter grows beyond all measure.",
        "A few lines could fill the memory of the machine.",
        "Write the values out, or name them as a group, a place or a service.",
    ),
    "alias-loop": Entry(
        "alias within itself",
        "An alias stands inside the value it refers to.",
        "The value would have no end.",
        "Write the value out.",
    ),
    "alias-unknown": Entry(
        "alias of nothing",
        "An alias refers to an anchor that does not stand above it.",
        "There is no value to put in its place.",
        "Give the value an anchor (`&name`) above, or write it out.",
    ),
    "unknown-tag": Entry(
        "unknown tag",
        "A value bears a YAML tag that a charter has no use for.",
        "Tags make other programs build objects; here everything is plain text and numbers.",
        "Leave the tag out.",
    ),
    "yaml-syntax": Entry(
        "not YAML",
        "The text breaks the grammar of YAML at this place.",
        "What follows can't be read before it is mended.",
        "Mostly a quote, a bracket or the indentation is missing.",
    ),
    "yaml-tab": Entry(
        "tab in the indentation",
        "A line is indented with a tab.",
        "YAML counts columns, and a tab has no fixed width.",
        "Indent with spaces.",
    ),
    "and-more": Entry(
        "and more",
        "There is more to tell than is useful to read at once.",
        "Most of it usually goes away with the first few.",
        "Mend what is told first, then check again.",
    ),
}

INCLUDES = {
    "bad-include": Entry(
        "no file to include",
        "What stands below `include` is not a relative file name without `..`.",
        "A charter must not reach files outside its own folder.",
        "Keep the file beside the charter or in a folder below it.",
    ),
    "include-unreadable": Entry(
        "file can't be had",
        "An included file does not exist or can't be read.",
        "Without it the charter is not whole.",
        "Check the name; it counts from the folder of the file it stands in.",
    ),
    "include-loop": Entry(
        "files include each other",
        "A file includes itself, perhaps through others.",
        "It would be read without end.",
        "Take one of the includes out.",
    ),
    "include-twice": Entry(
        "file included twice",
        "Two places include the same file.",
        "Everything in it would be defined twice.",
        "Include it once.",
    ),
    "too-many-files": Entry(
        "too many files",
        "A charter is made of more than 64 files.",
        "Nobody could say what it says as a whole.",
        "Put some of them together.",
    ),
    "split-list": Entry(
        "an ordered list in two files",
        "`rules`, `offers`, `promises` or `exits` stand in more than one file.",
        "The first match decides; the order of files must not decide silently.",
        "Keep the whole list in one file.",
    ),
    "defined-twice": Entry(
        "defined in two files",
        "Two files define the same name.",
        "One of the two would be forgotten.",
        "Keep one of them.",
    ),
}

FORM = {
    "duplicate-key": Entry(
        "key given twice",
        "The same key stands twice in one mapping.",
        "YAML readers silently keep one of them, and not all the same one.",
        "Keep one.",
    ),
    "unknown-key": Entry(
        "unknown key",
        "A key is not one that can stand here.",
        "A misspelt key would otherwise be overlooked.",
        "Write one of the keys that are named.",
    ),
    "foreign-word": Entry(
        "a word of the trade that is called otherwise",
        "A word is used elsewhere for what a charter calls by another one.",
        "One word for one thing, so that every charter reads alike.",
        "Write the word that is named.",
    ),
    "missing-key": Entry(
        "something is missing",
        "A key that must be said is not there.",
        "What is not said is never taken for `any`.",
        "Add the key.",
    ),
    "too-much-said": Entry(
        "two that exclude each other",
        "Two keys stand together of which there can be one.",
        "It would be a guess which one counts.",
        "Make two of it, or delete one.",
    ),
    "no-value": Entry(
        "key without a value",
        "A key is followed by nothing, or by `null`.",
        "It can't be told whether something was forgotten.",
        "Write the value, or leave the key out.",
    ),
    "wrong-type": Entry(
        "another kind of value",
        "Text stands where a number belongs, a list where a mapping belongs, and so on.",
        "Guessing what was meant would be wrong sooner or later.",
        "Write the value as the message says.",
    ),
    "empty-list": Entry(
        "empty list",
        "A list has no items.",
        "An empty list of who or what means nobody or nothing, which is hardly meant.",
        "Write at least one, or leave the key out.",
    ),
    "said-twice": Entry(
        "the same thing twice in a list",
        "An item stands twice in one list.",
        "Something else may have been meant.",
        "Delete one of them.",
    ),
}

VALUES = {
    "bad-version": Entry(
        "another version",
        "The charter is of a version that is not known.",
        "Keys could mean something else there.",
        "Write `charter: 1`.",
    ),
    "bad-word": Entry(
        "not one of the words",
        "The value must be one of a few words, and is another.",
        "There is nothing between them.",
        "Write one of the words that are named.",
    ),
    "bad-name": Entry(
        "not a name",
        "A name does not begin with a letter, has other characters than letters, digits, `-`, "
        "`_` and `.`, or is longer than 60 characters.",
        "Names stand in reports, settings and commands, where other characters do harm.",
        "Choose a name of letters and digits; put the rest into `because`.",
    ),
    "reserved-name": Entry(
        "a name with a meaning of its own",
        "`anyone`, `anywhere`, `anything`, `internet` and `gateway` can't be defined.",
        "A rule that speaks of them would mean something else than it says.",
        "Choose another name.",
    ),
    "bad-text": Entry(
        "unsuitable text",
        "A text is empty, too long, or has characters that can't be seen.",
        "It will stand in reports, where hidden characters change how a line reads.",
        "Write some plain words.",
    ),
    "bad-number": Entry(
        "number out of range",
        "A number is smaller or larger than it can be.",
        "No network could be built from it.",
        "Write a number within the limits that are named.",
    ),
    "bad-rate": Entry(
        "not a rate",
        "A rate is not a number with kbit/s, Mbit/s or Gbit/s.",
        "Bits or bytes, per second or in all: a rate without its unit is a guess.",
        "Write it as `40 Mbit/s`.",
    ),
    "bad-time": Entry(
        "not a time",
        "A stretch of time is no number with `s` or `ms`, or is shorter or longer than it can be.",
        "Seconds or thousandths: a time without its unit is a guess.",
        "Write it as `2 s` or `400 ms`.",
    ),
    "too-many-targets": Entry(
        "more targets than a line needs",
        "A line is watched by more than four addresses of one IP version.",
        "Each is asked in every round, which burdens others and tells no more.",
        "Keep four at most.",
    ),
    "target-not-carried": Entry(
        "a target that the line can't reach",
        "A line is watched by an address of an IP version that it does not carry.",
        "It would never answer, and the line would count as failed.",
        "Name another, or give the line an address of that version.",
    ),
    "bad-share": Entry(
        "not a share",
        "A share is not a number with `%`.",
        "Whether 0.5 or 50 is a half would be a guess.",
        "Write it as `50 %`.",
    ),
    "bad-address": Entry(
        "not an address",
        "An address is misspelt, lacks its prefix length or has one it should not have, or is "
        "one that no single host can have.",
        "Nothing could be reached there.",
        "Write it as 192.0.2.10 or 2001:db8::10; a line's own address with its length.",
    ),
    "bad-prefix": Entry(
        "not a prefix",
        "A prefix is misspelt, has bits beyond its length, or is of the wrong kind or size.",
        "With bits beyond the length, either the address or the length is wrong.",
        "Write the network's address and its length: 192.0.2.0/24.",
    ),
    "bad-hardware": Entry(
        "not a hardware address",
        "A hardware address is not six bytes, or is zero, or addresses a group.",
        "No device would ever be recognised by it.",
        "Read it off the device's label: 02:00:00:aa:00:01.",
    ),
    "bad-interface": Entry(
        "not a network interface",
        "The name of an interface, with its VLAN, is longer than 15 characters or has others than "
        "Linux takes.",
        "The gateway has no such interface.",
        "Write the name as `ip link` shows it.",
    ),
    "bad-timezone": Entry(
        "no such time zone",
        "The time zone is not a key of the IANA time zone database, or means what a machine is "
        "set to.",
        "All hours and dates of the charter are local time, the same wherever it is judged.",
        "Write area and city: Europe/London.",
    ),
    "bad-date": Entry(
        "not a date",
        "A date is misspelt, does not exist, or lies too far away.",
        "Day and month are easily taken for one another.",
        "Write year, month and day: 2027-03-31.",
    ),
    "bad-day": Entry(
        "not a day of the week",
        "A key of `weekly` is not a day, a stretch of days, or `daily`.",
        "The windows would belong to no day.",
        "Write mon, mon-fri or daily.",
    ),
    "bad-window": Entry(
        "not a window of time",
        "A window is not a start and an end on a 24 hour clock.",
        "Half past four is twice a day.",
        "Write it as 08:00-16:30.",
    ),
    "bad-service": Entry(
        "not a service",
        "A service is neither a name nor written out in the way it must be.",
        "A port alone does not say whether TCP or UDP is meant.",
        "Write tcp/8443, udp/5000-5010, icmp/8, icmpv6/128 or protocol/47.",
    ),
}

HOURS = {
    "days-overlap": Entry(
        "a day named twice",
        "Two keys of the same calendar mean the same day.",
        "It would be a guess which windows count.",
        "Name every day once.",
    ),
    "windows-overlap": Entry(
        "windows overlap",
        "Two windows of one day have time in common.",
        "One of them is probably misspelt.",
        "Make one window of the two.",
    ),
    "term-of-nothing": Entry(
        "a term for no week",
        "Hours name terms and have no weekly windows.",
        "Terms say on which days the weekly windows begin; dated exceptions count in any term.",
        "Add `weekly`, or leave `terms` and `outside` out.",
    ),
    "term-both-ways": Entry(
        "a term in and out",
        "Hours hold in a term and outside the same term.",
        "They would hold on no day of it, so one of the two was meant otherwise.",
        "Leave it out of `terms` or out of `outside`.",
    ),
}

SITE = {
    "unknown-name": Entry(
        "unknown name",
        "A name is used that nothing in the charter bears.",
        "A rule for nobody would look as if it did something.",
        "Correct the spelling, or define the name.",
    ),
    "wrong-kind": Entry(
        "a name of something else",
        "A name is defined, but as something that can't stand here.",
        "A person can't be reached, a place can't sign in.",
        "Name something of the kind the message asks for.",
    ),
    "wrong-term": Entry(
        "a word in the wrong place",
        "`anyone`, `anywhere` or `anything` stands where another of them belongs.",
        "One says who, one says where, one says with what.",
        "Write the word that is named.",
    ),
    "name-clash": Entry(
        "one name for two things",
        "Areas, lines, devices, people, groups and places share their names, and two are alike.",
        "A rule could mean either.",
        "Choose another name for one of them.",
    ),
    "interface-twice": Entry(
        "interface taken twice",
        "Two lines or areas have the same interface and the same VLAN, however it is written.",
        "Their traffic could not be told apart.",
        "Give each its own interface, or its own `vlan`.",
    ),
    "too-many-lines": Entry(
        "too many lines",
        "The charter has more than six lines.",
        "Every state of the lines is proven, and there are twice as many with each line.",
        "Leave out lines that are not used.",
    ),
    "too-many-exits": Entry(
        "too many exits",
        "The charter has more than 60 exits.",
        "Each has a number of its own in the mark of packets, and a rule of routing for each line.",
        "Say with places and services what many exits say alike.",
    ),
    "exit-term": Entry(
        "not for an exit",
        "An exit names something that it can't be about.",
        "An exit chooses the line by which areas and devices reach the internet or a place; inside "
        "the site there is no line to choose.",
        "Name areas or devices after `from`, and `internet` or places after `reach`.",
    ),
    "too-many-places": Entry(
        "too many places made of names",
        "The charter has more than 8 places that are made of domain names.",
        "Nobody knows beforehand to which addresses names lead, or which of them share one: what is "
        "proven is proven for every set of such places that an address may be in, and their number "
        "doubles with each place.",
        "Put names into one place that no rule tells apart.",
    ),
    "place-of-names": Entry(
        "a place that is only reached",
        "A place that is made of domain names stands where addresses are needed: as who starts, in "
        "an exit, or as an exception from hostile addresses.",
        "Names lead from those who ask to where they connect. Whoever comes by a line has an address "
        "and no name, a line is chosen and a list excepted by address.",
        "Name the place after `reach` of rules and promises; elsewhere write prefixes, or a list.",
    ),
    "too-many-rules": Entry(
        "too many rules",
        "The charter has more than 5 000 rules or 500 names rules, or rewrites names to more than 64 "
        "others.",
        "Every rule is judged against every other, so the time grows with the square of their "
        "number.",
        "Say with groups, places and services what many rules say alike.",
    ),
    "two-main-lines": Entry(
        "two main lines",
        "More than one line is `main`.",
        "It would be a guess which one carries the traffic.",
        "Write `role: standby`, or `role: balanced` for both.",
    ),
    "no-main-line": Entry(
        "only standby lines",
        "No line is `main` or `balanced`.",
        "Nothing would ever go out.",
        "Write `role: main` for one line.",
    ),
    "main-beside-balanced": Entry(
        "main line beside balanced ones",
        "A main line stands beside balanced ones.",
        "It looks as if they shared; the first line is the main one unless it says otherwise.",
        "Write `role: balanced` for every line that is to share.",
    ),
    "weight-unused": Entry(
        "weight without effect",
        "A line that is not balanced has a weight.",
        "It looks as if the line carried a share.",
        "Write `role: balanced`, or leave the weight out.",
    ),
    "mtu-too-large": Entry(
        "packets larger than the line",
        "The `mtu` of a line is more than its PPPoE session or its VLAN can carry.",
        "Large packets would be lost, and pages would hang half loaded.",
        "Write the number that is named, or leave `mtu` out.",
    ),
    "mtu-shared": Entry(
        "a narrow device with VLANs on it",
        "A line makes its device narrower, and VLANs of others are on the same device.",
        "They are narrowed along, and hosts there would not know of it.",
        "Give one of them a device of its own, or put the line on a VLAN, too.",
    ),
    "pppoe-address": Entry(
        "address of a PPPoE session",
        "A line that is dialled by PPPoE has its address written out.",
        "The provider tells it when the session begins.",
        "Leave `address` out.",
    ),
    "bad-login": Entry(
        "not a user name",
        "What stands after `as` can't be a user name at a provider.",
        "The session would not be let in, or the name would be read as something else.",
        "Write it as the provider's letter does.",
    ),
    "password-in-charter": Entry(
        "a password in the charter",
        "A key asks for a password.",
        "A charter is printed, shared and kept in copies, and whoever reads it could dial as the "
        "site.",
        "Put it into `/etc/ppp/chap-secrets` and `/etc/ppp/pap-secrets` on the gateway.",
    ),
    "two-of-a-family": Entry(
        "two of one family",
        "Two addresses, prefixes or next hops are both IPv4 or both IPv6.",
        "There can be one of each.",
        "Keep one.",
    ),
    "further-address": Entry(
        "further address that does not fit",
        "A further IPv4 address of a line is written twice, is neither in the network of the first nor "
        "alone, or is the 33rd.",
        "The next hop is in one network, and one network only.",
        "Write it within that network, or with the length 32.",
    ),
    "offer-address": Entry(
        "address that is not the line's",
        "An offer says at which address it is met, and that is none of its one line's.",
        "Nothing sent there would ever arrive.",
        "Write one of the line's IPv4 addresses.",
    ),
    "bad-lease": Entry(
        "not a lease",
        "For how long an address is lent is no number with `min`, `h` or `days`, or shorter or longer "
        "than it can be.",
        "A lease that is read otherwise than meant empties the pool, or takes addresses away.",
        "Write it as `30 min`, `12h` or `7 days`.",
    ),
    "bad-name-asked": Entry(
        "not a domain name",
        "What stands where a domain name is expected is none: an address, a URL, a name with a `*`, or "
        "with characters that no name has.",
        "Nobody would ever ask for it, so the sentence would never matter.",
        "Write the name alone: `www.example.org`. In names rules it takes in all names below it.",
    ),
    "names-audience": Entry(
        "nobody who asks here",
        "A names rule is for somebody who asks this gateway for no names (a line, the internet, a "
        "place, the gateway), or for people, whom names rules can't tell apart yet.",
        "Names are decided for whoever asks the gateway, from an area.",
        "Name areas, devices with lasting addresses, or `anyone`.",
    ),
    "names-rule-key": Entry(
        "a key that says nothing",
        "`to` stands without `rewrite`, or `emergency` with something else than `answer`.",
        "Somebody reads it and counts on it.",
        "Leave it out.",
    ),
    "resolver-unfit": Entry(
        "nobody to ask",
        "A resolver is the gateway itself, an address of the link alone, or named twice.",
        "Names would be asked for in a circle, or of nobody.",
        "Write the addresses of those whom the gateway is to ask, or no `resolvers` at all.",
    ),
    "too-many-resolvers": Entry(
        "too many resolvers",
        "The charter names more than eight resolvers.",
        "Each learns some of the names that the site asks for, and none makes the answers better.",
        "Keep a few far apart.",
    ),
    "bad-url": Entry(
        "not where a list is",
        "Where a list is fetched is no address of the form `https://…`, or holds what no server may be "
        "asked with: a user name, a space, a fragment.",
        "What is fetched otherwise could be changed by anybody on the way, and what stands here is "
        "asked for word by word.",
        "Copy the address from where the list is published; it begins with `https://`.",
    ),
    "bad-interval": Entry(
        "not how often",
        "How often a list is fetched is no number with `h` or `min`, or outside one hour to 24.",
        "A list is as old as that, and who publishes it is asked as often.",
        "Write it as `24h`.",
    ),
    "bad-entry": Entry(
        "not an entry",
        "An entry of a list is no domain name, or in a list of addresses no address and no prefix.",
        "It would match nothing, or something else than is meant.",
        "Write `example.org`, which takes in all names below it, or `192.0.2.0/24`.",
    ),
    "bad-list-file": Entry(
        "not a file of the charter",
        "The file of a list is not below the charter's own folder, or its name is no file name.",
        "A charter and what it needs are copied together, and nothing else of the machine is read.",
        "Keep the list below the charter's folder: `file: lists/games.txt`.",
    ),
    "list-key-unused": Entry(
        "a key that says nothing",
        "A key of a list is about lists of another kind: `every` and `change` about those that are "
        "fetched, `form` and `topic` about names.",
        "Somebody reads it and counts on it.",
        "Leave it out, or say `from`, or `of: names`.",
    ),
    "too-many-lists": Entry(
        "too many lists",
        "The charter has more than 100 lists.",
        "Each is fetched, kept and looked into by itself.",
        "Put some of them together.",
    ),
    "too-many-entries": Entry(
        "too many entries",
        "More than 2 000 entries of a list stand in the charter itself.",
        "A charter is written and read by people.",
        "Put them into a file beside the charter, and name it with `file`.",
    ),
    "bad-domain": Entry(
        "not a local domain",
        "The local domain is no name of letters, digits and hyphens, or means something else "
        "everywhere.",
        "Devices are told to look names up in it, and would find nothing or somebody else.",
        "Write one that is yours, or leave it out: home.arpa is there for that (RFC 8375).",
    ),
    "bad-time-server": Entry(
        "not a time server",
        "What is to tell the gateway the time is neither an address nor the name of a host.",
        "Its clock would go as it likes, and with it hours, certificates and what is recorded.",
        "Write names or addresses as whoever runs the servers gives them.",
    ),
    "bad-turnover": Entry(
        "not a turnover",
        "How many new devices come is no number in an hour, a day or a week.",
        "A pool of the wrong size gives some of them no address.",
        "Write it as `200 per day`.",
    ),
    "bad-limit": Entry(
        "limit that can't be meant",
        "What one source may do is a number of conversations, `new` in a second, a minute or an "
        "hour, or open `at-once`.",
        "A limit that is read otherwise than meant turns guests away, or nobody.",
        "Write for instance `per-source: {new: 30 per minute, at-once: 20}`.",
    ),
    "no-limit": Entry(
        "limit that limits nothing",
        "`per-source` is there and says nothing.",
        "Somebody meant to limit something.",
        "Write `new`, `at-once` or both, or leave it out.",
    ),
    "limit-of-nobody": Entry(
        "limit of nobody",
        "An offer that is only for areas, devices or people of the site has a limit per source.",
        "Only who comes by a line is limited, so it would never count.",
        "Leave `per-source` out, or let somebody from beyond the lines come.",
    ),
    "next-hop-automatic": Entry(
        "next hop of an automatic address",
        "A line with an automatic address has its next hop written out.",
        "The provider tells both together, and may change both.",
        "Leave `next-hop` out, or write the line's address.",
    ),
    "next-hop-outside": Entry(
        "next hop out of reach",
        "A next hop is in no network of the line, or is the line's own address or one that no host can have.",
        "The gateway could never reach it.",
        "Compare address, length and next hop with the provider's letter.",
    ),
    "device-unknowable": Entry(
        "device nobody could recognise",
        "A device has neither a hardware address nor an address written out.",
        "Nothing tells it from any other device.",
        "Add its hardware address.",
    ),
    "exempt-without-hardware": Entry(
        "exempt without hardware address",
        "A device is exempt from sign-in and has no hardware address.",
        "Whoever took its address would be exempt too.",
        "Add its hardware address.",
    ),
    "hardware-twice": Entry(
        "one hardware address for two devices",
        "Two devices have the same hardware address.",
        "They could not be told apart.",
        "Read the addresses off the devices once more.",
    ),
    "address-twice": Entry(
        "one address for two devices",
        "Two devices have the same address.",
        "Only one of them could be reached.",
        "Give each its own.",
    ),
    "device-without-address": Entry(
        "device without a lasting address",
        "A rule, an offer or a promise reaches a device whose address may change.",
        "The decision would be about whoever has that address next.",
        "Add `address: lasting` to the device.",
    ),
    "service-circle": Entry(
        "services made of each other",
        "A service contains itself, perhaps through others.",
        "It has no parts of its own.",
        "Take one of the names out.",
    ),
    "service-shadowed": Entry(
        "a known service renamed",
        "The charter defines a service whose name is known everywhere.",
        "Whoever reads a rule with it will think of the known one.",
        "Choose another name if that is not meant.",
    ),
    "service-too-large": Entry(
        "service of too many parts",
        "A service has more than 1 000 parts.",
        "A range was probably meant.",
        "Write ranges: udp/5000-5999.",
    ),
}

SENTENCES = {
    "name-twice": Entry(
        "two rules of one name",
        "Two rules, or two offers, have the same name.",
        "Reports and counters go by the name.",
        "Give each its own.",
    ),
    "bad-find": Entry(
        "no kind of service",
        "What is to be found in another area is neither a kind of service nor a service type.",
        "Hosts ask for service types, and only those that are named are told across areas.",
        "Write `printing`, `scanning`, `casting` or `files`, or a type as the maker of the devices"
        " tells it, for instance `_ipp._tcp`.",
    ),
    "discovery-term": Entry(
        "discovery of something else than areas",
        "A sentence about what is found names something that is no area.",
        "Who asks by multicast DNS is heard in a whole area, and answered there.",
        "Name areas.",
    ),
    "discovery-at-home": Entry(
        "discovery within an area",
        "Hosts of an area are to find what is in that area itself.",
        "They do so without the gateway.",
        "Name another area.",
    ),
    "emergency-refuses": Entry(
        "an emergency that refuses",
        "A rule that refuses is marked `emergency`.",
        "Emergencies are what must always work.",
        "Leave `emergency` out.",
    ),
    "emergency-during": Entry(
        "an emergency with hours",
        "A rule marked `emergency` holds only during some hours.",
        "Nobody can choose when help is needed.",
        "Leave `during` out.",
    ),
    "finish-of-nothing": Entry(
        "nothing to let finish",
        "`let-finish` stands where no time is over that would cut anything: at a rule or an offer "
        "without hours and last day, or at a refusal without hours.",
        "Something else was probably meant.",
        "Leave `let-finish` out, or say `during`.",
    ),
    "manner-of-let": Entry(
        "manner without refusal",
        "A rule that lets says how it refuses.",
        "Something else was probably meant.",
        "Leave `manner` out, or write `refuse`.",
    ),
    "at-many-ports": Entry(
        "one public port for several",
        "An offer moves more than one port, or something without ports, to one port.",
        "What arrives there could not be told apart.",
        "Make an offer of its own for each port.",
    ),
    "except-always": Entry(
        "an exception from always",
        "A promise with `always` leaves something aside.",
        "Offers only ever add to what works, so nothing is left aside.",
        "Leave `except` out.",
    ),
}

READING: dict[str, Entry] = FILES | INCLUDES | FORM | VALUES | HOURS | SITE | SENTENCES
