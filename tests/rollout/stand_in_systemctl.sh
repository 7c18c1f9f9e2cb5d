#!/bin/sh
# Stands in for systemctl(1) of a service manager: it keeps in `manager`, beside itself, which units
# are loaded, run and are enabled, and what was asked. As systemd does, it holds on to a unit that it
# has loaded until `daemon-reload`, and starts nothing that runs. Every change is one rename.
set -eu
here="$(dirname "$0")/manager"
units=/etc/systemd/system
echo "$*" >> "$here/asked"
words=
for word in "$@"; do
  case "$word" in --*) ;; *) words="$words $word" ;; esac
done
set -- $words
verb="$1"; shift
case "$verb" in
  daemon-reload) rm -f "$here"/loaded/* ;;
  show)
    apart=
    for unit in "$@"; do
      active=inactive sub=dead file=
      [ ! -e "$here/running/$unit" ] || active=active sub=running
      [ ! -e "$units/$unit" ] || file=disabled
      [ ! -e "$here/enabled/$unit" ] || file=enabled
      printf "${apart}Id=%s\nActiveState=%s\nSubState=%s\nUnitFileState=%s\n" "$unit" $active $sub $file
      apart="\n"
    done ;;
  stop) for unit in "$@"; do rm -f "$here/running/$unit"; done ;;
  start)
    for unit in "$@"; do
      [ ! -e "$here/running/$unit" ] || continue
      [ -e "$here/loaded/$unit" ] || cp "$units/$unit" "$here/loaded/$unit"
      name="${unit%.service}"
      # What the service has read of its files when it began.
      cat "$here/loaded/$unit" "/etc/netcharter/${name#netcharter-}.conf" "/etc/ppp/peers/$name" \
        > "$here/new" 2>/dev/null || :
      mv "$here/new" "$here/running/$unit"
    done ;;
  reset-failed) ;;
  enable) for unit in "$@"; do : > "$here/enabled/$unit"; done ;;
  disable) for unit in "$@"; do rm -f "$here/enabled/$unit"; done ;;
  *) exit 1 ;;
esac
