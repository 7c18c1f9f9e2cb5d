"""Netcharter: know what a network will do before you press the button."""
