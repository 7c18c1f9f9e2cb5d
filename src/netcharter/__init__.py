"""Netcharter: know what a network will do before you press the button.

A charter says in plain words what a small site wants of its network. From it the plan follows,
the plan is proven, rendered, rehearsed and enacted, and the network is watched and accounted for.

    charter.yaml -parse-> Charter -plan-> Plan -prove-> Proof
                                            +-render-> Kit -rehearse, enact-> gateway -> ledger

The rooms of this package in flow order; a room imports only rooms above it, and not all of those
(the table in CONTRIBUTING.md says which). Rooms that are not built yet have their place here.

    diagnostics  what there is to say to a person: places in a document, findings, rendering
    space        exact sets of connections: atoms, cover, certificates, an independent checker
    charter      text to positions to a frozen model, with the right spelling for a wrong one
    plan         all that follows from a charter: addresses, hours, ordered decisions
    proofs       findings, promises, differences, who reaches what, why a connection is decided so
    render       the plan as settings of a stock Linux gateway: the kit
    readback     what the kernel has loaded, as decisions, by code independent of render
    probes       what to try with real packets, and what to expect
    rollout      steps with their undo, and the one place that runs commands on a real host
    lab          a site of network namespaces in which a kit is rehearsed
    survey       a gateway judged from inside an area
    gate         the sign-in page and its sessions
    ledger       what the network did, kept and attributed
    steward      what the gateway does by itself
    report       pages and papers for people
    tasks        the use cases behind commands and pages
    workbench    the local web pages
    cli          arguments in, a task called, its answer printed
"""
