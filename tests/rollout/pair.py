"""Two small charters for one place: what a roll-out may change, in a ruleset of a few kilobytes."""

from __future__ import annotations

OLD = """
charter: 1
site: {name: Hut, timezone: Europe/London, local-prefix: 'fd5c:7a11:b0e::/48'}
lines:
  copper:
    device: eth0
    address: [203.0.113.10/29, '2001:db8:7aff::2/64']
    next-hop: [203.0.113.9, '2001:db8:7aff::1']
    prefix: 2001:db8:7a00::/56
  mast: {device: eth1, address: automatic, role: standby}
areas:
  office: {device: eth2, prefix: 10.7.0.0/26}
  barn: {device: eth3, prefix: 10.7.1.0/26}
people:
  rowan: {}
  skye: {}
rules:
  - {let: rowan, reach: internet, with: smtp, because: mail}
  - {let: office, reach: internet, with: [http, https], because: daily work}
"""
NEW = """
charter: 1
site: {name: Hut, timezone: Europe/London, local-prefix: 'fd5c:7a11:b0e::/48'}
lines:
  copper:
    device: eth0
    address: [203.0.113.11/29, '2001:db8:7aff::2/60']
    next-hop: [203.0.113.14, '2001:db8:7aff::9']
  mast: {device: eth1, address: 198.51.100.2/28, next-hop: 198.51.100.1}
areas:
  office: {device: eth2, prefix: 10.7.0.0/26}
  yard: {device: eth3, prefix: 10.7.2.0/24}
people:
  fern: {}
  rowan: {}
rules:
  - {let: rowan, reach: internet, with: smtp, because: mail}
  - {let: [office, yard], reach: internet, with: [http, https, ntp], because: daily work}
"""
DEVICES = ("eth0", "eth1", "eth2", "eth3")
STAYS = ("10.7.0.1", "fd5c:7a11:b0e:1::1")  # the office's, from where one administers
