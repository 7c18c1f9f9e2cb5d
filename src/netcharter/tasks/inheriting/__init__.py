"""A gateway that is running already: what its files and its kernel say, and a first charter of it."""
