"""The one place where a roll-out touches a real host. What is done there is decided elsewhere."""
