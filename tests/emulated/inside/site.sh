# Functions for the scripts of this folder: hosts around the gateway, which is the machine itself.
netcharter() { python3 -m netcharter "$@"; }

# What the machine is like, as far as Netcharter changes it, but for counters and what is remembered.
look() {
  # Once it is known of every address that nobody else has it (RFC 4862 section 5.4).
  until_true 120 sh -c '! ip -6 address show tentative | grep -q inet6' || true
  ip -o link | cut -d: -f2,3 | sed 's/ group .*//; s/ link-netns.*//' | sort
  ip -o address show | sed 's/ tentative//; s/ *valid_lft.*//; s/^[0-9]*: //' | sort
  for family in 4 6; do ip -$family rule; ip -$family route show table all | sort; done
  nft -s list ruleset | sort  # chains stand in the order in which they were made, which means nothing
  find /etc/netcharter /etc/ppp /etc/systemd/system -name '*netcharter*' -o -path '/etc/netcharter/*' \
    2>/dev/null | sort | while read -r one; do [ ! -f "$one" ] || sha256sum "$one"; done
  sysctl -a 2>/dev/null | grep -E '^net\.(ipv4|ipv6|netfilter|bridge)\.' |
    grep -vE 'random|_count|uuid|stable_secret|tcp_fastopen_key|fib_sync_mem|nf_conntrack_buckets' | sort
}

host() { # NAME DEVICE GATEWAY'S_DEVICE: a host of its own at the end of a cable
  ip netns list | grep -qw "$1" || { ip netns add "$1"; ip -n "$1" link set dev lo up; }
  ip link add name "$3" type veth peer name "$2" netns "$1"
  ip -n "$1" link set dev "$2" up
  ip link set dev "$3" up
}

tagged() { # NAME DEVICE TAG ADDRESS: the host speaks tagged there
  ip -n "$1" link add link "$2" name "$2.$3" type vlan id "$3"
  ip -n "$1" link set dev "$2.$3" up
  ip -n "$1" address add "$4" dev "$2.$3"
}

service() { # NAME FILE: one that a kit has: how it is, and the digest of a file that it goes by
  systemctl show "netcharter-$1.service" -p ActiveState,SubState,MainPID,NRestarts,UnitFileState
  sha256sum "$2" | sed 's/ .*//; s/^/Digest=/' || true
}

at() { name=$1; shift; ip netns exec "$name" "$@"; }

serving() { # NAME: its web server answers
  until_true 120 sh -c "ip netns exec $1 ss -Hltn 'sport = :80' | grep -q ."
}

until_true() { # SECONDS COMMAND...: wait until it is so, so many seconds at most
  over=$(($(cut -d. -f1 /proc/uptime) + $1)); shift
  until "$@" >/dev/null 2>&1; do
    [ "$(cut -d. -f1 /proc/uptime)" -lt $over ] || { echo "never came: $*"; return 1; }
    sleep 0.5
  done
}

passed() { # NAME: the time of it, for the figures
  cut -d' ' -f1 /proc/uptime >"at.$1"
  echo "job: $(cat "at.$1") $1" >/dev/console
}
