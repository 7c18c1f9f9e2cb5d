"""Domain names and lists of them.

`domains` has the normal form of a name, `reading` reads a list that others publish (its forms are in
`forms` and `zones`), `entries` is what a list holds, `lookup` finds a name in several lists at once.
"""
