"""The faults that the tests must notice: in the engine, the plan, the renderer and the readback.

For renderer and readback the tests ask a real kernel: that a kept file differs would notice any
change, right or wrong.
"""

from __future__ import annotations

from tests.mutants.plant import Fault


def _some(test: str, count: int) -> tuple[str, ...]:
    return tuple(f"{test}[{number}]" for number in range(count))


RANGES = ("tests/space/test_space_properties.py",)
TINY = _some("tests/space/test_space_tiny.py::test_rules_and_queries_equal_brute_force", 2)
COUNTS = _some("tests/space/test_space_tiny.py::test_differences_and_surveys_equal_brute_force", 2)
CLASSES = ("tests/plan/test_hours.py::test_the_time_classes_over_a_day_that_does_not_exist",)
TERMS = (
    (
        "tests/plan/test_hours.py::"
        "test_every_change_of_a_year_is_found_and_no_other[Europe/London-school]"
    ),
)
FINISHING = (
    (
        "tests/proofs/test_let_finish.py::"
        "test_what_stays_is_what_a_naive_reading_of_the_model_lets_stay[02-09-]"
    ),
)
ORACLE = _some(
    "tests/oracle/test_plan_agrees.py::test_the_plan_decides_every_attempt_as_the_interpreter_does",
    6,
)
KERNEL = _some(
    "tests/kernel/test_agreement.py::test_the_kernel_decides_as_the_plan_on_random_charters", 12
)
TWINS = ("tests/proofs/test_twins.py::test_without_a_fault_it_is_proven",)
TWINS_PLANTED = (
    "tests/proofs/test_twins.py::test_a_decision_that_says_something_else_of_ipv6_is_found",
)
PACKETS = ("tests/kernel/test_traffic.py",)


def _trap(name: str) -> tuple[str, ...]:
    place = "tests/readback/test_kernel_agrees.py::test_what_is_easily_misread_is_read_right"
    return (f"{place}[{name}]",)


ENGINE = (
    Fault(
        "intervals-that-only-nearly-touch-are-merged",
        "netcharter/space/ranges.py",
        "if out and low <= out[-1][1] + 1:",
        "if out and low <= out[-1][1] + 2:",
        RANGES,
    ),
    Fault(
        "what-overlaps-is-taken-for-what-contains",
        "netcharter/space/index.py",
        "self.inside = [fold_and.over(mask) for mask in self.masks]",
        "self.inside = [fold_or.over(mask) for mask in self.masks]",
        TINY,
    ),
    Fault(
        "a-core-keeps-what-it-does-not-need",
        "netcharter/space/engine.py",
        "for rule in reversed(list(core)):",
        "for rule in core[:1]:",
        TINY,
    ),
    Fault(
        "classes-of-values-are-counted-and-not-values",
        "netcharter/space/diagram.py",
        "self.index[level].atoms.weigh(atoms)\n",
        "atoms.bit_count()\n",
        COUNTS,
    ),
)

PLAN = (
    Fault(
        "ipv6-needs-no-sign-in",
        "netcharter/plan/decisions.py",
        'regions=tuple(regions([who], all_reached(ground, ["anywhere"]), ANY_SERVICE)),',
        "regions=tuple(regions([who], ANY4, ANY_SERVICE)),",
        TWINS,
    ),
    Fault(
        "a-refusal-that-ipv6-lacks-is-not-looked-at",
        "netcharter/proofs/twins.py",
        "narrower += boxes",
        "narrower += []",
        TWINS_PLANTED,
    ),
    Fault(
        "until-ends-a-day-early",
        "netcharter/plan/hours.py",
        "for until in self.untils if day > until",
        "for until in self.untils if day >= until",
        CLASSES,
    ),
    Fault(
        "the-day-after-a-term-is-like-any-other",
        "netcharter/plan/hours.py",
        "turning |= {last + _DAY for _, last in stretches if last < ends}",
        "turning |= {last for _, last in stretches if last < ends}",
        TERMS,
    ),
    Fault(
        "a-refusal-that-lets-finish-cuts-what-is-open",
        "netcharter/proofs/conversations.py",
        "if not row.let and row.finishing is None:",
        "if not row.let:",
        FINISHING,
    ),
    Fault(
        "offers-come-before-sign-in",
        "netcharter/plan/decisions.py",
        """\
    if ground.sign_in_areas:
        yield _sign_in(ground), None, None, None
    for number, offer in enumerate(ground.charter.offers):
        yield from _offer(ground, number, offer)
""",
        """\
    for number, offer in enumerate(ground.charter.offers):
        yield from _offer(ground, number, offer)
    if ground.sign_in_areas:
        yield _sign_in(ground), None, None, None
""",
        ORACLE,
    ),
    Fault(
        "forged-ipv6-sources-of-areas-are-believed",
        "netcharter/plan/housekeeping.py",
        "forged += _products([area.name], subtract(everything, area.hosts), everything)",
        "forged += _products([area.name], subtract(ANY4, area.hosts), everything)",
        ORACLE,
    ),
    Fault(
        "a-device-may-use-addresses-that-are-not-its-own",
        "netcharter/plan/housekeeping.py",
        "            yield from _products(area, subtract(ANY4, address), ANY4, hardware=hardware)\n",
        "",
        ORACLE,
    ),
)

