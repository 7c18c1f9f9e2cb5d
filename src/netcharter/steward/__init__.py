"""What the gateway does by itself: duties that decide, and one loop that performs.

A duty is a pure function of its state, of facts and of the instant; what it wants done comes back
as values. The loop (`steward.loop`) reads the facts, performs the effects and keeps the states.
"""
