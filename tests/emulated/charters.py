"""The site of the emulated machines: VLANs on both sides, which its kernel has."""

from __future__ import annotations

HUT = """\
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  copper: {device: eth0, vlan: 35, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  office: {device: eth2, vlan: 10, prefix: 10.7.0.0/27}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: 10.7.0.5}
rules:
  - {let: office, reach: internet, with: [http, https], because: daily work}
"""
BARN = "  barn: {device: eth2, vlan: 20, prefix: 10.7.1.0/28}\n"