RENDERER = (
    Fault(
        "a-decision-overtakes-another-into-a-merged-map",
        "netcharter/render/clauses.py",
        "if any(other.row is not clause.row for other in overlapping):",
        "if len(overlapping) > len(run.clauses):",
        KERNEL,
    ),
    Fault(
        "refusals-are-silent-everywhere",
        "netcharter/render/nftables.py",
        'lines = ["drop" if row.quiet else "goto nc_refuse"]',
        'lines = ["drop"]',
        KERNEL,
    ),
    Fault(
        "whoever-was-on-another-line-moves-as-well",
        "netcharter/render/routes.py",
        "found += _shared_out(weight * times, {one: weights[one] for one in used})",
        "found += []",
        (
            "tests/steward/test_balanced.py::test_whatever_line_is_out_nobody_moves_who_was_on_another",
        ),
    ),
    Fault(
        "a-device-is-on-several-lines-at-once",
        "netcharter/render/sysctl.py",
        'yield "net/ipv4/fib_multipath_hash_policy = 3"',
        'yield "net/ipv4/fib_multipath_hash_policy = 1"',
        ("tests/steward/test_balanced.py::test_devices_stay_on_their_lines_with_packets",),
    ),
    Fault(
        "what-was-not-translated-counts-as-offered",
        "netcharter/render/nftables.py",
        'lines.append("ct status dnat goto nc_offers")',
        'lines.append("ct state new goto nc_offers")',
        KERNEL,
    ),
    Fault(
        "errors-in-ipv6-do-not-pass",
        "netcharter/render/nftables.py",
        'errors = [f"icmp type {errors4} accept", "icmpv6 type 0-127 accept"]',
        'errors = [f"icmp type {errors4} accept"]',
        PACKETS,
    ),
    Fault(
        "names-rules-are-for-everybody",
        "netcharter/render/withholding.py",
        'parts = [f"who[{groups[who]}]"]',
        "parts = [EVERYTHING]",
        ("tests/lab/test_withheld.py::test_what_is_written_is_what_dnspython_is_told",),
    ),
    Fault(
        "a-later-names-rule-decides-too",
        "netcharter/render/withholding_rules.py",
        "table.insert(rules, 1, undecided)",
        "table.insert(rules, 1, AllRule())",
        ("tests/lab/test_withheld.py::test_what_is_written_is_what_dnspython_is_told",),
    ),
)

LEADING = (
    Fault(
        "what-leads-to-a-place-may-lead-past-one-that-takes-it-in",
        "netcharter/proofs/universe.py",
        "if all(found & outer for inner, outer in within if found & inner)",
        "if True",
        ("tests/proofs/test_leading.py::test_what_a_place_takes_in_is_no_difference_that_can_be",),
    ),
    Fault(
        "only-forgets-where-names-lead-elsewhere",
        "netcharter/proofs/promises.py",
        "return leads_nowhere(ground.named, named) if named else None",
        "return None",
        ("tests/proofs/test_leading.py::test_a_promise_holds_wherever_names_lead",),
    ),
    Fault(
        "addresses-come-by-records-of-services",
        "netcharter/render/withholding_rules.py",
        "addAction(AndRule({{pool.names, rule, SERVICES}}), RCodeAction(DNSRCode.NOERROR))",
        "",
        ("tests/lab/test_named.py::test_where_names_of_places_lead_is_in_their_sets",),
    ),
)

