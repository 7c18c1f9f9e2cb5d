"""A rule in nft's words, from its JSON. For people and for telling conditions apart; whoever prints
it escapes it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

_BINARY = {"&", "|", "^", "<<", ">>"}
_MOST = 2000  # characters of one rule


def rule_text(expr: Sequence[Mapping[str, Any]]) -> str:
    """The statements of a rule as nft(8) writes them; what is not known, as JSON."""
    text = " ".join(statement_text(one) for one in expr)
    return text if len(text) <= _MOST else text[: _MOST - 3] + "..."


def statement_text(statement: Mapping[str, Any]) -> str:
    """One statement or verdict."""
    ((kind, said),) = statement.items()
    teller = _STATEMENTS.get(kind)
    try:
        return teller(said) if teller else _plain(kind, said)
    except (LookupError, TypeError, ValueError, AttributeError):
        return _raw({kind: said})


def expression_text(said: Any) -> str:
    """One expression: what is looked at, or what it is compared with."""
    try:
        return _expression(said)
    except (LookupError, TypeError, ValueError, AttributeError):
        return _raw(said)


def _raw(said: Any) -> str:
    return json.dumps(said, ensure_ascii=False)


def _expression(said: Any) -> str:
    if isinstance(said, bool):
        return "exists" if said else "missing"
    if isinstance(said, list):
        return ",".join(_expression(one) for one in said)
    if not isinstance(said, dict):
        return str(said)
    if len(said) != 1:
        return _raw(said)
    ((kind, parts),) = said.items()
    if kind in _BINARY:
        return f" {kind} ".join(_operand(one) for one in parts)
    return _EXPRESSIONS[kind](parts)


def _operand(said: Any) -> str:
    text = _expression(said)
    nested = isinstance(said, dict) and next(iter(said), "") in _BINARY
    return f"({text})" if nested else text


def _rest(said: Mapping[str, Any], *told: str) -> str:
    """What an expression says besides, since what is not told apart counts as the same."""
    left = {k: v for k, v in said.items() if k not in told and (k, v) != ("offset", 0)}
    return f" {_raw(left)}" if left else ""


def _payload(said: Any) -> str:
    if "base" in said:
        rest = _rest(said, "base", "offset", "len")
        return f"@{said['base']},{said['offset']},{said['len']}{rest}"
    return f"{said['protocol']} {said['field']}{_rest(said, 'protocol', 'field')}"


def _set(said: Any) -> str:
    if not isinstance(said, list):
        return _expression(said)
    return "{ " + ", ".join(map(_element, said)) + " }"


def _element(said: Any) -> str:
    if isinstance(said, list) and len(said) == 2:
        value = said[1]
        told = statement_text(value) if _is_verdict(value) else _expression(value)
        return f"{_expression(said[0])} : {told}"
    return _expression(said)


def _is_verdict(said: Any) -> bool:
    return isinstance(said, dict) and next(iter(said), "") in _VERDICTS


def _ct(said: Any) -> str:
    way = f"{said['dir']} " if "dir" in said else ""
    return f"ct {way}{said['key']}{_rest(said, 'dir', 'key')}"


def _meta(said: Any) -> str:
    key = said["key"]
    bare = {"iif", "oif", "iifname", "oifname", "iifgroup", "oifgroup", "iiftype", "oiftype"}
    return (str(key) if key in bare else f"meta {key}") + _rest(said, "key")


def _exthdr(said: Any) -> str:
    return " ".join(str(said[k]) for k in ("name", "field") if k in said) + _rest(
        said, "name", "field"
    )


def _rt(said: Any) -> str:
    family = f"{said['family']} " if "family" in said else ""
    return f"rt {family}{said['key']}{_rest(said, 'family', 'key')}"


def _numgen(said: Any) -> str:
    return f"numgen {said['mode']} mod {said['mod']}{_rest(said, 'mode', 'mod')}"


def _hash(name: str) -> Callable[[Any], str]:
    def told(said: Any) -> str:
        of = f" {_expression(said['expr'])}" if "expr" in said else ""
        return f"{name}{of} mod {said['mod']}{_rest(said, 'expr', 'mod')}"

    return told


_EXPRESSIONS: Mapping[str, Callable[[Any], str]] = {
    "payload": _payload,
    "meta": _meta,
    "ct": _ct,
    "exthdr": _exthdr,
    "tcp option": lambda s: "tcp option " + _exthdr(s),
    "ip option": lambda s: "ip option " + _exthdr(s),
    "sctp chunk": lambda s: "sctp chunk " + _exthdr(s),
    "dccp option": lambda s: f"dccp option {s['type']}{_rest(s, 'type')}",
    "fib": lambda s: f"fib {' . '.join(s['flags'])} {s['result']}{_rest(s, 'flags', 'result')}",
    "rt": _rt,
    "socket": lambda s: f"socket {s['key']}{_rest(s, 'key')}",
    "osf": lambda s: f"osf {s['key']}{_rest(s, 'key')}",
    "ipsec": lambda s: f"ipsec {s['dir']} {s['key']}{_rest(s, 'dir', 'key')}",
    "numgen": _numgen,
    "jhash": _hash("jhash"),
    "symhash": _hash("symhash"),
    "concat": lambda s: " . ".join(_expression(one) for one in s),
    "set": _set,
    "map": lambda s: f"{_expression(s['key'])} map {_map_data(s['data'])}",
    "prefix": lambda s: f"{_expression(s['addr'])}/{s['len']}",
    "range": lambda s: f"{_expression(s[0])}-{_expression(s[1])}",
    "elem": lambda s: _expression(s["val"]),
}


def _map_data(said: Any) -> str:
    return _expression(said)


def _match(said: Any) -> str:
    left, right, op = _expression(said["left"]), _expression(said["right"]), said["op"]
    if op in ("==", "in"):
        return f"{left} {right}"
    return f"{left} {op} {right}"


def _target(kind: str) -> Callable[[Any], str]:
    return lambda said: f"{kind} {said['target']}"


def _counter(said: Any) -> str:
    if isinstance(said, str):
        return f'counter name "{said}"'
    return (
        f"counter name {_expression(said)}"
        if isinstance(said, dict) and "map" in said
        else ("counter")
    )


def _limit(said: Any) -> str:
    if isinstance(said, str):
        return f'limit name "{said}"'
    if "map" in said:
        return f"limit name {_expression(said)}"
    over = "over " if said.get("inv") else ""
    unit = f" {said['rate_unit']}" if "rate_unit" in said else ""
    burst = (
        f" burst {said['burst']} {said.get('burst_unit', 'packets')}" if said.get("burst") else ""
    )
    return f"limit rate {over}{said['rate']}{unit}/{said['per']}{burst}"


def _quota(said: Any) -> str:
    if isinstance(said, str):
        return f'quota name "{said}"'
    if "map" in said:
        return f"quota name {_expression(said)}"
    return f"quota {'over ' if said.get('inv') else ''}{said['val']} {said['val_unit']}"


def _count(said: Any) -> str:
    return f"ct count {'over ' if said.get('inv') else ''}{said['val']}"


def _log(said: Any) -> str:
    if not said:
        return "log"
    prefix = f' prefix "{said["prefix"]}"' if "prefix" in said else ""
    rest = "".join(f" {k} {v}" for k, v in said.items() if k in ("group", "level"))
    return f"log{prefix}{rest}"


def _reject(said: Any) -> str:
    if not said:
        return "reject"
    kind = said.get("type", "")
    if kind == "tcp reset":
        return "reject with tcp reset"
    return f"reject with {kind} {said.get('expr', '')}".rstrip()


def _nat(kind: str) -> Callable[[Any], str]:
    def told(said: Any) -> str:
        if not said:
            return kind
        family = f" {said['family']}" if "family" in said else ""
        prefix = " prefix" if "prefix" in str(said.get("type_flags", "")) else ""
        address = _expression(said["addr"]) if "addr" in said else ""
        port = f":{_expression(said['port'])}" if "port" in said else ""
        to = f" to {address}{port}" if address or port else ""
        flags = said.get("flags", [])
        rest = " ".join(flags) if isinstance(flags, list) else str(flags)
        return f"{kind}{family}{prefix}{to}{' ' + rest if rest else ''}"

    return told


def _dynamic(said: Any) -> str:
    statements = "".join(" " + statement_text(one) for one in said.get("stmt", ()))
    target = said.get("set", said.get("map", ""))
    data = f" : {_expression(said['data'])}" if "data" in said else ""
    return f"{said['op']} {target} {{ {_expression(said['elem'])}{statements}{data} }}"


def _plain(kind: str, said: Any) -> str:
    if said is None:
        return kind
    return f"{kind} {said}" if isinstance(said, str) else _raw({kind: said})


_VERDICTS = frozenset({"accept", "drop", "return", "continue", "jump", "goto", "queue"})
_STATEMENTS: Mapping[str, Callable[[Any], str]] = {
    "match": _match,
    "vmap": lambda s: f"{_expression(s['key'])} vmap {_expression(s['data'])}",
    "jump": _target("jump"),
    "goto": _target("goto"),
    "counter": _counter,
    "limit": _limit,
    "quota": _quota,
    "ct count": _count,
    "log": _log,
    "reject": _reject,
    "dnat": _nat("dnat"),
    "snat": _nat("snat"),
    "masquerade": _nat("masquerade"),
    "redirect": _nat("redirect"),
    "tproxy": _nat("tproxy"),
    "set": _dynamic,
    "map": _dynamic,
    "mangle": lambda s: f"{_expression(s['key'])} set {_expression(s['value'])}",
    "queue": lambda s: f"queue num {_expression(s['num'])}" if s and "num" in s else "queue",
}
