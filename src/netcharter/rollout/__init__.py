"""How a kit is put in place on a real host, kept, and undone. What is done is a value; `run` does it."""
