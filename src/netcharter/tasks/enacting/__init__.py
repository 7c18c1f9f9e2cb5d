"""Putting a charter in place on this machine: judged first, then on trial, then kept or undone."""
