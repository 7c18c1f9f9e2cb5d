"""Text to positions to a frozen model; the schema for editors."""
