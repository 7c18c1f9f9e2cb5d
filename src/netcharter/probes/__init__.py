"""What to try with real packets, and what to expect of each: probes drawn from a plan."""
