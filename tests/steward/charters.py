"""A small charter with hours, for tests of what they open and close."""

from __future__ import annotations

DAY = b"""\
charter: 1
site: {name: Small, timezone: UTC}
lines:
  copper: {device: eth0, address: automatic}
areas:
  office: {device: eth2, hosts: 12}
hours:
  day: {weekly: {daily: "08:00-16:00"}}
rules:
  - {let: office, reach: internet, with: https, during: day, because: work}
  - {refuse: office, reach: internet, with: ssh, during: day, because: order}
"""