RELAY = "tests/render/test_relay.py::"
RELAYING = (
    Fault(
        "services-elsewhere-lead-to-addresses-of-others",
        "netcharter/render/relay.py",
        "return inside and str(address) not in self.told.own",
        "return str(address) not in self.told.own",
        (f"{RELAY}test_addresses_elsewhere_are_not_told",),
    ),
    Fault(
        "names-of-hosts-are-taken-from-elsewhere",
        "netcharter/render/relay.py",
        "if name in self.taken.get(device, {}) or (",
        "if (",
        (f"{RELAY}test_a_host_keeps_its_name_from_whoever_takes_it_elsewhere",),
    ),
)
VISITS = "tests/gate/test_visits.py::"
PAGES = (
    Fault(
        "forms-of-other-pages-are-taken",
        "netcharter/gate/tokens.py",
        "return any(found)",
        "return True",
        (f"{VISITS}test_a_form_that_did_not_come_from_a_page_of_ours_changes_nothing",),
    ),
    Fault(
        "what-a-list-spares-is-looked-up-as-listed",
        "netcharter/gate/stores.py",
        'if _longest(found, open_store("below-spared"), name) is not None:',
        "if False:",
        ("tests/gate/test_stores.py::test_the_stores_say_what_the_list_says_line_by_line",),
    ),
    Fault(
        "names-withheld-from-a-device-let-its-area-come",
        "netcharter/plan/housekeeping.py",
        "kept_from = [Who(one.areas, one.source) for",
        "kept_from = [Who(one.areas) for",
        (
            (
                "tests/plan/test_withheld_page.py::"
                "test_a_device_may_come_by_its_own_addresses_where_it_is_at_home_or_roams"
            ),
        ),
    ),
)
LOADED = "tests/proofs/test_kernel.py::"
AGREEMENT = (
    Fault(
        "whatever-the-kernel-refuses-by-itself-may-be-let",
        "netcharter/proofs/kernel_fates.py",
        "return not loaded.let and loaded.manner in planned.manners",
        "return loaded.let or loaded.manner in planned.manners",
        (f"{LOADED}test_what_is_let_from_a_device_nobody_knows_is_found",),
    ),
    Fault(
        "what-no-leaf-holds-is-as-planned",
        "netcharter/proofs/kernel_fates.py",
        "    return planned == loaded\n",
        "    return planned == loaded or isinstance(loaded, Nothing)\n",
        (f"{LOADED}test_what_no_leaf_holds_is_no_agreement",),
    ),
    Fault(
        "sets-of-hours-are-asked-by-no-device-too",
        "netcharter/proofs/kernel_sets.py",
        'allowed -= {"iifname"}',
        "allowed -= set()",
        (f"{LOADED}test_a_set_of_devices_is_not_asked_where_no_device_is_known",),
    ),
    Fault(
        "hardware-at-a-line-is-that-of-nobody",
        "netcharter/proofs/kernel_space.py",
        "Way(line.name, line.device, ANY_HARDWARE)",
        "Way(line.name, line.device, NO_HARDWARE)",
        (f"{LOADED}test_hardware_at_a_line_must_not_matter",),
    ),
)

