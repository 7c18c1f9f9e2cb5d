"""The part of dnsdist's settings that is the same in every kit: functions in Lua (dnsdist 1.7).

A rule of dnsdist says which questions it fits, an action what becomes of them; rules are asked in the
order in which they were added. What every question has to be measured by comes first within a rule:
who asks, then the time, then names, then lists, which take longest.

A decision that leads a name somewhere only says so (a tag), and no later one is asked then: where names
lead stands once, behind all decisions, since dnsdist is slow to take in many rules.

Hours stand in a small file that the steward writes (`steward/duties/names.py`): a line for each time
of names rules, with its key, `yes` or `no`, and the instant until which that is to be believed, in
seconds since 1970. dnsdist looks at it once a second, as it calls `maintenance` (its documentation,
"Configuration Reference"). What is not believed any more counts as the stricter of the two.
"""

from __future__ import annotations

from typing import Final

HOURS: Final = "/run/netcharter/names-hours"
FIRST: Final = "netcharter names 1"  # how that file begins
LAST: Final = "end"
LONGEST: Final = 600  # seconds: who is to be believed for longer has another clock
# Seconds for which a withheld name's answer may be kept; common practice, no source.
SHORT: Final = 30
_MOST: Final = 65_536  # bytes of the file that are read

RULES: Final = f"""\
local believed = {{}}

local function heard()
    local file = io.open("{HOURS}", "r")
    if file == nil then
        return
    end
    local text = file:read({_MOST}) or ""
    file:close()
    if text:sub(1, {len(FIRST) + 1}) ~= "{FIRST}\\n" or text:sub(-{len(LAST) + 1}) ~= "{LAST}\\n" then
        return
    end
    local told = {{}}
    for key, holds, till in text:gmatch("\\n(%x+) (%a+) (%d+)") do
        told[key] = {{holds = holds == "yes", till = tonumber(till)}}
    end
    believed = told
end

function maintenance()
    heard()
end

local function during(key, otherwise)
    return LuaRule(function()
        local told, now = believed[key], os.time()
        if told ~= nil and now < told.till and told.till <= now + {LONGEST} then
            return told.holds
        end
        return otherwise
    end)
end

local undecided = NotRule(TagRule("led"))

local function all(rules)
    table.insert(rules, 1, undecided)
    return AndRule(rules)
end

local function any(rules)
    return #rules == 1 and rules[1] or OrRule(rules)
end

local function hosts(networks)
    local group = newNMG()
    for _, network in ipairs(networks) do
        group:addMask(network)
    end
    return NetmaskGroupRule(group)
end

local function itself(names)
    local set = newDNSNameSet()
    for _, name in ipairs(names) do
        set:add(newDNSName(name))
    end
    return QNameSetRule(set)
end

local function below(names)
    local node = newSuffixMatchNode()
    for _, name in ipairs(names) do
        node:add(newDNSName(name))
    end
    return SuffixMatchNodeRule(node)
end

local pools = {{}}
-- Such records (RFC 9460) may hold addresses that go by nobody who looks where names lead; without
-- them addresses are asked for.
local SERVICES = OrRule({{QTypeRule(65), QTypeRule(64)}})

local function answered(rule)
    for _, pool in ipairs(pools) do
        addAction(AndRule({{pool.names, rule, SERVICES}}), RCodeAction(DNSRCode.NOERROR))
        addAction(AndRule({{pool.names, rule}}), PoolAction(pool.name))
    end
    addAction(rule, AllowAction())
end

local function known(rule)
    addAction(rule, AllowAction())
end

local function nowhere(rule)
    addAction(rule, RCodeAction(DNSRCode.NXDOMAIN))
end

local area, who = {{}}, {{}}

local function led(rule, where)
    addAction(rule, SetTagAction("led", where))
end

local function leads(where, time, each)
    local tag = TagRule("led", where)
    for _, one in ipairs(each) do
        addAction(AndRule({{tag, QTypeRule(one.kind), area[one.area]}}),
            SpoofAction(one.to, {{ttl = time}}))
    end
    addAction(tag, RCodeAction(DNSRCode.NOERROR))
end

local function rewriter(name, source, server)
    newServer({{address = server, source = source, pool = name, name = name}}):setUp()
end

local function rewritten(rule, name)
    addAction(rule, PoolAction(name))
end
"""
