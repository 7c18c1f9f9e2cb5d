"""The one part of the steward that touches the world: reads facts, performs effects, keeps states."""