READBACK = (
    Fault(
        "goto-comes-back",
        "netcharter/readback/walk.py",
        'if verdict.kind == "jump":',
        'if verdict.kind in ("jump", "goto"):',
        _trap("goto does not come back to where it was"),
    ),
    Fault(
        "what-is-not-tracked-is-translated",
        "netcharter/readback/walk.py",
        'if course.track != "new" or settled:',
        "if settled:",
        _trap("no translation without tracking"),
    ),
    Fault(
        "connections-are-known-before-they-are-tracked",
        "netcharter/readback/keys.py",
        '"none": "invalid", "new": "new"',
        '"none": "new", "new": "new"',
        _trap("before tracking, every packet is invalid"),
    ),
    Fault(
        "a-translation-always-changes-something",
        "netcharter/readback/translation.py",
        """\
            if same is not None:
                yield State(same, state.held, course), True
            if same != box:
""",
        """\
            if same is None or same is not None:
""",
        _trap("translated to what it was anyway"),
    ),
    Fault(
        "counters-are-not-told",
        "netcharter/readback/effects.py",
        "counters=(*state.course.counters, name)",
        "counters=state.course.counters",
        _trap("maps of verdicts"),
    ),
    Fault(
        "a-statement-needs-nothing",
        "netcharter/readback/needs.py",
        'yield from read(said.get("elem", said.get("key")))',
        "yield from ()",
        _trap("what a statement reads must be there: elements that are added"),
    ),
    Fault(
        "a-map-without-the-key-is-passed",
        "netcharter/readback/rules.py",
        "yield Living(lookup, living, key, False) if living else Find(lookup, False)",
        "yield from ()",
        _trap("a key that a map lacks ends the rule: counters, limits, priorities"),
    ),
    Fault(
        "the-older-of-two-chains-comes-first",
        "netcharter/readback/stages.py",
        "chains = sorted(chains, key=_registered(listing), reverse=True)",
        "chains = sorted(chains, key=_registered(listing))",
        _trap("at one priority the newer chain comes first"),
    ),
)

LEASES, LENDING = "tests/plan/test_leases.py::", "tests/render/test_lending.py::"
LENT = (
    Fault(
        "who-left-holds-no-lease",
        "netcharter/plan/leases.py",
        "return self.hosts + self.left",
        "return self.hosts",
        (
            (
                f"{LEASES}test_littles_law_thirty_an_hour_for_a_day_are_720"
                "_and_a_24_carries_8_43_hours"
            ),
        ),
    ),
    Fault(
        "addresses-of-devices-are-lent-to-anybody",
        "netcharter/plan/leases.py",
        "pool = subtract(hosts4, coding.addresses(kept))",
        "pool = hosts4",
        (f"{LENDING}test_the_pool_is_lent_around_what_belongs_to_devices",),
    ),
    Fault(
        "strangers-are-lent-addresses-where-they-are-refused",
        "netcharter/render/lending.py",
        "tag:{device},tag:!{_home(area)}",
        "tag:{device},tag:{_home(area)}",
        (f"{LENDING}test_who_is_barred_gets_nothing_and_no_stranger_where_they_are_refused",),
    ),
    Fault(
        "a-prefix-of-a-neighbour-is-proposed",
        "netcharter/plan/packing.py",
        "if disjoint(whole, taken) and subset(whole, _POOL):",
        "if subset(whole, _POOL):",
        (f"{LEASES}test_a_prefix_that_is_proposed_is_nobody_elses",),
    ),
)
WAYS = "tests/proofs/test_around.py::"
AROUND = (
    Fault(
        "what-can-not-be-told-apart-is-open",
        "netcharter/proofs/around.py",
        'stands="undecidable" if channel.hidden else "open",',
        'stands="open",',
        (f"{WAYS}test_who_may_http_https_and_ntp_has_these_ways_and_no_others",),
    ),
    Fault(
        "a-line-is-asked-about-while-others-are-up",
        "netcharter/proofs/around.py",
        "alone = frozenset({1 << (line.number - 1)})",
        "alone = frozenset(range(1 << len(plan.lines)))",
        (f"{WAYS}test_an_exit_that_refuses_others_closes_another_line",),
    ),
    Fault(
        "what-translators-lead-to-is-not-hostile",
        "netcharter/plan/hostile.py",
        "coding.with_translated(found.contents, charter.translators)",
        "found.contents",
        ("tests/plan/test_hostile.py::test_what_is_refused_of_what_a_list_names",),
    ),
    Fault(
        "a-refusal-that-lets-finish-is-not-named",
        "netcharter/proofs/finishing.py",
        "for row in (*one.rows, *refusals)",
        "for row in one.rows",
        (("tests/proofs/test_let_finish.py::test_all_by_which_it_goes_on_are_named_and_no_other"),),
    ),
)

FAULTS: tuple[Fault, ...] = (
    *ENGINE, *PLAN, *LENT, *AROUND, *RENDERER, *LEADING, *RELAYING, *PAGES, *AGREEMENT, *READBACK
)  # fmt: skip
